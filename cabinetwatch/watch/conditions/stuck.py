"""`stuck`: a sensor stands still while the world around it moves."""

from typing import Any

from cabinetwatch.config.model import Config
from cabinetwatch.times import describe_duration
from cabinetwatch.watch.conditions.faulty import BlindSettings, FaultySensorCondition
from cabinetwatch.watch.wording import quantity


class StuckSettings(BlindSettings):
    """Keys of `[alarms.stuck]`; without a priority: high for a device's temperature."""


class Stuck(FaultySensorCondition):
    """Raised when a temperature stands while what should move it has moved."""

    name = "stuck"
    Settings = StuckSettings
    likely = "The node sends its last value again and again, or its probe has come off its bus."
    response = (
        "Warm the probe in your hand: if its value does not move, restart its node, then see to"
        " plug and cable, and replace the probe."
    )

    @classmethod
    def subjects(cls, config: Config) -> list[str]:
        """Temperatures of devices and their ambients: only there is something that moves them."""
        used: set[str] = set()
        for device in config.devices.values():
            if device.ambient is not None:
                used |= {device.temperature, device.ambient}
        return sorted(used)

    def judge(self, t: int, active: bool) -> bool | None:
        """Follow the watch over the sensor's standing still."""
        del t, active
        return self.sensor.stuck

    def began(self, pending_t: int) -> int:
        """It began when the value was first read."""
        frozen = self.sensor.frozen
        return pending_t if frozen is None else min(pending_t, frozen.since_t)

    def seen(self) -> str:
        """Say what it stands at, for how long, and what that blinds."""
        value = quantity(self.sensor.value, self.sensor.quantity)
        return (
            f"{self.called} has stood at {value} for {self._for()} while the temperatures around"
            f" it moved{self.so()}."
        )

    def _for(self) -> str:
        frozen, last_t = self.sensor.frozen, self.sensor.last_live_t
        stood_ms = 0 if frozen is None or last_t is None else last_t - frozen.since_t
        return describe_duration(stood_ms / 1000)

    def values(self) -> dict[str, Any]:
        """The value, and how long it has stood."""
        frozen, last_t = self.sensor.frozen, self.sensor.last_live_t
        stood_ms = 0 if frozen is None or last_t is None else last_t - frozen.since_t
        return super().values() | {"stood_s": stood_ms / 1000}
