"""Conditions on the heat of a device: derating, fan, cooling, rise.

What each method is for stands with `Condition`.
"""

# ruff: noqa: D102

import math
from abc import abstractmethod
from collections.abc import Mapping
from typing import Any, ClassVar, Literal

from pydantic import Field

from cabinetwatch.config.equipment import AlarmSettings
from cabinetwatch.config.model import Config
from cabinetwatch.thermal.detection import Finding
from cabinetwatch.thermal.device import MOST_DUST
from cabinetwatch.watch.conditions.base import (
    NOT_YET_BACK,
    DeviceCondition,
    HeadingCondition,
    SetpointSettings,
    beyond,
    celsius,
    interval_k,
    kelvin,
    percent,
    quantity,
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
    likely = (
        "It runs hotter than its maker allows at this load: lost cooling, more load, or hotter"
        " air around it."
    )
    response = (
        "Take load off or switch the device off now. Then give it air: open the cabinet, see that"
        " every fan turns and no vent is covered. Undo the last change of cooling."
    )

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
        air_c, threshold_c = self.device.air_c, self.device.threshold_c
        if air_c is None or threshold_c is None:
            return None
        return beyond(air_c, threshold_c, self.settings.deadband_k, active=active)

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
        where = NOT_YET_BACK if is_back else f"{kelvin(-device.margin_k)} above"
        return (
            f"{device.name}: {self._air()} is at {celsius(device.air_c)}, {where} its derating"
            f" threshold of {celsius(device.threshold_c)} at {self._load()}."
        )

    def gone(self) -> str:
        device = self.device
        if device.margin_k is None or device.air_c is None or device.threshold_c is None:
            return f"{device.name} is no longer above its derating threshold."
        return (
            f"{device.name}: {self._air()} is back to {celsius(device.air_c)},"
            f" {kelvin(device.margin_k)} below its derating threshold of"
            f" {celsius(device.threshold_c)} at {self._load()}."
        )

    def _air(self) -> str:
        return "the air around it" if self.device.config.derating_air == "ambient" else "its air"

    def _load(self) -> str:
        load = self.device.load_fraction
        if load is not None:
            held = ", as last known" if self.device.power_is_old else ""
            return f"{percent(load)} load{held}"
        if self.device.powers and self.device.config.rated_power_w is not None:
            return "full load, taken so because its power is not known now"
        return "full load"


class OverRise(HeadingCondition):
    """Raised when the rise, against ambient as the device feels it, is above `max_rise_k`."""

    name = "over-rise"
    predicate = "too far above the surrounding air"
    over = "within its allowed rise again"
    is_heat = True
    Settings = SetpointSettings
    settings: SetpointSettings
    needs = ("ambient", "max_rise_k")
    labels: ClassVar = {"max_rise_k": "Highest rise allowed"}
    withheld_in_trial = True
    weekly_figure = "settled_rise_k"
    likely = "Less cooling than before (a fan, dust, a covered vent), or more load."
    response = (
        "See that every fan turns and that intake and outlet are free of dust and padding; if the"
        " load has grown for good, prove the cooling again and set max_rise_k anew."
    )

    @property
    def limit_k(self) -> float:
        return self.device.config.max_rise_k or 0.0

    def judge(self, t: int, active: bool) -> bool | None:
        rise_k = self.device.rise_k
        if rise_k is None:
            return None
        return beyond(rise_k, self.limit_k, self.settings.deadband_k, active=active)

    def seen(self) -> str:
        rise_k = self.device.rise_k
        if rise_k is None:
            return f"{self._present()}; it was last seen above the {kelvin(self.limit_k)} allowed."
        above = "above" if rise_k > self.limit_k else NOT_YET_BACK
        return f"{self._present()}, {above} the {kelvin(self.limit_k)} allowed."

    def gone(self) -> str:
        return f"{self._present()}, within the {kelvin(self.limit_k)} allowed."

    def _present(self) -> str:
        device = self.device
        rise_k, temperature_c, ambient_c = device.rise_k, device.temperature_c, device.ambient_c
        if rise_k is None or temperature_c is None or ambient_c is None:
            return f"{device.name}: its rise is not known now"
        return (
            f"{device.name} runs {kelvin(rise_k)} above the air it feels"
            f" ({celsius(temperature_c)}, ambient now {celsius(ambient_c)})"
        )

    def values(self) -> dict[str, Any]:
        return super().values() | {"max_rise_k": self.limit_k}


_INTERVAL_SIGMAS = 1.96
"""19 in 20."""


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
        return "" if normal_k is None else f"{kelvin(normal_k)} is normal"


class CoolingLoss(BoundTestCondition):
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
    weekly_figure = "settled_rise_k"
    observer_key = "false_alarms_per_year"
    response = (
        "Look at once whether every fan of the device turns and whether intake and outlet are free."
        " Switch the device off if you can't restore the cooling soon. Undo the last change of"
        " cooling."
    )

    def __init__(self, *args: Any) -> None:
        super().__init__(*args)
        self._recurrence = Recurrence()

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
        device = self.device
        if not device.rise_is_known:
            return None
        if not device.judged_running(t):
            self._recurrence.release()
            return False
        standing = self.finding.standing
        return self._recurrence.observe(t, standing, is_slight=standing and self._is_slight())

    def _is_slight(self) -> bool:
        """Whether dust alone may be why."""
        figures = self.device.observer.figures
        if figures is None or figures.highest_normal_k is None:
            return False
        # Not by where it is heading: any quick load overshoots there. Nor by the rise itself, which
        # lags behind a load that falls.
        return figures.rise_at_load_k <= MOST_DUST * figures.highest_normal_k

    def told(self, active: bool) -> None:
        """A loss that has been told excuses no heat: see `DeviceView.loss_is_told`."""
        self.device.loss_is_told = active

    def recovers(self) -> bool:
        """Whether the rise is heading back into its band."""
        figures = self.device.observer.figures
        if figures is None or figures.highest_normal_k is None:
            return False
        lowest_k = figures.settled_rise_k - _INTERVAL_SIGMAS * figures.settled_rise_sd_k
        return lowest_k <= figures.highest_normal_k

    def seen(self) -> str:
        device, figures = self.device, self.device.observer.figures
        if figures is None:
            return f"{device.name} was last seen heading for more than its normal rise."
        normal, held = self._normal(), ""
        if self._recurrence.is_held and not self.finding.standing:
            held = f"; it comes and goes, and stands until it keeps away for {KEEPS_AWAY_H} h"
        return (
            f"{device.name} is at {celsius(figures.temperature_c)} and heading for"
            f" {interval_k(figures.settled_rise_k, figures.settled_rise_sd_k)} above ambient"
            f"{normal and f' where {normal}{self._at_power()}'}{device.time_left_clause()}{held}."
        )

    def gone(self) -> str:
        device, figures = self.device, self.device.observer.figures
        if device.off:
            return f"{device.name} {device.off_clause}, so its cooling is not judged."
        if figures is None:
            return f"{device.name}: its settled rise is normal again."
        normal = self._normal()
        return (
            f"{device.name} is heading for {kelvin(figures.settled_rise_k)} above ambient"
            f" again{normal and f' ({normal}{self._at_power()})'}."
        )

    def _at_power(self) -> str:
        power_w = self.device.power_w
        return "" if power_w is None else f" at {power_w:z.0f} W"

    def save(self) -> dict[str, Any]:
        return self._recurrence.save()

    def load(self, state: Mapping[str, Any]) -> None:
        self._recurrence.load(state)


_STORED_HEAT_SHOWS_S = 900.0

FREE_RAISES = 2
"""Raised so often it returns as soon as it is gone; from the next raise on it has to keep away."""

KEEPS_AWAY_H = 36
"""Our choice: longer than a day, since loads recur daily."""

_HOUR_MS = 3_600_000
_FORGOTTEN_MS = 72 * _HOUR_MS


class Recurrence:
    """Holds a loss that comes and goes; feed it in the order of time.

    Dust lifts a device out of its band whenever it has much to do, every day for weeks. An alarm
    that is raised so often isn't read any more (a longer off-delay for an alarm that chatters:
    common practice, no source).
    """

    def __init__(self) -> None:
        self.is_held = False
        self._was_there = False
        self._raises = 0
        self._last_t = 0

    def observe(self, t: int, is_there: bool, *, is_slight: bool) -> bool:
        """Take what is judged at `t` (watch ms); say whether it counts as standing."""
        if is_there:
            if not self._was_there and not self.is_held:
                is_new = self._raises == 0 or t - self._last_t > _FORGOTTEN_MS
                self._raises = 1 if is_new else self._raises + 1
            if not is_slight:
                self._raises = 0
            self._last_t = t
        elif self.is_held and t - self._last_t < KEEPS_AWAY_H * _HOUR_MS:
            return True
        self._was_there = is_there
        self.is_held = is_there and self._raises > FREE_RAISES
        return is_there

    def release(self) -> None:
        """It can't be now, whatever was: the device is off."""
        self.is_held = self._was_there = False

    def save(self) -> dict[str, Any]:
        """State for `load`."""
        return {
            "held": self.is_held,
            "there": self._was_there,
            "raises": self._raises,
            "last": self._last_t,
        }

    def load(self, state: Mapping[str, Any]) -> None:
        """Go on from a saved state."""
        self.is_held, self._was_there = state["held"], state["there"]
        self._raises, self._last_t = state["raises"], state["last"]


_SLIPPED = "the probe has slipped out of the warm air, the cover is off, or two sensors are swapped"
_IF_OFF = (
    "If it has been switched off, nothing is wrong. For the watch to know that next time, give it a"
    " power sensor, or let it learn over days in which it is off and on. Else:"
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
    response = (
        "See that the probe sits in the device's warm air and the ambient sensor in the air around"
        " it, and that the cover is on. Until then a lost fan may not be seen. If the device has"
        " been changed on purpose, learn it again: cabinetwatch learn."
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
        device, figures = self.device, self.device.observer.figures
        if not device.rise_is_known:
            return None
        if not device.judged_running(t) or not self.finding.standing:
            return False
        if active or figures is None or figures.normal_rise_k is None:
            return True
        # To be raised, all of the settled rise's 95 % interval must be below normal.
        highest_k = figures.settled_rise_k + _INTERVAL_SIGMAS * figures.settled_rise_sd_k
        return highest_k < figures.normal_rise_k

    def seen(self) -> str:
        device, figures = self.device, self.device.observer.figures
        if figures is None:
            return f"{device.name} was last seen with less rise than normal."
        normal, power_w = self._normal(), device.power_w
        drawn = "" if power_w is None else f" while it draws {power_w:z.0f} W"
        return (
            f"{device.name} is heading for only"
            f" {interval_k(figures.settled_rise_k, figures.settled_rise_sd_k)} above"
            f" ambient{normal and f' where {normal}'}{drawn}."
        )

    def gone(self) -> str:
        device, figures = self.device, self.device.observer.figures
        if device.off:
            return f"{device.name} {device.off_clause}, so its rise is not judged."
        if figures is None:
            return f"{device.name}: its rise is normal again."
        return f"{device.name} is heading for {kelvin(figures.settled_rise_k)} above ambient again."


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
    predicate = "fan slow or stopped"
    over = "fan running again"
    is_heat = True
    is_cooling = True
    Settings = FanSlowSettings
    settings: FanSlowSettings
    needs = ("fan", "min_fan_rpm")
    labels: ClassVar = {"min_fan_rpm": "Lowest fan speed allowed"}
    hides = (CoolingLoss, OverRise, HotDay, Drift)
    withheld_in_trial = True
    likely = "The fan has stalled or is blocked, its bearing is worn, or its supply is too low."
    response = (
        "Look whether the fan turns. Switch the device off if it does not. Replace a worn fan; a"
        " fan on a series resistor must be seen to start from cold, and after a power cut."
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
        settled_on_t = device.settled_on_t
        self.due = settled_on_t if settled_on_t is not None and settled_on_t > t else None
        if not device.judged_running(t):
            return False
        if not fan.good:
            return None
        if device.config.fan_may_stop and fan.value < STOPPED_BELOW_RPM:
            return False
        return fan.value < self.limit_rpm + (self.settings.deadband_rpm if active else 0.0)

    def seen(self) -> str:
        where = "not yet safely above" if self.fan.value >= self.limit_rpm else "below"
        return f"{self._present()}, {where} the {quantity(self.limit_rpm, 'fan-speed')} it needs."

    def gone(self) -> str:
        if self.device.off:
            return f"{self.device.name} {self.device.off_clause}, so its fan need not turn."
        return f"{self._present()}; {quantity(self.limit_rpm, 'fan-speed')} is the least it needs."

    def _present(self) -> str:
        name, fan = self.device.name, self.fan
        if not fan.known:
            return f"{name}: its fan speed is not known now"
        if fan.value < STOPPED_BELOW_RPM:
            stands = "stands still" if fan.good else "stood still when last heard of"
            return f"{name}: its fan {stands}"
        turns = "turns" if fan.good else "last turned"
        return f"{name}: its fan {turns} at {quantity(fan.value, 'fan-speed')}"

    def values(self) -> dict[str, Any]:
        return super().values() | {"min_fan_rpm": self.limit_rpm}
