"""Conditions on the heat of a device: derating, fan, cooling, rise.

What each method is for stands with `Condition`.
"""

# ruff: noqa: D102

import math
from abc import abstractmethod
from collections.abc import Mapping
from typing import Any, ClassVar, Literal

from pydantic import Field

from cabinetwatch.config.model import AlarmSettings, Config
from cabinetwatch.thermal.detection import Finding
from cabinetwatch.thermal.device import MOST_DUST
from cabinetwatch.watch.conditions.base import (
    NOT_YET_BACK,
    SHUT_DOWN,
    SIGMAS_95,
    DeviceCondition,
    HeadingCondition,
    SetpointSettings,
    TimeToRespond,
    beyond,
    interval_k,
    percent,
    rpm,
    watts,
    with_defaults,
)
from cabinetwatch.watch.conditions.forecast import DeratingForecast, Drift, HotDay
from cabinetwatch.watch.sensors import SensorView
from cabinetwatch.watch.site import SiteModel


class OverDerating(DeviceCondition):
    """Raised when the temperature of the curve's air is above the derating threshold."""

    name = "over-derating"
    is_worse = True
    predicate = "above its derating threshold"
    over = "below its derating threshold again"
    is_heat = True
    Settings = with_defaults(SetpointSettings, priority="high")
    settings: SetpointSettings
    needs = ("derating",)
    hides = (DeratingForecast,)
    weekly_figure = "margin_k"
    ends_a_trial = True
    consequence = "it is damaged, ages fast or switches itself off"
    time_to_respond = TimeToRespond.HOUR
    likely = (
        "It is hotter than its maker allows at this load: lost cooling, more load, or hotter air"
        " around it."
    )
    response = (
        f"{SHUT_DOWN} Then give it air: open the cabinet, check that every fan is turning and that"
        " no vent is covered. Undo the last change of cooling."
    )

    def __init__(self, *args: Any) -> None:
        super().__init__(*args)
        self._cool_below_c = self.device.lowest_threshold_c

    @property
    def inputs(self) -> tuple[SensorView, ...]:
        """The air that the curve speaks of, and the load."""
        air = self.device.air
        return (() if air is None else (air,)) + self.device.powers

    @property
    def cause(self) -> str:
        """Air around it that is too hot is an event of the device that encloses it, if one does."""
        enclosing = self.model.config.enclosing(self.subject)
        by_ambient = self.device.config.derating_air == "ambient"
        return f"device/{enclosing[0]}" if by_ambient and enclosing else super().cause

    def judge(self, t: int, active: bool) -> bool | None:
        air = self.device.air
        if air is None or not air.good:
            return None
        if air.value <= self._cool_below_c and not active:
            # At any load.
            return False
        threshold_c = self.device.threshold_c
        if threshold_c is None:
            return None
        return beyond(air.value, threshold_c, self.settings.deadband_k, active=active)

    def seen(self) -> str:
        device = self.device
        if device.margin_k is None or device.air_c is None or device.threshold_c is None:
            return f"{device.name} was last seen above its derating threshold."
        if math.isinf(device.threshold_c):
            return (
                f"{device.name} draws {percent(device.load_fraction or 1.0)} of its rated load,"
                " more than its derating curve allows at any temperature."
            )
        is_back = device.margin_k >= 0
        where = NOT_YET_BACK if is_back else f"{self._k(-device.margin_k)} above"
        return (
            f"{device.name}: {self._air()} is at {self._c(device.air_c)}, {where} its derating"
            f" threshold of {self._c(device.threshold_c)} at {self._load()}."
        )

    def gone(self) -> str:
        device = self.device
        if device.margin_k is None or device.air_c is None or device.threshold_c is None:
            return f"{device.name} is no longer above its derating threshold."
        return (
            f"{device.name}: {self._air()} is at {self._c(device.air_c)} again,"
            f" {self._k(device.margin_k)} below its derating threshold of"
            f" {self._c(device.threshold_c)} at {self._load()}."
        )

    def _air(self) -> str:
        by_ambient = self.device.config.derating_air == "ambient"
        return "the surrounding air" if by_ambient else "the air leaving it"

    def _load(self) -> str:
        load = self.device.load_fraction
        if load is not None:
            old = " (as last known)" if self.device.power_is_old else ""
            return f"{percent(load)} load{old}"
        if self.device.powers and self.device.config.rated_power_w is not None:
            return "full load (assumed, for its power is not known now)"
        return "full load"


