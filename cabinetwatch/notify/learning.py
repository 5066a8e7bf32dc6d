"""What has been learnt of a device, in words."""

from collections.abc import Mapping
from typing import Any

from cabinetwatch.times import describe_duration, from_rfc3339, to_datetime
from cabinetwatch.watch.commands import NOT_VERIFIED


def learning_words(learning: Mapping[str, Any] | None) -> str:
    """Say what normal rise rests on, from what `status --json` gives as `learning`."""
    if learning is None:
        return "no ambient sensor, so only its temperature is watched."
    remarks = "".join(f" {remark}" for remark in learning["remarks"])
    return f"{_STAGES[learning['stage']](learning)}.{remarks}"


def _none(learning: Mapping[str, Any]) -> str:
    if learning["since"] is None:
        return "nothing is learnt yet"
    span_s = 86_400 * learning["days"]
    so_far = f"has been learning its normal rise for {describe_duration(span_s)}"
    return (
        f"{so_far if span_s else 'begins to learn its normal rise'}; lost cooling is not told"
        " before the third day is over, unless normal_rise_k is given"
    )


def _commissioned(learning: Mapping[str, Any]) -> str:
    told = "its normal rise is the one given in the configuration"
    if learning["confidence"] is None:
        return told
    return f"{told}; its response was learnt on {_date(learning)}"


def _provisional(learning: Mapping[str, Any]) -> str:
    return f"provisional, still learning: {_learnt(learning)}"


def _learnt(learning: Mapping[str, Any]) -> str:
    loads = ""
    if learning["loads_w"] is not None:
        low, high = learning["loads_w"]
        loads = f" over loads of {low:z.0f} to {high:z.0f} W"
    return (
        f"its normal rise was learnt on {_date(learning)}{loads}, confidence"
        f" {learning['confidence']}; {NOT_VERIFIED}"
    )


def _date(learning: Mapping[str, Any]) -> str:
    return f"{to_datetime(from_rfc3339(learning['since'])):%Y-%m-%d %H:%M} UTC"


_STAGES = {
    "none": _none,
    "commissioned": _commissioned,
    "provisional": _provisional,
    "frozen": _learnt,
}
