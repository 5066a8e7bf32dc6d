"""The words of notices: what a condition is called, labels and units, what was learnt.

The keys of a device's figures end in their unit (`rise_k`); people read "Rise" and "12.4 K".
"""

from collections.abc import Mapping
from typing import Any

from cabinetwatch.text import (
    TemperatureUnit,
    describe_duration,
    from_rfc3339,
    local_time,
    measure,
)
from cabinetwatch.watch import conditions
from cabinetwatch.watch.commands import NOT_VERIFIED
from cabinetwatch.watch.conditions import base
from cabinetwatch.watch.devices import LABELS
from cabinetwatch.watch.events import Account, AccountFigure, AlarmState, Priority, Transition

OVER = "Over"
"""An alarm that is over. Never more than that: others of the same device may still stand."""

TEST_CONDITION = "test"
"""The condition of a test notice; no rule raises it."""

PRIORITY_WORDS = {Priority.HIGH: "High", Priority.MEDIUM: "Medium", Priority.LOW: "Low"}

DEVICE_CAUTIONS = (
    "Opened gear holds mains voltage and, even unplugged, charged capacitors.",
    "Leave power supplies and the UPS to licensed people. Local codes come first.",
    "A stopped fan can start without warning: keep fingers out of it.",
    "Never cover a vent, and never pad the cabinet with anything that can burn.",
)
"""Where hands go near mains: on the notices of devices and of the sensors beside them."""

NO_SMOKE_ALARM = (
    "This is no smoke alarm, and it can fail together with its sensors: it does not replace a smoke"
    " alarm or anything else that local codes require."
)


def predicate(transition: Transition) -> str:
    """Say what is on, or no longer on, with the subject of a transition.

    A condition that this version doesn't know is called by its name.
    """
    return _predicate(transition.condition, over=transition.is_return)


def told_in_short(transition: Transition) -> str:
    """Say in a few words what a transition tells; of most only programs and MQTT are told."""
    if transition.is_raise or transition.is_return:
        return predicate(transition)
    what = _predicate(transition.condition, over=False)
    if transition.state is not AlarmState.NORMAL:
        return f"{transition.state.replace('-', ' ')} ({what})"
    if transition.previous is AlarmState.OUT_OF_SERVICE:
        # It need not have stood.
        return f"back in service ({what})"
    return _predicate(transition.condition, over=True)


def _predicate(name: str, *, over: bool) -> str:
    condition = conditions.named(name)
    if condition is None:
        words = "a test of the notices" if name == TEST_CONDITION else name.replace("-", " ")
        return f"no longer {words}" if over else words
    whose = "the watch is " if condition.kind == "site" else ""
    return f"{whose}{condition.over if over else condition.predicate}"


def degree(account: Account) -> str:
    """Say how bad an incident is, or that it is over."""
    return OVER if account.is_over else PRIORITY_WORDS[account.priority]


# As SENML writes units (RFC 8428, section 12.1), and as people do; with the decimals they need.
_UNITS_OF_ACCOUNTS = {
    "W": ("W", 1),
    "%RH": ("%", 0),
    "1/min": ("rpm", 0),
    "dB": ("dB", 1),
}


def measured(figure: AccountFigure, unit: TemperatureUnit) -> str:
    r"""Write the value of an account's figure with its unit and, where it has one, its interval.

    >>> settling = AccountFigure("Settling at", 15.22, "K", 1.07)
    >>> measured(settling, TemperatureUnit.CELSIUS), measured(settling, TemperatureUnit.FAHRENHEIT)
    ('15.2\xa0K ± 1.1\xa0K', '27.4\xa0°F ± 1.9\xa0°F')
    """
    if isinstance(figure.value, str):
        return figure.value
    if figure.unit == "Cel":
        return unit.temperature(figure.value)
    values = [figure.value] if figure.ci95 is None else [figure.value, figure.ci95]
    if figure.unit == "K":
        return " ± ".join(unit.difference(value) for value in values)
    called, decimals = _UNITS_OF_ACCOUNTS.get(figure.unit, (figure.unit, 1))
    return " ± ".join(measure(value, decimals, called) for value in values)


