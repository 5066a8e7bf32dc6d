"""`silent`: a sensor has not been heard for several of its intervals."""

from typing import Any

from cabinetwatch.config.alarms import AlarmSettings
from cabinetwatch.watch.conditions.base import SensorCondition
from cabinetwatch.watch.sensors import SensorView
from cabinetwatch.watch.transition import Priority
from cabinetwatch.watch.wording import quantity


class SilentSettings(AlarmSettings):
    """Keys of `[alarms.silent]`; without a priority: high for a device's temperature."""


class Silent(SensorCondition):
    """Raised when no live reading came for `silent_after` intervals while the broker was there."""

    name = "silent"
    Settings = SilentSettings
    likely = (
        "The node has lost power or radio, its battery is flat, or the probe has come off; the"
        " clock of a node that dates its readings itself may be wrong."
    )
    response = (
        "See that the sensor node has power and reaches the network; look at what it publishes with"
        " cabinetwatch listen."
    )

    @property
    def inputs(self) -> tuple[SensorView, ...]:
        """No value changes it, only coming and going."""
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
        return Priority.HIGH if self._device() else Priority.MEDIUM

    @property
    def cause(self) -> str:
        """Sensors of one topic sit on one node: its silence is one notice."""
        return f"node/{self.house.config.sensors[self.subject].topic}"

    def judge(self, t: int, active: bool) -> bool | None:
        """Follow the silence that the sensor's deadlines find."""
        del t, active
        return self.sensor.silent

    def began(self, pending_t: int) -> int:
        """It began with the last reading."""
        return pending_t if self.sensor.last_live_t is None else self.sensor.last_live_t

    def seen(self) -> str:
        """Say what is missing and what that blinds."""
        effect = self._device()
        so = f", so {effect} is not watched by temperature now" if effect else ""
        if self.sensor.last_live_t is None:
            return f"{self.subject} has not been heard from since the watch came online{so}."
        last = quantity(self.sensor.value, self.sensor.quantity)
        return f"{self.subject} has fallen silent{so}; its last reading was {last}."

    def gone(self) -> str:
        """Say that it is back."""
        if not self.sensor.known:
            return f"{self.subject} is heard again."
        value = quantity(self.sensor.value, self.sensor.quantity)
        return f"{self.subject} is heard again and reads {value}."

    def values(self) -> dict[str, Any]:
        """The last value, in the sensor's SI unit."""
        known = self.sensor.known
        silence_ms = self.sensor.silence_ms
        return {
            "value": round(self.sensor.value, 3) if known else None,
            "quantity": self.sensor.quantity,
            "silence_s": None if silence_ms is None else silence_ms / 1000,
        }

    def _device(self) -> str:
        device = self.house.device_measured_by(self.sensor)
        return "" if device is None else device.name
