"""What can be measured, and in which units a payload may say it."""

from typing import Literal

Quantity = Literal["temperature", "humidity", "power", "fan-speed", "sound-level"]

UNITS: dict[str, tuple[str, ...]] = {
    "temperature": ("Cel", "K", "degF"),
    "humidity": ("%RH",),
    "power": ("W",),
    "fan-speed": ("1/min",),
    "sound-level": ("dB",),
}
"""Units of each quantity as SenML names them (RFC 8428, section 12.1), and degF. The first is the
one in which values are kept, and the default."""

ROLES: dict[str, Quantity] = {
    "temperature": "temperature",
    "ambient": "temperature",
    "power": "power",
    "fan": "fan-speed",
    "sound": "sound-level",
}
"""The quantity that a device's sensor of each role must measure."""
