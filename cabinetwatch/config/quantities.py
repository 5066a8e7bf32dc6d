"""What can be measured, in which units a payload may say it, and how they become the kept one."""

from collections.abc import Callable
from typing import Literal

Quantity = Literal["temperature", "humidity", "power", "fan-speed", "sound-level"]

UNITS: dict[str, tuple[str, ...]] = {
    "temperature": ("Cel", "K", "degF"),
    "humidity": ("%RH",),
    "power": ("W", "kW"),
    "fan-speed": ("1/min",),
    "sound-level": ("dB",),
}
"""Units of each quantity as SenML names them (RFC 8428, section 12.1; kW: RFC 8798, section 3), and
degF. The first is the one in which values are kept, and the default."""

ROLES: dict[str, Quantity] = {
    "temperature": "temperature",
    "ambient": "temperature",
    "power": "power",
    "fan": "fan-speed",
    "sound": "sound-level",
}
"""The quantity that a device's sensor of each role must measure."""

Conversion = Callable[[float], float]
"""From a payload's figure to the kept unit."""

Span = tuple[float, float]
"""Lowest and highest, in the kept unit."""

CREDIBLE: dict[str, Span] = {
    # What the DS18B20 can measure (Maxim Integrated, DS18B20 data sheet 19-7487).
    "temperature": (-55.0, 125.0),
    # What a sensor that isn't cut off at 0 and 100 can say: RH = -6 + 125 S / 65535 (Sensirion,
    # SHT4x data sheet, from memory).
    "humidity": (-6.0, 119.0),
    # Up to what one socket outlet carries, 16 A at 250 V (IEC 60884-1, from memory). A meter may
    # say a little less than nothing; how much is our choice.
    "power": (-10.0, 4000.0),
    # Our choice, because the quickest small fans of servers turn at some 30,000 1/min.
    "fan-speed": (0.0, 40_000.0),
    # From the threshold of hearing, to which levels refer (ISO 1683), to the peak that no ear may
    # be exposed to (2003/10/EC: 140 dB(C)); both from memory.
    "sound-level": (0.0, 140.0),
}
"""Default `range` of each quantity; that of a power is narrower where ratings tell more."""

TIMES_RATED = 4.0
"""Our choice, because disks that spin up, or an amplifier switched on, draw two or three times a
rating for some seconds: a power sensor is believed up to so many times what its devices are rated
for together."""

POSSIBLE: dict[str, Span] = {
    # From absolute zero to where steel melts.
    "temperature": (-273.15, 1500.0),
    "humidity": (-100.0, 200.0),
    "power": (-100_000.0, 100_000.0),
    "fan-speed": (-1_000_000.0, 1_000_000.0),
    # Above some 194 dB a wave in air would be deeper than the air's own pressure.
    "sound-level": (-200.0, 200.0),
}
"""What no reading is beyond, however it came there, and no `range` may be: our choice, far outside
any cabinet at home. What reckons with readings is made for these."""

FAULT_CODES: dict[str, tuple[float, ...]] = {"Cel": (85.0, -127.0)}
"""Default `fault_codes` by unit: 85 degC is the DS18B20's value at power-on, before it has measured
(the same data sheet); -127 degC is what a common driver gives for a sensor it can't find (common
practice, no source)."""


def _unchanged(value: float) -> float:
    return value


def _from_kelvin(temperature_k: float) -> float:
    return temperature_k - 273.15


def _from_fahrenheit(temperature_f: float) -> float:
    # The scales meet at 32 degF = 0 degC and 212 degF = 100 degC.
    return (temperature_f - 32.0) * 5.0 / 9.0


def _from_kilowatts(power_kw: float) -> float:
    return power_kw * 1000.0


# For the units above; a test holds the two together.
_CONVERSIONS: dict[str, dict[str, Conversion]] = {
    "temperature": {"Cel": _unchanged, "K": _from_kelvin, "degF": _from_fahrenheit},
    "humidity": {"%RH": _unchanged},
    "power": {"W": _unchanged, "kW": _from_kilowatts},
    "fan-speed": {"1/min": _unchanged},
    "sound-level": {"dB": _unchanged},
}


def conversion(quantity: str, unit: str) -> Conversion | None:
    """Give the function from a payload's unit to the kept one; None if the unit doesn't fit."""
    return _CONVERSIONS[quantity].get(unit)
