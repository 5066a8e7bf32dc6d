"""The tables [devices.ID]: each piece of equipment, its sensors and what it can bear."""

from collections.abc import Iterator, Mapping
from itertools import pairwise
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, Field

from cabinetwatch.config.alarms import AlarmTables
from cabinetwatch.config.base import Contradiction, Table
from cabinetwatch.config.kinds import NotNegative, PlainText, Point, Positive, SensorNames
from cabinetwatch.config.quantities import ROLES


def _check_curve(points: tuple[Point, ...]) -> tuple[Point, ...]:
    for temperature_c, fraction in points:
        if not 0.0 <= fraction <= 1.0:
            raise ValueError(f"allows {fraction:zg} of the load at {temperature_c:zg} °C")
    for (cool_c, more), (warm_c, less) in pairwise(points):
        if warm_c <= cool_c:
            raise ValueError(f"has {warm_c:zg} °C after {cool_c:zg} °C")
        if less > more:
            raise ValueError(f"allows more load at {warm_c:zg} °C than at {cool_c:zg} °C")
    return points


Curve = Annotated[
    tuple[Point, ...], Field(strict=False, min_length=1), AfterValidator(_check_curve)
]

# Keys that mean something only beside another, and that other one.
_NEEDS = {
    "max_rise_k": "ambient",
    "normal_rise_k": "ambient",
    "normal_power_w": "normal_rise_k",
    "off_below_w": "power",
    "min_fan_rpm": "fan",
    "fan_may_stop": "fan",
}


class Device(Table):
    """One piece of equipment. A cabinet is itself a device: its air against the room's.

    `power` is a tuple of sensors whose values add up, empty where there is none. `derating` holds
    points (temperature in degC, fraction of rated load allowed).
    """

    name: PlainText | None = Field(None, description="the name that mails and pages give it")
    temperature: str = Field(description="the ID of the temperature sensor in its warm air")
    ambient: str | None = Field(
        None, description="the ID of the temperature sensor in the air around it"
    )
    power: SensorNames = Field(
        (), description="the ID of its power sensor, or a list of several that add up"
    )
    fan: str | None = Field(None, description="the ID of its fan-speed sensor")
    sound: str | None = Field(None, description="the ID of its sound-level sensor")
    derating: Curve | None = Field(
        None,
        description="points [temperature in °C, fraction of rated load allowed], temperatures"
        " rising, fractions 0 to 1 and never rising, such as [[45.0, 1.0], [60.0, 0.5]]",
    )
    derating_air: Literal["device", "ambient"] = Field(
        "device",
        description='"device" for a curve of the air at the part, "ambient" for one of the air'
        " around the device",
    )
    rated_power_w: Positive | None = Field(
        None, description="the power in W, above 0, at full rated load"
    )
    max_rise_k: Positive | None = Field(
        None, description="the highest rise above ambient in K, above 0"
    )
    min_fan_rpm: Positive | None = Field(
        None, description="the slowest good fan speed in 1/min, above 0"
    )
    fan_may_stop: bool = Field(
        default=False, description="true for a fan that stops at idle, else false"
    )
    off_below_w: NotNegative | None = Field(
        None, description="the power in W, 0 or more, below which it counts as off"
    )
    normal_rise_k: Positive | None = Field(
        None, le=1000, description="the settled rise in K, above 0, when all is well"
    )
    normal_power_w: Positive | None = Field(
        None, ge=0.001, description="the power in W, above 0, at which normal_rise_k was measured"
    )
    time_constant_s: Positive | None = Field(
        None, ge=0.1, description="the seconds, above 0, in which it warms up by 63 %"
    )
    alarms: AlarmTables = Field(default_factory=dict, description="tables of alarm settings")

    def with_sensor_renamed(self, old: str, new: str) -> "Device":
        """Give this device with a sensor's ID exchanged."""
        named = {role: getattr(self, role) for role in ROLES}
        changed = {
            role: tuple(new if each == old else each for each in name)
            if isinstance(name, tuple)
            else (new if name == old else name)
            for role, name in named.items()
        }
        return self.model_copy(update=changed)

    @classmethod
    def contradictions(cls, values: Mapping[str, Any]) -> Iterator[Contradiction]:
        """Find keys that lack the sensor they speak of, and a device in its own air."""
        for key, other in _NEEDS.items():
            if values.get(key) and other in values and not values[other]:
                yield Contradiction(key, f"needs {other} beside it")
        if values.get("derating_air") == "ambient" and values.get("ambient", "") is None:
            yield Contradiction("derating_air", '= "ambient" needs ambient beside it')
        temperature, ambient = values.get("temperature"), values.get("ambient")
        if temperature is not None and temperature == ambient:
            yield Contradiction(
                "ambient",
                "is its temperature sensor too, so it has no rise; give that of the air around it",
            )
