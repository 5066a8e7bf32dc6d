"""`rise-missing`: a device that draws power shows far less rise than normal: the sensors lie."""

from pydantic import Field

from cabinetwatch.config.alarms import AlarmSettings
from cabinetwatch.watch.conditions.base import HeadingCondition
from cabinetwatch.watch.wording import interval_k, kelvin

_SLIPPED = "the probe has slipped out of the warm air, the cover is off, or two sensors are swapped"
_IF_OFF = (
    "If it has been switched off, nothing is wrong. For the watch to know that next time, give it a"
    " power sensor, or let it learn over days in which it is off and on. Else:"
)


class RiseMissingSettings(AlarmSettings):
    """Keys of `[alarms.rise-missing]`.

    Nothing burns for it, so it may wait until a rise that has just fallen has settled.
    """

    priority: str | None = "medium"
    on_delay_s: float = 900.0
    false_alarms_per_year: float = Field(
        0.5, gt=0, description="how many false alarms a device may give in a year, above 0"
    )


class RiseMissing(HeadingCondition):
    """Raised when a sequential test finds the settled rise below its normal band."""

    name = "rise-missing"
    Settings = RiseMissingSettings
    settings: RiseMissingSettings
    response = (
        "See that the probe sits in the device's warm air and the ambient sensor in the air around"
        " it, and that the cover is on. Until then a lost fan may not be seen. If the device has"
        " been changed on purpose, learn it again: cabinetwatch learn."
    )

    @property
    def likely(self) -> str:  # type: ignore[override]
        """What it likely is: without its power it may just have been switched off."""
        if self.device.powers:
            return f"{_SLIPPED[0].upper()}{_SLIPPED[1:]}."
        return f"It has been switched off, or {_SLIPPED}."

    @property
    def remedy(self) -> str:
        """A device that is off needs no hand, but should be known as one."""
        return self.response if self.device.powers else f"{_IF_OFF} {self.response}"

    def judge(self, t: int, active: bool) -> bool | None:
        """Follow the test; unknown while the rise is, not at all while the device is off."""
        device = self.device
        if not device.rise_is_known:
            return None
        if not device.judged_running(t):
            return False
        if not device.observer.rise_missing.standing:
            return False
        return active or self._is_surely_low()

    def _is_surely_low(self) -> bool:
        """Whether all of the settled rise's 95 % interval is below normal."""
        figures = self.device.observer.figures
        if figures is None or figures.normal_rise_k is None:
            return True
        highest_k = figures.settled_rise_k + 1.96 * figures.settled_rise_sd_k
        return highest_k < figures.normal_rise_k

    def began(self, pending_t: int) -> int:
        """The estimated instant of the change, not of its detection."""
        since_t = self.device.observer.rise_missing.since_ms
        return min(pending_t, since_t) if since_t > 0 else pending_t

    def seen(self) -> str:
        """Say what rise there is, and what is normal."""
        device, figures = self.device, self.device.observer.figures
        if figures is None:
            return f"{device.name} was last seen with less rise than normal."
        normal_k = figures.normal_rise_k
        against = "" if normal_k is None else f" where {kelvin(normal_k)} is normal"
        power_w = device.power_w
        drawn = "" if power_w is None else f" while it draws {power_w:z.0f} W"
        return (
            f"{device.name} is heading for only"
            f" {interval_k(figures.settled_rise_k, figures.settled_rise_sd_k)} above"
            f" ambient{against}{drawn}."
        )

    def gone(self) -> str:
        """Say that the rise is normal again."""
        device, figures = self.device, self.device.observer.figures
        if device.off:
            return f"{device.name} {device.off_clause}, so its rise is not judged."
        if figures is None:
            return f"{device.name}: its rise is normal again."
        return f"{device.name} is heading for {kelvin(figures.settled_rise_k)} above ambient again."
