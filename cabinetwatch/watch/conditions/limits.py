"""Conditions on the values of sensors: their own limits, and the dew point."""

from abc import abstractmethod
from collections.abc import Iterable
from typing import Any

from pydantic import Field

from cabinetwatch.config.equipment import AlarmSettings
from cabinetwatch.config.model import Config
from cabinetwatch.config.values import common_levels
from cabinetwatch.text import rounded
from cabinetwatch.thermal.humidity import dew_point_c
from cabinetwatch.watch.conditions.base import (
    NOT_YET_BACK,
    SensorCondition,
    beyond,
    celsius,
    kelvin,
    quantity,
)
from cabinetwatch.watch.sensors import SensorView
from cabinetwatch.watch.site import SiteModel

_OTHER_DEADBAND = {"humidity": 2.0, "power": 2.0, "fan-speed": 30.0, "sound-level": 1.0}
"""In %RH, W, rpm, dB; our choice: a few times the resolution of common sensors."""


class LimitSettings(AlarmSettings):
    """Keys of `[alarms.high]` and `[alarms.low]`."""

    priority: str | None = "medium"
    on_delay_s: float = 60.0
    off_delay_s: float = 60.0
    deadband_k: float = Field(
        1.0, description="the K, 0 or more, back from the setpoint at which it returns"
    )
    deadband: float | None = Field(
        None, description="the same for other quantities, in the unit of the limit"
    )


class Limit(SensorCondition):
    """What `high` and `low` share."""

    Settings = LimitSettings
    settings: LimitSettings

    @property
    def cause(self) -> str:
        """A temperature of a device is an event of that device."""
        device = self.house.device_measured_by(self.sensor)
        return super().cause if device is None else f"device/{device.id}"

    @property
    @abstractmethod
    def limit(self) -> float:
        """The configured limit, in the sensor's SI unit."""

    @property
    def deadband(self) -> float:
        """`deadband` where given, else `deadband_k` for temperatures and a choice for the rest."""
        if self.settings.deadband is not None:
            return self.settings.deadband
        return _OTHER_DEADBAND.get(self.sensor.quantity, self.settings.deadband_k)

    def values(self) -> dict[str, Any]:
        """The value and its limit, in the sensor's SI unit."""
        known = self.sensor.known
        return {
            "value": rounded(self.sensor.value, 3) if known else None,
            "quantity": self.sensor.quantity,
            self.name: self.limit,
        }

    def _present(self) -> str:
        if not self.sensor.known:
            return f"{self.called}: no value yet"
        reads = "reads" if self.sensor.good else "last read"
        return f"{self.called} {reads} {quantity(self.sensor.value, self.sensor.quantity)}"

    def _limit(self) -> str:
        return quantity(self.limit, self.sensor.quantity)

    def gone(self) -> str:
        """Say that it is within its limit again."""
        return f"{self._present()}, within its limit of {self._limit()} again."


class High(Limit):
    """Raised when the value is above `high`."""

    name = "high"
    likely = "More than was thought right for this place when the limit was set."
    response = "See what has changed around this sensor; give the cabinet air if it is heat."

    @classmethod
    def subjects(cls, config: Config) -> Iterable[str]:
        """Sensors with a `high`."""
        return [name for name, sensor in config.sensors.items() if sensor.high is not None]

    @property
    def limit(self) -> float:
        """The upper limit."""
        limit = self.house.config.sensors[self.subject].high
        return float("inf") if limit is None else limit

    def judge(self, t: int, active: bool) -> bool | None:
        """Compare; unknown while the sensor is."""
        del t
        if not self.sensor.good:
            return None
        return beyond(self.sensor.value, self.limit, self.deadband, active=active)

    def seen(self) -> str:
        """Say by how much."""
        above = "above" if self.sensor.value > self.limit else NOT_YET_BACK
        return f"{self._present()}, {above} its limit of {self._limit()}."


class Low(Limit):
    """Raised when the value is below `low`."""

    name = "low"
    likely = "Less than was thought right for this place when the limit was set."
    response = "See what has changed around this sensor."

    @classmethod
    def subjects(cls, config: Config) -> Iterable[str]:
        """Sensors with a `low`."""
        return [name for name, sensor in config.sensors.items() if sensor.low is not None]

    @property
    def limit(self) -> float:
        """The lower limit."""
        limit = self.house.config.sensors[self.subject].low
        return float("-inf") if limit is None else limit

    def judge(self, t: int, active: bool) -> bool | None:
        """Compare; unknown while the sensor is."""
        del t
        if not self.sensor.good:
            return None
        return beyond(-self.sensor.value, -self.limit, self.deadband, active=active)

    def seen(self) -> str:
        """Say by how much."""
        below = "below" if self.sensor.value < self.limit else NOT_YET_BACK
        return f"{self._present()}, {below} its limit of {self._limit()}."


