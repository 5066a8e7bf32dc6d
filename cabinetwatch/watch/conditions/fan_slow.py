"""`fan-slow`: a fan turns slower than the least that was set for it."""

from collections.abc import Iterable
from typing import Any

from pydantic import Field

from cabinetwatch.config.alarms import AlarmSettings
from cabinetwatch.config.model import Config
from cabinetwatch.watch.conditions.base import DeviceCondition
from cabinetwatch.watch.sensors import SensorView
from cabinetwatch.watch.wording import quantity

STOPPED_BELOW_RPM = 30.0
"""Our choice: no fan turns this slowly on purpose; a tachometer's stray pulses can read so."""


class FanSlowSettings(AlarmSettings):
    """Keys of `[alarms.fan-slow]`."""

    priority: str | None = "high"
    on_delay_s: float = 60.0
    off_delay_s: float = 60.0
    deadband_rpm: float = Field(
        30.0, description="the 1/min, 0 or more, above the least speed at which it returns"
    )


class FanSlow(DeviceCondition):
    """Raised when the fan speed is below `min_fan_rpm`; not for a device that is off or just on."""

    name = "fan-slow"
    Settings = FanSlowSettings
    settings: FanSlowSettings
    likely = "The fan has stalled or is blocked, its bearing is worn, or its supply is too low."
    response = (
        "Look whether the fan turns. Switch the device off if it does not. Replace a worn fan; a"
        " fan on a series resistor must be seen to start from cold, and after a power cut."
    )

    @classmethod
    def subjects(cls, config: Config) -> Iterable[str]:
        """Devices with a fan sensor and a least speed."""
        return [
            device_id
            for device_id, device in config.devices.items()
            if device.fan is not None and device.min_fan_rpm is not None
        ]

    @property
    def inputs(self) -> tuple[SensorView, ...]:
        """The fan, and the power that tells whether the device is on."""
        fan = self.device.fan
        return (() if fan is None else (fan,)) + self.device.powers

    @property
    def limit_rpm(self) -> float:
        """The configured least speed."""
        return self.device.config.min_fan_rpm or 0.0

    def judge(self, t: int, active: bool) -> bool | None:
        """Compare; not while the device is off, just on, or lets its fan stop on purpose."""
        device = self.device
        settled_on_t = device.settled_on_t
        self.due = settled_on_t if settled_on_t is not None and settled_on_t > t else None
        if not device.judged_running(t):
            return False
        fan = device.fan
        if fan is None or not fan.good:
            return None
        if device.config.fan_may_stop and fan.value < STOPPED_BELOW_RPM:
            return False
        limit_rpm = self.limit_rpm + (self.settings.deadband_rpm if active else 0.0)
        return fan.value < limit_rpm

    def seen(self) -> str:
        """Say how slow."""
        fan = self.device.fan
        is_back = fan is not None and fan.value >= self.limit_rpm
        where = "not yet safely above" if is_back else "below"
        return f"{self._present()}, {where} the {quantity(self.limit_rpm, 'fan-speed')} it needs."

    def gone(self) -> str:
        """Say what it does now."""
        if self.device.off:
            return f"{self.device.name} {self.device.off_clause}, so its fan need not turn."
        return f"{self._present()}; {quantity(self.limit_rpm, 'fan-speed')} is the least it needs."

    def _present(self) -> str:
        fan = self.device.fan
        if fan is None or not fan.known:
            return f"{self.device.name}: its fan speed is not known now"
        if fan.value < STOPPED_BELOW_RPM:
            stands = "stands still" if fan.good else "stood still when last heard of"
            return f"{self.device.name}: its fan {stands}"
        turns = "turns" if fan.good else "last turned"
        return f"{self.device.name}: its fan {turns} at {quantity(fan.value, 'fan-speed')}"

    def values(self) -> dict[str, Any]:
        """The device's figures and the least speed."""
        return super().values() | {"min_fan_rpm": self.limit_rpm}
