"""What `silent`, `stuck` and `implausible` have in common: a sensor whose values can't be used."""

from typing import Any

from pydantic import Field

from cabinetwatch.config.alarms import AlarmSettings
from cabinetwatch.text import rounded
from cabinetwatch.watch.conditions.base import SensorCondition
from cabinetwatch.watch.sensors import SensorView
from cabinetwatch.watch.transition import Priority
from cabinetwatch.watch.wording import quantity

SHORTEST_HOLD_S = 60.0
"""A sensor that speaks often must still be well for so long: common practice, no source."""

HOLD_SILENCES = 2.0
"""A node that speaks every 15 to 220 s, taken for one of every 10 s, would be raised or returned 39
times in 49 minutes without a hold, and with this one twice (reckoned, for evenly spread gaps)."""


class BlindSettings(AlarmSettings):
    """Delays for a sensor that can't be used.

    What is only just late, or wild for a moment, comes right within half a minute: a radio that
    sends again, a node that starts again (common practice, no source). It is over once the sensor
    has been well for twice as long as it takes to count as silent: one that speaks once and falls
    silent again has not come back.
    """

    on_delay_s: float = 30.0
    off_delay_s: float | None = Field(
        None, description="the seconds, 0 or more, it must be gone before the alarm returns"
    )


def hold_s(settings: AlarmSettings, sensor: SensorView | None) -> float:
    """Give for how long a sensor must be well again before its alarm returns."""
    if settings.off_delay_s is not None:
        return settings.off_delay_s
    silence_ms = None if sensor is None else sensor.silence_ms
    return max(SHORTEST_HOLD_S, 0.0 if silence_ms is None else HOLD_SILENCES * silence_ms / 1000)


class BlindSensorCondition(SensorCondition):
    """A sensor tells nothing that can be used, and blinds the device that it measures."""

    @property
    def inputs(self) -> tuple[SensorView, ...]:
        """No single value changes it, only the sensor's being heard and trusted or not."""
        return ()

    @property
    def watched(self) -> tuple[SensorView, ...]:
        """The sensor itself."""
        return (self.sensor,)

    @property
    def off_delay_s(self) -> float:
        """The sensor must have been well for twice as long as it takes to be silent."""
        return hold_s(self.settings, self.sensor)

    @property
    def priority(self) -> Priority:
        """High for a device's temperature: without it the device is not watched."""
        if self.settings.priority is not None:
            return Priority(self.settings.priority)
        device = self.house.device_measured_by(self.sensor)
        return Priority.MEDIUM if device is None else Priority.HIGH

    def so(self) -> str:
        """Say which device is blind now, for the end of a sentence."""
        device = self.house.device_measured_by(self.sensor)
        return "" if device is None else f", so {device.name} is not watched by temperature now"

    def values(self) -> dict[str, Any]:
        """The last value that was taken as true, in the sensor's SI unit."""
        known = self.sensor.known
        return {
            "value": rounded(self.sensor.value, 3) if known else None,
            "quantity": self.sensor.quantity,
        }


class FaultySensorCondition(BlindSensorCondition):
    """A sensor is heard, but what it says is not taken."""

    def gone(self) -> str:
        """Say what it reads now."""
        value = quantity(self.sensor.value, self.sensor.quantity)
        return f"{self.called} can be believed again and reads {value}."