_CLEARLY_WORSE = 0.1
"""Our choice: so much of its normal rise above the rise with which it began to cool."""


class CoolingDownCondition(HeadingCondition):
    """A condition that goes on for a while when the heat of another alarm has ended."""

    def __init__(self, *args: Any) -> None:
        super().__init__(*args)
        self._began: tuple[int, float] | None = None
        """When it began to cool, and with which rise."""

    def cools_down(self, t: int, since_t: int) -> bool:
        """Seen to fall; or no worse than then, for as long as it may take to show."""
        observer = self.device.observer
        figures = observer.figures
        if figures is None:
            return False
        if self._began is None or self._began[0] != since_t:
            self._began = since_t, figures.rise_k
        if t - since_t >= 1000 * observer.response.tau_s:
            return observer.falls
        worse_k = _CLEARLY_WORSE * (figures.normal_rise_k or figures.rise_k)
        return figures.rise_k <= self._began[1] + worse_k

    def save(self) -> dict[str, Any]:
        return {"began": self._began}

    def load(self, state: Mapping[str, Any]) -> None:
        t, rise_k = state.get("began") or (0, 0.0)
        self._began = (t, rise_k) if t else None


class OverRise(CoolingDownCondition):
    """Raised when the rise, against ambient as the device feels it, is above `max_rise_k`."""

    name = "over-rise"
    predicate = "too far above the surrounding air"
    over = "within its allowed rise again"
    is_heat = True
    Settings = SetpointSettings
    settings: SetpointSettings
    needs = ("ambient", "max_rise_k")
    withheld_in_trial = True
    weekly_figure = "settled_rise_k"
    consequence = "it ages faster; with less cooling still, it gets too hot"
    time_to_respond = TimeToRespond.DAY
    likely = "Less cooling than before (a fan, dust, a covered vent), or more load."
    response = (
        "Check that every fan is turning and that intake and outlet are free of dust and padding."
        " If the load has grown for good, prove the cooling again and set max_rise_k anew."
    )

    def __init__(self, *args: Any) -> None:
        super().__init__(*args)
        self.limit_k = self.device.config.max_rise_k or 0.0

    def judge(self, t: int, active: bool) -> bool | None:
        figures = self.device.heading
        if figures is None:
            return None
        return beyond(figures.rise_k, self.limit_k, self.settings.deadband_k, active=active)

    def seen(self) -> str:
        rise_k = self.device.rise_k
        if rise_k is None:
            return (
                f"{self._present()}; it was last seen above its limit of {self._k(self.limit_k)}."
            )
        above = "above" if rise_k > self.limit_k else NOT_YET_BACK
        return f"{self._present()}, {above} its limit of {self._k(self.limit_k)}."

    def gone(self) -> str:
        within = (
            "" if self.device.rise_k is None else f", within its limit of {self._k(self.limit_k)}"
        )
        return f"{self._present()}{within}."

    def _present(self) -> str:
        device = self.device
        rise_k, temperature_c, ambient_c = device.rise_k, device.temperature_c, device.ambient_c
        if rise_k is None or temperature_c is None or ambient_c is None:
            return f"{device.name}: its rise is not known now"
        return (
            f"{device.name} is {self._k(rise_k)} above the surrounding air that it has felt"
            f" ({self._c(temperature_c)}; that air is at {self._c(ambient_c)} now)"
        )

    def values(self) -> dict[str, Any]:
        return super().values() | {"max_rise_k": self.limit_k}


