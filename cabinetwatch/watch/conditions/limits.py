"""`high` and `low`: a sensor's value is past a limit of its own."""

from abc import abstractmethod
from collections.abc import Iterable
from typing import Any

from pydantic import Field

from cabinetwatch.config.alarms import AlarmSettings
from cabinetwatch.config.model import Config
from cabinetwatch.text import rounded
from cabinetwatch.watch.conditions.base import NOT_YET_BACK, SensorCondition, beyond
from cabinetwatch.watch.wording import quantity

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
