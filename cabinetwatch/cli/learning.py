"""What has been learnt of a device, as a line for people."""

from collections.abc import Mapping
from typing import Any

from cabinetwatch.cli.transitions import utc_minute
from cabinetwatch.times import describe_duration, from_rfc3339
from cabinetwatch.watch.commands import NOT_VERIFIED


def learning_line(figures: Mapping[str, Any]) -> str:
    """Say what normal rise rests on, from a device's figures as `status --json` gives them."""
    name, learning = figures["name"], figures["learning"]
    if learning is None:
        return f"{name}: no ambient sensor, so only its temperature is watched."
    remarks = "".join(f" {remark}" for remark in learning["remarks"])
    return f"{name}: {_STAGES[learning['stage']](figures, learning)}.{remarks}"


def _none(figures: Mapping[str, Any], learning: Mapping[str, Any]) -> str:
    del figures
    if learning["since"] is None:
        return "nothing is learnt yet"
    span_s = 86_400 * learning["days"]
    so_far = f"has been learning its normal rise for {describe_duration(span_s)}"
    return (
        f"{so_far if span_s else 'begins to learn its normal rise'}; lost cooling is not told"
        " before the third day is over, unless normal_rise_k is given"
    )


def _commissioned(figures: Mapping[str, Any], learning: Mapping[str, Any]) -> str:
    del figures
    told = "its normal rise is the one given in the configuration"
    if learning["confidence"] is None:
        return told
    return f"{told}; its response was learnt on {_date(learning)}"


def _provisional(figures: Mapping[str, Any], learning: Mapping[str, Any]) -> str:
    return f"provisional, still learning: {_learnt(figures, learning)}"


def _learnt(figures: Mapping[str, Any], learning: Mapping[str, Any]) -> str:
    del figures
    loads = ""
    if learning["loads_w"] is not None:
        low, high = learning["loads_w"]
        loads = f" over loads of {low:.0f} to {high:.0f} W"
    return (
        f"its normal rise was learnt on {_date(learning)}{loads}, confidence"
        f" {learning['confidence']}; {NOT_VERIFIED}"
    )


def _date(learning: Mapping[str, Any]) -> str:
    return f"{utc_minute(from_rfc3339(learning['since']))} UTC"


_STAGES = {
    "none": _none,
    "commissioned": _commissioned,
    "provisional": _provisional,
    "frozen": _learnt,
}
