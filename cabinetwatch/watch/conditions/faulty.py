"""What `silent`, `stuck` and `implausible` have in common: a sensor whose values can't be used."""

from typing import Any

from cabinetwatch.text import rounded
from cabinetwatch.watch.conditions.base import SensorCondition
from cabinetwatch.watch.sensors import SensorView
from cabinetwatch.watch.transition import Priority
from cabinetwatch.watch.wording import quantity


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