class BoundTestSettings(AlarmSettings):
    """Keys of a condition whose delay is a sequential test."""

    priority: str | None = "high"
    false_alarms_per_year: float = Field(
        0.5, gt=0, description="how many false alarms a device may give in a year, above 0"
    )


class BoundTestCondition(HeadingCondition):
    """Raised when a sequential test finds the settled rise outside its normal band."""

    Settings = BoundTestSettings
    settings: BoundTestSettings
    withheld_in_trial = True
    observer_key: ClassVar[Literal["false_alarms_per_year", "false_missing_per_year"]]
    """What the device's observer calls the rate of false alarms that its test is made for."""

    @classmethod
    def rate(cls, config: Config, device_id: str) -> float:
        """Give how many false alarms a year the device may give."""
        return float(config.alarm(cls.name, device_id).model_dump()["false_alarms_per_year"])

    @property
    @abstractmethod
    def finding(self) -> Finding:
        """What the test has found."""

    def began(self, pending_t: int) -> int:
        """The estimated instant of the change, not of its detection."""
        since_t = self.finding.since_ms
        return min(pending_t, since_t) if since_t > 0 else pending_t

    def _normal(self) -> str:
        """Write what rise is normal at the present load; nothing where that is not known."""
        figures = self.device.observer.figures
        normal_k = None if figures is None else figures.normal_rise_k
        return "" if normal_k is None else f"{self._k(normal_k)} is normal"


class CoolingLoss(BoundTestCondition, CoolingDownCondition):
    """Raised when the settled rise is above its normal band.

    With power known the test is on cooling alone (the rise expected at that power); without, more
    load looks the same, and is told so.
    """

    name = "cooling-loss"
    is_cooling = True
    predicate = "losing its cooling"
    over = "cooling back to normal"
    is_heat = True
    hides = (OverRise, HotDay, Drift)
    free_raises, keeps_away_h = 2, 36.0
    weekly_figure = "settled_rise_k"
    observer_key = "false_alarms_per_year"
    consequence = "it gets too hot, within minutes to hours"
    time_to_respond = TimeToRespond.HOUR
    response = (
        "Check now that every fan of the device is turning and that intake and outlet are free. If"
        " you can't restore the cooling soon, shut the device down properly; pull the plug only if"
        " it does not answer. Undo the last change of cooling."
    )

    @property
    def finding(self) -> Finding:
        return self.device.observer.cooling_loss

    @property
    def suspicion(self) -> str:
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
        device, standing = self.device, self.finding.standing
        if not device.rise_is_known:
            return None
        if not (standing or active or self.recurrence.is_held):
            return False
        if not device.judged_running(t):
            self.recurrence.release()
            return False
        if standing and not self._is_slight():
            self.recurrence.forget()
        if active:
            device.loss_is_told = standing
        return standing

    def _is_slight(self) -> bool:
        """Whether dust alone may be why."""
        figures = self.device.observer.figures
        if figures is None or figures.highest_normal_k is None:
            return False
        # Not by where it is heading: any quick load overshoots there. Nor by the rise itself, which
        # lags behind a load that falls.
        return figures.rise_at_load_k <= MOST_DUST * figures.highest_normal_k

    def told(self, active: bool) -> None:
        """A loss that has been told excuses no heat: see `DeviceView.loss_is_told`.

        One that is only held does.
        """
        self.device.loss_is_told = active

    def recovers(self) -> bool:
        """Whether the rise is heading back into its band."""
        figures = self.device.observer.figures
        if figures is None or figures.highest_normal_k is None:
            return False
        lowest_k = figures.settled_rise_k - SIGMAS_95 * figures.settled_rise_sd_k
        return lowest_k <= figures.highest_normal_k

    def seen(self) -> str:
        device, figures = self.device, self.device.observer.figures
        if figures is None:
            return f"{device.name} was last seen settling above its normal rise."
        if self.recurrence.is_held and not self.finding.standing:
            return f"{self._back()}."
        normal = self._normal()
        return (
            f"{device.name} is at {self._c(self._present_c(figures))} and"
            f" {self._settling(figures)}{normal and f' where {normal}{self._at_power()}'}"
            f"{device.time_left_clause()}."
        )

    def gone(self) -> str:
        device, figures = self.device, self.device.observer.figures
        if device.off:
            return f"{device.name} {device.off_clause}, so its cooling is not judged."
        if figures is None:
            return f"{device.name}: its rise is normal again."
        normal = self._normal()
        return (
            f"{device.name} is settling back to {self._k(figures.settled_rise_k)} above the"
            f" surrounding air{normal and f' ({normal}{self._at_power()})'}."
        )

    def _at_power(self) -> str:
        power_w = self.device.power_w
        return "" if power_w is None else f" at {watts(power_w)}"


