"""`hot-day`: fine today, not on the hottest day of the year."""

from collections.abc import Iterable
from typing import Any

from pydantic import Field

from cabinetwatch.config.alarms import AlarmSettings
from cabinetwatch.config.model import Config
from cabinetwatch.watch.conditions.base import HeadingCondition, beyond
from cabinetwatch.watch.wording import celsius, kelvin


class HotDaySettings(AlarmSettings):
    """Keys of `[alarms.hot-day]`.

    Slow on purpose: it warns of a day to come, and load that comes and goes must not make
    it chatter.
    """

    priority: str | None = "low"
    on_delay_s: float = 1800.0
    off_delay_s: float = 3600.0
    deadband_k: float = Field(
        1.0, description="the K, 0 or more, back from the setpoint at which it returns"
    )


class HotDay(HeadingCondition):
    """Raised when the hot-day margin is below zero, or the design ambient has been passed."""

    name = "hot-day"
    Settings = HotDaySettings
    settings: HotDaySettings
    likely = "Cooling that does for today's air leaves too little margin for the hottest day."
    response = (
        "Before the hot season: give the device more air, less load or more space, or a cooler"
        " place. If the design ambient has been passed, set design_ambient_c to what really occurs."
    )

    @classmethod
    def subjects(cls, config: Config) -> Iterable[str]:
        """Devices with a derating curve and an ambient reference."""
        return [
            name
            for name, device in config.devices.items()
            if device.derating and device.ambient is not None
        ]

    def judge(self, t: int, active: bool) -> bool | None:
        """Compare margin with zero, and the outer air with the design ambient."""
        del t
        deadband_k = self.settings.deadband_k
        excess_k = self._ambient_excess_k()
        if excess_k is not None and beyond(excess_k, 0.0, deadband_k, active=active):
            return True
        margin_k = self.device.hot_day_margin_k
        if margin_k is None:
            return None
        return beyond(-margin_k, 0.0, deadband_k, active=active)

    def _ambient_excess_k(self) -> float | None:
        """By how much the air outside the cabinet is above the design ambient.

        Judged for the outermost device only: it is one fact, whatever stands within.
        """
        device = self.device
        if device.enclosing or device.ambient_c is None:
            return None
        return device.ambient_c - device.design_ambient_c

    def seen(self) -> str:
        """Say what the hottest day would bring, or that it is here already."""
        device = self.device
        excess_k = self._ambient_excess_k()
        if excess_k is not None and excess_k > 0.0:
            return (
                f"The air around {device.name} is at {celsius(device.ambient_c or 0.0)},"
                f" {kelvin(excess_k)} above the design ambient of"
                f" {celsius(device.design_ambient_c)}, so every hot-day margin is too good."
            )
        hot_c, threshold_c = device.hot_day_temperature_c, device.threshold_c
        if hot_c is None or threshold_c is None:
            return f"{device.name} was last seen without margin for the hottest day."
        return (
            f"{device.name} would reach {celsius(hot_c)} on a day of"
            f" {celsius(device.design_ambient_c)} outside, {kelvin(hot_c - threshold_c)}"
            f" above its derating threshold of {celsius(threshold_c)}."
        )

    def gone(self) -> str:
        """Say how much margin there is."""
        margin_k = self.device.hot_day_margin_k
        if margin_k is None:
            return f"{self.device.name}: its hot-day margin is no longer below zero."
        return f"{self.device.name} has {kelvin(margin_k)} of margin for the hottest day again."

    def values(self) -> dict[str, Any]:
        """The device's figures and the design ambient."""
        return super().values() | {"design_ambient_c": self.device.design_ambient_c}
