"""Conditions on the heat of a device: fan, cooling, rise, derating."""

import math
from collections.abc import Iterable
from typing import Any

from pydantic import Field

from cabinetwatch.config.equipment import AlarmSettings
from cabinetwatch.config.model import Config
from cabinetwatch.thermal.device import MOST_DUST
from cabinetwatch.watch.conditions.base import (
    KEEPS_AWAY_MS,
    NOT_YET_BACK,
    DeviceCondition,
    HeadingCondition,
    Recurrence,
    beyond,
    celsius,
    interval_k,
    kelvin,
    percent,
    quantity,
)
from cabinetwatch.watch.sensors import SensorView


class OverDeratingSettings(AlarmSettings):
    """Keys of `[alarms.over-derating]`."""

    priority: str | None = "high"
    on_delay_s: float = 60.0
    off_delay_s: float = 60.0
    deadband_k: float = Field(
        1.0, description="the K, 0 or more, back from the setpoint at which it returns"
    )


class OverDerating(DeviceCondition):
    """Raised when the temperature of the curve's air is above the derating threshold."""

    name = "over-derating"
    Settings = OverDeratingSettings
    settings: OverDeratingSettings
    ends_a_trial = True
    likely = (
        "It runs hotter than its maker allows at this load: lost cooling, more load, or hotter"
        " air around it."
    )
    response = (
        "Take load off or switch the device off now. Then give it air: open the cabinet, see that"
        " every fan turns and no vent is covered. Undo the last change of cooling."
    )

    @classmethod
    def subjects(cls, config: Config) -> Iterable[str]:
        """Devices with a derating curve."""
        return [device_id for device_id, device in config.devices.items() if device.derating]

    @property
    def inputs(self) -> tuple[SensorView, ...]:
        """The air that the curve speaks of, and the load."""
        air = self.device.air
        return (() if air is None else (air,)) + self.device.powers

    @property
    def cause(self) -> str:
        """Air around it that is too hot is an event of the device that encloses it, if one does."""
        enclosing = self.house.config.enclosing(self.subject)
        by_ambient = self.device.config.derating_air == "ambient"
        return f"device/{enclosing[0]}" if by_ambient and enclosing else super().cause

    def judge(self, t: int, active: bool) -> bool | None:
        """Compare; unknown while the air's temperature is."""
        del t
        air_c, threshold_c = self.device.air_c, self.device.threshold_c
        if air_c is None or threshold_c is None:
            return None
        return beyond(air_c, threshold_c, self.settings.deadband_k, active=active)

    def seen(self) -> str:
        """Say by how much it is above."""
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
        """Say how much margin there is again."""
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


class OverRiseSettings(AlarmSettings):
    """Keys of `[alarms.over-rise]`."""

    priority: str | None = "medium"
    on_delay_s: float = 60.0
    off_delay_s: float = 60.0
    deadband_k: float = Field(
        1.0, description="the K, 0 or more, back from the setpoint at which it returns"
    )


class OverRise(HeadingCondition):
    """Raised when the rise, against ambient as the device feels it, is above `max_rise_k`."""

    name = "over-rise"
    Settings = OverRiseSettings
    settings: OverRiseSettings
    likely = "Less cooling than before (a fan, dust, a covered vent), or more load."
    response = (
        "See that every fan turns and that intake and outlet are free of dust and padding; if the"
        " load has grown for good, prove the cooling again and set max_rise_k anew."
    )

    @classmethod
    def subjects(cls, config: Config) -> Iterable[str]:
        """Devices with an ambient reference and a limit."""
        return [
            device_id
            for device_id, device in config.devices.items()
            if device.ambient is not None and device.max_rise_k is not None
        ]

    @property
    def limit_k(self) -> float:
        """The configured limit."""
        return self.device.config.max_rise_k or 0.0

    def judge(self, t: int, active: bool) -> bool | None:
        """Compare; unknown while either sensor is."""
        del t
        rise_k = self.device.rise_k
        if rise_k is None:
            return None
        return beyond(rise_k, self.limit_k, self.settings.deadband_k, active=active)

    def seen(self) -> str:
        """Say by how much."""
        rise_k = self.device.rise_k
        if rise_k is None:
            return f"{self._present()}; it was last seen above the {kelvin(self.limit_k)} allowed."
        above = "above" if rise_k > self.limit_k else NOT_YET_BACK
        return f"{self._present()}, {above} the {kelvin(self.limit_k)} allowed."

    def gone(self) -> str:
        """Say where it is now."""
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
        """The device's figures and the limit."""
        return super().values() | {"max_rise_k": self.limit_k}


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
