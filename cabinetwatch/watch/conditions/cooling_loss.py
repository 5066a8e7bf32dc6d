"""`cooling-loss`: the settled rise is well above normal for the power drawn: a stalled fan."""

from typing import Any

from pydantic import Field

from cabinetwatch.config.alarms import AlarmSettings
from cabinetwatch.thermal.device import MOST_DUST
from cabinetwatch.watch.conditions.base import HeadingCondition
from cabinetwatch.watch.recurrence import KEEPS_AWAY_MS, Recurrence
from cabinetwatch.watch.wording import celsius, interval_k, kelvin

_HOUR_MS = 3_600_000
_STORED_HEAT_SHOWS_S = 900.0
_INTERVAL_SIGMAS = 1.96
"""19 in 20."""


class CoolingLossSettings(AlarmSettings):
    """Keys of `[alarms.cooling-loss]`; the sequential test is its delay."""

    priority: str | None = "high"
    false_alarms_per_year: float = Field(
        0.5, gt=0, description="how many false alarms a device may give in a year, above 0"
    )


class CoolingLoss(HeadingCondition):
    """Raised when a sequential test finds the settled rise above its normal band.

    With power known the test is on cooling alone (the rise expected at that power); without, more
    load looks the same, and is told so.
    """

    name = "cooling-loss"
    Settings = CoolingLossSettings
    settings: CoolingLossSettings
    response = (
        "Look at once whether every fan of the device turns and whether intake and outlet are free."
        " Switch the device off if you can't restore the cooling soon. Undo the last change of"
        " cooling."
    )

    def __init__(self, *args: Any) -> None:
        super().__init__(*args)
        self._recurrence = Recurrence()

    @property
    def likely(self) -> str:  # type: ignore[override]
        """What it likely is: surer when the load is known."""
        if self.device.powers:
            return "A fan has stalled or slowed, or an intake or outlet is blocked."
        return "More load or less cooling: without a power sensor the two look the same."

    @property
    def on_delay_s(self) -> float:
        """Longer while something inside has lost its cooling.

        When that comes back, the stored heat shows outside before it does inside.
        """
        inside = any(inner.observer.cooling_loss.standing for inner in self.device.enclosed)
        return max(self.settings.on_delay_s, _STORED_HEAT_SHOWS_S if inside else 0.0)

    def judge(self, t: int, active: bool) -> bool | None:
        """Follow the test; unknown while the rise is, not at all while the device is off."""
        del active
        device = self.device
        if not device.rise_is_known:
            return None
        if not device.judged_running(t):
            self._recurrence.release()
            return False
        standing = device.observer.cooling_loss.standing
        return self._recurrence.observe(t, standing, is_slight=standing and self._is_slight())

    def _is_slight(self) -> bool:
        """Whether dust alone may be why."""
        figures = self.device.observer.figures
        if figures is None or figures.highest_normal_k is None:
            return False
        # Not by where it is heading: any quick load overshoots there. Nor by the rise itself, which
        # lags behind a load that falls.
        return figures.rise_at_load_k <= MOST_DUST * figures.highest_normal_k

    def save(self) -> dict[str, Any]:
        """How often it has come of late."""
        return self._recurrence.save()

    def load(self, state: dict[str, Any]) -> None:
        """Go on from it."""
        self._recurrence.load(state)

    def recovers(self) -> bool:
        """Whether the rise is heading back into its band."""
        figures = self.device.observer.figures
        if figures is None or figures.highest_normal_k is None:
            return False
        lowest_k = figures.settled_rise_k - _INTERVAL_SIGMAS * figures.settled_rise_sd_k
        return lowest_k <= figures.highest_normal_k

    def began(self, pending_t: int) -> int:
        """The estimated instant of the change, not of its detection."""
        since_t = self.device.observer.cooling_loss.since_ms
        return min(pending_t, since_t) if since_t > 0 else pending_t

    def seen(self) -> str:
        """Say what rise it is heading for, and what is normal."""
        device, figures = self.device, self.device.observer.figures
        if figures is None:
            return f"{device.name} was last seen heading for more than its normal rise."
        normal = self._normal()
        against = f" where {normal} is normal{self._at_power()}" if normal else ""
        return (
            f"{device.name} is at {celsius(figures.temperature_c)} and heading for"
            f" {interval_k(figures.settled_rise_k, figures.settled_rise_sd_k)} above ambient"
            f"{against}{self._time_left()}{self._held()}."
        )

    def gone(self) -> str:
        """Say that the rise is normal again."""
        device, figures = self.device, self.device.observer.figures
        if device.off:
            return f"{device.name} {device.off_clause}, so its cooling is not judged."
        if figures is None:
            return f"{device.name}: its settled rise is normal again."
        normal = self._normal()
        against = f" ({normal} is normal{self._at_power()})" if normal else ""
        return (
            f"{device.name} is heading for {kelvin(figures.settled_rise_k)} above ambient"
            f" again{against}."
        )

    def _normal(self) -> str:
        figures = self.device.observer.figures
        if figures is None or figures.normal_rise_k is None:
            return ""
        return kelvin(figures.normal_rise_k)

    def _at_power(self) -> str:
        power_w = self.device.power_w
        return "" if power_w is None else f" at {power_w:z.0f} W"

    def _held(self) -> str:
        if not self._recurrence.is_held or self.device.observer.cooling_loss.standing:
            return ""
        hours = KEEPS_AWAY_MS // _HOUR_MS
        return f"; it comes and goes, and stands until it keeps away for {hours} h"

    def _time_left(self) -> str:
        return self.device.time_left_clause()
