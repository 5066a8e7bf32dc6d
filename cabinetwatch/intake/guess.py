"""Guesses what a number in a payload measures, from its names, its unit and its size."""

import re
from typing import NamedTuple

from cabinetwatch.config.quantities import UNITS, Quantity, conversion
from cabinetwatch.intake.survey import Source

_WORDS: dict[Quantity, frozenset[str]] = {
    "temperature": frozenset(
        [
            "temperature",
            "temp",
            "temps",
            "t",
            "tempc",
            "tempf",
            "celsius",
            "fahrenheit",
            "kelvin",
            "degc",
            "degf",
        ]
    ),
    "humidity": frozenset(["humidity", "humid", "hum", "rh"]),
    "power": frozenset(["power", "watt", "watts", "w", "kw", "kilowatt", "kilowatts"]),
    "fan-speed": frozenset(["fan", "fans", "rpm", "tach", "tacho", "speed"]),
    "sound-level": frozenset(["sound", "noise", "spl", "db", "dba", "loudness"]),
}
# What such a sensor in a house can read, in the unit that values are kept in. Our choice, wide.
_POSSIBLE: dict[Quantity, tuple[float, float]] = {
    "temperature": (-60.0, 150.0),
    "humidity": (0.0, 100.0),
    "power": (-1.0, 25_000.0),
    "fan-speed": (0.0, 50_000.0),
    "sound-level": (0.0, 140.0),
}
_FAHRENHEIT = frozenset(["f", "degf", "fahrenheit", "tempf"])
_KELVIN = frozenset(["k", "kelvin"])
_KILOWATTS = frozenset(["kw", "kilowatt", "kilowatts"])
_PERCENT = frozenset(["percent", "pct"])
# What payloads write beside a number as its unit, in small letters.
_HINTS = {
    **dict.fromkeys(("c", "°c", "℃", "degc", "cel", "celsius"), "Cel"),
    **dict.fromkeys(("f", "°f", "℉", "degf", "fahrenheit"), "degF"),
    **dict.fromkeys(("k", "kelvin"), "K"),
    **dict.fromkeys(("%", "%rh", "rh", "percent"), "%RH"),
    **dict.fromkeys(("w", "watt", "watts"), "W"),
    **dict.fromkeys(("kw", "kilowatt", "kilowatts"), "kW"),
    **dict.fromkeys(("rpm", "1/min", "r/min", "min-1"), "1/min"),
    **dict.fromkeys(("db", "dba", "db(a)"), "dB"),
}
# Units that are none of ours: a number so named is left to its owner.
_OTHER_UNITS = frozenset(
    [
        "mw",
        "kwh",
        "wh",
        "mah",
        "battery",
        "batt",
        "volt",
        "volts",
        "v",
        "amp",
        "amps",
    ]
)
# Names that say nothing, so that the topic must.
_EMPTY_NAMES = frozenset(
    ["value", "val", "state", "data", "reading", "measurement", "current", "now", "payload", "0"]
)
AMBIENT_WORDS = frozenset(
    ["ambient", "room", "hall", "hallway", "outside", "intake", "inlet", "living", "surroundings"]
)


class Guess(NamedTuple):
    """What a number probably is."""

    quantity: Quantity
    unit: str


def words_of(name: str) -> list[str]:
    """Split a name into lower-case words at everything but letters and digits, and in camelCase."""
    apart = re.sub(r"(?<=[a-z0-9])(?=[A-Z])", " ", name)
    return [word.lower() for word in re.findall(r"[^\W_]+", apart)]


def guess(topic: str, source: Source) -> Guess | None:
    """Guess quantity and unit; None when nothing fits."""
    if source.unit is not None:
        return _checked(_measured_in(source.unit), source.unit, source.value)
    words = words_of(source.senml_name or source.pointer or "")
    if all(word in _EMPTY_NAMES for word in words):
        words = words_of(topic)
    named = _named(words)
    if source.hint is not None:
        return _hinted(named, source.hint, source.value)
    if named is None or _OTHER_UNITS & set(words[-2:]):
        return None
    if _PERCENT & set(words[-2:]) and named != "humidity":
        return None
    return _checked(named, _unit_of(named, set(words), source.value), source.value)


def _measured_in(unit: str) -> str | None:
    return next((quantity for quantity, names in UNITS.items() if unit in names), None)


def _named(words: list[str]) -> Quantity | None:
    """Give the quantity that is named; the last name is the nearest to the number."""
    for word in reversed(words):
        for quantity, names in _WORDS.items():
            if word in names:
                return quantity
    return None


def _hinted(named: Quantity | None, hint: str, value: float) -> Guess | None:
    """Go by the unit beside a number, which must not contradict its name.

    Per cent can be anything, so they need a name.
    """
    unit = _HINTS.get(hint.strip().lower())
    if unit is None:
        return None
    if named is None and unit != "%RH":
        return _checked(_measured_in(unit), unit, value)
    return _checked(named, unit, value)


def _unit_of(quantity: str, words: set[str], value: float) -> str:
    if quantity == "power" and words & _KILOWATTS:
        return "kW"
    if quantity != "temperature":
        return UNITS[quantity][0]
    if words & _FAHRENHEIT:
        return "degF"
    # No house has 200 degC of air, nor 200 K.
    return "K" if words & _KELVIN or value > 200.0 else "Cel"


def _checked(quantity: str | None, unit: str, value: float) -> Guess | None:
    """Give the guess if such a sensor could read such a value."""
    for known, (lowest, highest) in _POSSIBLE.items():
        convert = conversion(known, unit)
        if known == quantity and convert is not None and lowest <= convert(value) <= highest:
            return Guess(known, unit)
    return None
