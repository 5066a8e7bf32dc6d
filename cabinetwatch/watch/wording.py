"""How figures stand in sentences."""


def celsius(value_c: float) -> str:
    """Write a temperature, e.g. 48.3 °C."""
    return f"{_fixed(value_c, 1)} °C"


def kelvin(value_k: float) -> str:
    """Write a difference of temperatures, e.g. 12.4 K."""
    return f"{_fixed(value_k, 1)} K"


# By quantity: the unit as people read it, and decimals that a sensor in a house deserves.
_QUANTITIES = {
    "temperature": ("°C", 1),
    "humidity": ("%", 0),
    "power": ("W", 1),
    "fan-speed": ("rpm", 0),
    "sound-level": ("dB", 1),
}


def quantity(value: float, kind: str) -> str:
    """Write a value of a sensor's quantity with its unit, e.g. 61 % or 900 rpm."""
    unit, decimals = _QUANTITIES[kind]
    return f"{_fixed(value, decimals)} {unit}"


_LONGEST = 1e9
"""Figures beyond are written with an exponent: 200 digits are no sentence."""


def percent(fraction: float) -> str:
    """Write a fraction as per cent, e.g. 75 %."""
    return f"{_fixed(100 * fraction, 0)} %"


def _fixed(value: float, decimals: int) -> str:
    """Write with fixed decimals and without a negative zero; what no sensor can mean, briefly."""
    if not abs(value) < _LONGEST:
        return f"{value:z.3g}"
    return f"{value:z.{decimals}f}"


def interval_k(value_k: float, sd_k: float) -> str:
    """Write a difference with the half width of its 95 % interval, e.g. 21.3 K ± 1.2 K."""
    return f"{kelvin(value_k)} ± {kelvin(1.96 * sd_k)}"