# By the end of a key; longest first, so that "_k_per_w" is not taken for "_w".
_UNITS = (
    ("_k_per_w", "K/W", 3),
    ("_rpm", "rpm", 0),
    ("_c", "°C", 1),
    ("_k", "K", 1),
    ("_w", "W", 1),
)
_DURATION, _FRACTION = "_s", "_fraction"


def label(key: str) -> str:
    """Give the plain label of a device's figure by its key, without the unit.

    >>> label("settled_rise_k"), label("time_constant_s")
    ('Settling at', 'Time constant')
    """
    ends = (*(suffix for suffix, _, _ in _UNITS), _DURATION, _FRACTION)
    stem = next((key.removesuffix(each) for each in ends if key.endswith(each)), key)
    return LABELS.get(key) or stem.replace("_", " ").capitalize()


def written(key: str, value: float, shown: TemperatureUnit) -> str:
    r"""Write a device's figure with its unit, as its key says and as people read temperatures.

    >>> fahrenheit = TemperatureUnit.FAHRENHEIT
    >>> written("rise_k", 12.44, fahrenheit), written("resistance_k_per_w", 0.5, fahrenheit)
    ('22.4\xa0°F', '0.900\xa0°F/W')
    >>> written("time_constant_s", 900, fahrenheit), written("load_fraction", 0.8, fahrenheit)
    ('15\xa0min', '80\xa0%')
    """
    if isinstance(value, bool):
        return "yes" if value else "no"
    if key.endswith(_DURATION):
        return describe_duration(value)
    if key.endswith(_FRACTION):
        return measure(100 * value, 0, "%")
    unit, decimals = next((u, d) for suffix, u, d in _UNITS if key.endswith(suffix))
    if unit == "°C":
        return shown.temperature(value, decimals)
    if unit.startswith("K"):
        return shown.difference(value, decimals, per=unit.removeprefix("K"))
    return measure(value, decimals, unit)


def learning_words(learning: Mapping[str, Any] | None, timezone: str) -> str:
    """Say what normal rise rests on, from what `status --json` gives as `learning`."""
    if learning is None:
        return "no sensor of the surrounding air, so only its temperature is watched."
    remarks = "".join(f" {remark}" for remark in learning["remarks"])
    return f"{_STAGES[learning['stage']](learning, timezone)}.{remarks}"


def _none(learning: Mapping[str, Any], _: str) -> str:
    if learning["since"] is None:
        return "nothing is learnt yet"
    span_s = 86_400 * learning["days"]
    so_far = f"has been learning its normal rise for {describe_duration(span_s)}"
    return (
        f"{so_far if span_s else 'begins to learn its normal rise'}; lost cooling is not noticed"
        " before the third day is over, unless normal_rise_k is given"
    )


def _commissioned(learning: Mapping[str, Any], timezone: str) -> str:
    told = "its normal rise is the one given in the configuration"
    if learning["confidence"] is None:
        return told
    return f"{told}; its response was learnt on {_date(learning['since'], timezone)}"


def _provisional(learning: Mapping[str, Any], timezone: str) -> str:
    return f"provisional, still learning: {_learnt(learning, timezone)}"


def _learnt(learning: Mapping[str, Any], timezone: str) -> str:
    loads = ""
    if learning["loads_w"] is not None:
        low, high = learning["loads_w"]
        loads = f" over loads of {base.watts(low)} to {base.watts(high)}"
    verified = learning.get("verified")
    checked = NOT_VERIFIED
    if verified:
        checked = f"every fan was seen turning on {_date(verified, timezone)}"
    return (
        f"its normal rise was learnt on {_date(learning['since'], timezone)}{loads}, confidence"
        f" {learning['confidence']}; {checked}"
    )


def _date(instant: str, timezone: str) -> str:
    return local_time(from_rfc3339(instant), timezone, "%-d %b %Y %H:%M")


_STAGES = {
    "none": _none,
    "commissioned": _commissioned,
    "provisional": _provisional,
    "frozen": _learnt,
}