_STORED_HEAT_SHOWS_S = 900.0

_SLIPPED = "the probe has slipped out of the warm air, the cover is off, or two sensors are swapped"
_IF_OFF = (
    "If it has been switched off, nothing is wrong. For the watch to know that next time, give it a"
    " power sensor, or let it learn over days in which it is off and on. Otherwise:"
)


class RiseMissing(BoundTestCondition):
    """Raised when the settled rise is below its normal band.

    Nothing burns for it, so it may wait until a rise that has just fallen has settled.
    """

    name = "rise-missing"
    predicate = "cooler than it should be at this load"
    over = "as warm as it should be at this load again"
    Settings = with_defaults(BoundTestSettings, priority="medium", on_delay_s=900.0)
    observer_key = "false_missing_per_year"
    consequence = "a fan that fails meanwhile may not be noticed"
    time_to_respond = TimeToRespond.DAY
    response = (
        "Check that the probe is in the device's warm air, that the sensor of the surrounding air"
        " is in that air, and that the cover is on. Until then a lost fan may not be noticed. If"
        " the device has been changed on purpose, learn it again: cabinetwatch learn."
    )

    @property
    def finding(self) -> Finding:
        return self.device.observer.rise_missing

    @property
    def suspicion(self) -> str:
        """What it likely is: without its power it may just have been switched off."""
        if self.device.powers:
            return f"{_SLIPPED[0].upper()}{_SLIPPED[1:]}."
        return f"It has been switched off, or {_SLIPPED}."

    @property
    def remedy(self) -> str:
        """A device that is off needs no hand, but should be known as one."""
        return self.response if self.device.powers else f"{_IF_OFF} {self.response}"

    def judge(self, t: int, active: bool) -> bool | None:
        device, standing = self.device, self.finding.standing
        if not device.rise_is_known:
            return None
        if not standing or not device.judged_running(t):
            return False
        figures = device.observer.figures
        if active or figures is None or figures.normal_rise_k is None:
            return True
        # To be raised, all of the settled rise's 95 % interval must be below normal.
        highest_k = figures.settled_rise_k + SIGMAS_95 * figures.settled_rise_sd_k
        return highest_k < figures.normal_rise_k

    def seen(self) -> str:
        device, figures = self.device, self.device.observer.figures
        if figures is None:
            return f"{device.name} was last seen with less rise than normal."
        normal, power_w = self._normal(), device.power_w
        drawn = "" if power_w is None else f" while it draws {watts(power_w)}"
        settling = interval_k(figures.settled_rise_k, figures.settled_rise_sd_k, self.unit)
        return (
            f"{device.name} is settling at only {settling} above the"
            f" surrounding air{normal and f' where {normal}'}{drawn}."
        )

    def gone(self) -> str:
        device, figures = self.device, self.device.observer.figures
        if device.off:
            return f"{device.name} {device.off_clause}, so its rise is not judged."
        if figures is None:
            return f"{device.name}: its rise is normal again."
        settled = self._k(figures.settled_rise_k)
        return f"{device.name} is settling back to {settled} above the surrounding air."