class CondensationSettings(AlarmSettings):
    """Keys of `[alarms.condensation]`."""

    priority: str | None = "low"
    on_delay_s: float = 600.0
    off_delay_s: float = 600.0
    condensation_margin_k: float = Field(
        2.0, description="the K, 0 or more, above the dew point that the coldest surface must have"
    )
    deadband_k: float = Field(
        0.5, description="the K, 0 or more, back from the setpoint at which it returns"
    )


class Condensation(SensorCondition):
    """Raised when the dew point is within a margin of the coldest temperature around.

    The dew point is made of a humidity and the temperature of the same air: of the same topic, else
    of the topic with the most levels in common from the start. Surfaces are the sensors with
    `surface = true`; without any, the temperatures of the devices.
    """

    name = "condensation"
    Settings = CondensationSettings
    settings: CondensationSettings
    likely = "Moist air on cold surfaces: a damp place, laundry or cooking, or gear that was off."
    response = (
        "Air the place when it is drier outside, and find the moisture. Don't switch on gear that"
        " is wet or has just come in from the cold: let it dry and warm up first."
    )

    def __init__(self, house: SiteModel, subject: str, settings: AlarmSettings) -> None:
        super().__init__(house, subject, settings)
        config = house.config
        self.air = house.sensors[companion(config, subject) or subject]
        surfaces = [name for name, sensor in config.sensors.items() if sensor.surface]
        if not surfaces:
            surfaces = [device.temperature for device in config.devices.values()]
        self.surfaces = [house.sensors[name] for name in dict.fromkeys(surfaces)]

    @classmethod
    def subjects(cls, config: Config) -> Iterable[str]:
        """Humidities with a temperature of their air, where there is a surface."""
        any_surface = bool(config.devices) or any(s.surface for s in config.sensors.values())
        return [
            name
            for name, sensor in config.sensors.items()
            if sensor.quantity == "humidity" and any_surface and companion(config, name)
        ]

    @property
    def inputs(self) -> tuple[SensorView, ...]:
        """The humidity; the temperatures count at its pace."""
        return (self.sensor,)

    @property
    def dew_point_c(self) -> float | None:
        """The dew point of the air, None while either sensor is not good."""
        if not self.sensor.good or not self.air.good:
            return None
        return dew_point_c(self.air.value, self.sensor.value)

    @property
    def coldest(self) -> SensorView | None:
        """The coldest surface that is known now."""
        good = [surface for surface in self.surfaces if surface.good]
        return min(good, key=lambda surface: surface.value, default=None)

    def judge(self, t: int, active: bool) -> bool | None:
        """Compare the distance with the margin."""
        del t
        dew_c, coldest = self.dew_point_c, self.coldest
        if dew_c is None or coldest is None:
            return None
        margin_k = self.settings.condensation_margin_k
        return coldest.value - dew_c < margin_k + (self.settings.deadband_k if active else 0.0)

    def seen(self) -> str:
        """Say how near it is, and where."""
        dew_c, coldest = self.dew_point_c, self.coldest
        if dew_c is None or coldest is None:
            return f"The air at {self.called} was last seen close to its dew point."
        distance_k = coldest.value - dew_c
        near = f"only {kelvin(distance_k)} above it" if distance_k > 0.0 else "not above it"
        return (
            f"The air at {self.called} has its dew point at {celsius(dew_c)}"
            f" ({celsius(self.air.value)}, {self.sensor.value:z.0f} % humidity), and"
            f" {coldest.name} at {celsius(coldest.value)} is {near}."
        )

    def gone(self) -> str:
        """Say how far it is."""
        dew_c, coldest = self.dew_point_c, self.coldest
        if dew_c is None or coldest is None:
            return f"The air at {self.called} is no longer close to its dew point."
        return (
            f"The air at {self.called} has its dew point at {celsius(dew_c)},"
            f" {kelvin(coldest.value - dew_c)} below {coldest.name}."
        )

    def values(self) -> dict[str, Any]:
        """Humidity, air, dew point, coldest surface."""
        dew_c, coldest = self.dew_point_c, self.coldest
        return {
            "humidity_percent": rounded(self.sensor.value, 3) if self.sensor.known else None,
            "temperature_c": rounded(self.air.value, 3) if self.air.known else None,
            "dew_point_c": None if dew_c is None else rounded(dew_c, 3),
            "coldest_c": None if coldest is None else rounded(coldest.value, 3),
            "coldest_sensor": None if coldest is None else coldest.id,
            "condensation_margin_k": self.settings.condensation_margin_k,
        }


def companion(config: Config, humidity: str) -> str | None:
    """Give the temperature sensor in the air of a humidity sensor: the one nearest by topic.

    A sensor on a surface measures no air. One without a topic level in common is elsewhere.
    """
    topic = config.sensors[humidity].topic
    nearest: tuple[int, str] | None = None
    for name, sensor in config.sensors.items():
        if sensor.quantity != "temperature" or sensor.surface:
            continue
        common = common_levels(topic, sensor.topic)
        if common and sensor.topic == topic:
            common += 1
        if common and (nearest is None or common > nearest[0]):
            nearest = (common, name)
    return None if nearest is None else nearest[1]
