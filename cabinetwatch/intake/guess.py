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
    "power": frozenset(["power", "watt", "watts", "w"]),
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
# Units that are none of ours: a number so named is left to its owner.
_OTHER_UNITS = frozenset(
    [
        "kw",
        "mw",
        "kwh",
        "wh",
        "mah",
        "percent",
        "pct",
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
        quantity = next((q for q, names in UNITS.items() if source.unit in names), None)
        return _checked(quantity, source.unit, source.value)
    words = words_of(source.senml_name or source.pointer or "")
    if all(word in _EMPTY_NAMES for word in words):
        words = words_of(topic)
    if _OTHER_UNITS & set(words[-2:]):
        return None
    # The last name is the nearest to the number.
    for word in reversed(words):
        for quantity, names in _WORDS.items():
            if word in names:
                return _checked(
                    quantity, _unit_of(quantity, set(words), source.value), source.value
                )
    return None


def _unit_of(quantity: str, words: set[str], value: float) -> str:
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