STOPPED_BELOW_RPM = 30.0
"""Our choice: no fan turns this slowly on purpose; a tachometer's stray pulses can read so."""


class FanSlowSettings(AlarmSettings):
    """Keys of `[alarms.fan-slow]`."""

    priority: str | None = "high"
    on_delay_s: float = 60.0
    off_delay_s: float = 60.0
    deadband_rpm: float = Field(
        30.0, description="the rpm, 0 or more, above the least speed at which it returns"
    )


class FanSlow(DeviceCondition):
    """Raised when the fan speed is below `min_fan_rpm`; not for a device that is off or just on."""

    name = "fan-slow"
    predicate = "fan slow or stopped"
    over = "fan running again"
    is_heat = True
    is_cooling = True
    Settings = FanSlowSettings
    settings: FanSlowSettings
    needs = ("fan", "min_fan_rpm")
    hides = (CoolingLoss, OverRise, HotDay, Drift)
    withheld_in_trial = True
    likely = "The fan has stalled or is blocked, its bearing is worn, or its supply is too low."
    consequence = "the device gets too hot, within minutes to hours"
    time_to_respond = TimeToRespond.HOUR
    response = (
        "Check that the fan is turning. If it is not, shut the device down properly; pull the plug"
        " only if it does not answer. Replace a worn fan. A fan on a series resistor must be seen"
        " to start from cold, and after a power cut."
    )

    def __init__(self, model: SiteModel, subject: str, settings: AlarmSettings) -> None:
        super().__init__(model, subject, settings)
        config = model.config.devices[subject]
        self.fan = model.sensors[config.fan or ""]
        self.limit_rpm = config.min_fan_rpm or 0.0

    @property
    def inputs(self) -> tuple[SensorView, ...]:
        """The fan, and the power that tells whether the device is on."""
        return (self.fan, *self.device.powers)

    def judge(self, t: int, active: bool) -> bool | None:
        """Compare; not while the device is off, just on, or lets its fan stop on purpose."""
        device, fan = self.device, self.fan
        if fan.good and fan.value >= self.limit_rpm and not active and device.on_since_t is None:
            # Off or not.
            self.due = None
            return False
        settled_on_t = device.settled_on_t
        self.due = settled_on_t if settled_on_t is not None and settled_on_t > t else None
        if not device.judged_running(t):
            return False
        if not fan.good:
            return None
        if device.config.fan_may_stop and fan.value < STOPPED_BELOW_RPM:
            return False
        return fan.value < self.limit_rpm + (self.settings.deadband_rpm if active else 0.0)

    def told(self, active: bool) -> None:
        """A fan seen to be slow is lost cooling, whatever the rise shows yet."""
        self.device.fan_is_slow = active

    def seen(self) -> str:
        fan, least = self.fan, rpm(self.limit_rpm)
        if not fan.known or fan.value < STOPPED_BELOW_RPM:
            return f"{self._present()} (it needs at least {least})."
        where = "not yet safely above" if fan.value >= self.limit_rpm else "below"
        return f"{self._present()}, {where} its minimum of {least}."

    def gone(self) -> str:
        if self.device.off:
            return f"{self.device.name} {self.device.off_clause}, so its fan need not turn."
        return f"{self._present()} (its minimum is {rpm(self.limit_rpm)})."

    def _present(self) -> str:
        name, fan = self.device.name, self.fan
        if not fan.known:
            return f"{name}: its fan speed is not known now"
        if fan.value < STOPPED_BELOW_RPM:
            stopped = "has stopped" if fan.good else "had stopped when last heard from"
            return f"{name}: its fan {stopped}"
        turns = "is turning" if fan.good else "was last turning"
        return f"{name}: its fan {turns} at {rpm(fan.value)}"

    def values(self) -> dict[str, Any]:
        return super().values() | {"min_fan_rpm": self.limit_rpm}
