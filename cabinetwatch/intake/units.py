"""Units of payloads, as SenML names them (RFC 8428, 12.1, and degF), turned into SI."""

from collections.abc import Callable

Conversion = Callable[[float], float]


def _unchanged(value: float) -> float:
    return value


def _from_kelvin(temperature_k: float) -> float:
    return temperature_k - 273.15


def _from_fahrenheit(temperature_f: float) -> float:
    # The scales meet at 32 degF = 0 degC and 212 degF = 100 degC.
    return (temperature_f - 32.0) * 5.0 / 9.0


# For the units of config.quantities; a test holds the two together.
_CONVERSIONS: dict[str, dict[str, Conversion]] = {
    "temperature": {"Cel": _unchanged, "K": _from_kelvin, "degF": _from_fahrenheit},
    "humidity": {"%RH": _unchanged},
    "power": {"W": _unchanged},
    "fan-speed": {"1/min": _unchanged},
    "sound-level": {"dB": _unchanged},
}


def conversion(quantity: str, unit: str) -> Conversion | None:
    """Give the function from a payload's unit to the kept one; None if the unit doesn't fit."""
    return _CONVERSIONS[quantity].get(unit)
