"""What the engine knows of one device: temperatures, load, threshold, rise and margins."""

import math
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from cabinetwatch.config.model import Config
from cabinetwatch.text import describe_duration, rounded, to_rfc3339
from cabinetwatch.thermal.derating import DeratingCurve, altitude_lowering_k
from cabinetwatch.thermal.device import DeviceObserver
from cabinetwatch.thermal.drift import DAY_MS, HOUR_MS, DriftFinding, DriftObserver
from cabinetwatch.thermal.forecast import Forecast
from cabinetwatch.thermal.windows import DeviceSettings, Figures
from cabinetwatch.watch.sensors import SensorView
from cabinetwatch.watch.trials import TrialRecord

TOLD_AHEAD_S = 86_400.0
"""How far ahead a sentence about an alarm looks for the threshold."""

TIME_CONSTANTS_TO_SETTLE = 3.0
"""After three time constants 95 % of a step is over; before that a device counts as just on."""

DRIFT_EVERY_MS = 300_000
"""How often drift is shown the device; it makes hourly means of it."""

Feed = Callable[[int, float], bool]
"""An observer, handed each live reading of a sensor: watch time (ms), value (SI, corrected).

It says whether it has judged its device anew."""


class DeviceView:
    """The present of one device. Temperatures in degC, differences in K, power in W.

    What can't be known now (a sensor missing, stale or faulty) is None.
    """

    def __init__(
        self,
        device_id: str,
        whole: Config,
        sensors: Mapping[str, SensorView],
        rates: Mapping[str, float],
    ) -> None:
        site, config = whole.site, whole.devices[device_id]
        self.id = device_id
        self.name = whole.name_of(device_id)
        self.config = config
        self.temperature = sensors[config.temperature]
        self.ambient = sensors[config.ambient] if config.ambient else None
        self.powers = tuple(sensors[power] for power in config.power)
        self.fan = sensors[config.fan] if config.fan else None
        self.air = self.ambient if config.derating_air == "ambient" else self.temperature
        self.enclosing: Sequence[DeviceView] = ()
        """The devices around it, outwards: the cabinet it stands in, and so on."""
        self.enclosed: list[DeviceView] = []
        """The devices somewhere inside it."""
        self.design_ambient_c = site.design_ambient_c
        self.unit = site.temperature_unit
        self.settings = DeviceSettings(
            has_power=bool(config.power),
            normal_rise_k=config.normal_rise_k,
            normal_power_w=config.normal_power_w,
            time_constant_s=config.time_constant_s,
            rated_power_w=config.rated_power_w,
            off_below_w=config.off_below_w,
            learning_days=site.learning_days,
            **rates,
        )
        self.observer = DeviceObserver(self.settings)
        self.drift = DriftObserver()
        self.verified_t: int | None = None
        """When somebody said that every fan turns, of what is learnt now; None before."""
        self.days_on_record = 0
        """How many days drift has closed so far."""
        self.tight_margin_k: float | None = None
        """Hot-day margin of the last day's heavier hours; None before any."""
        self.next_drift_t = 0
        self.has_stepped = False
        self.loss_is_told = False
        """Whether an alarm on lost cooling of its own stands: that excuses no heat then."""
        self.fan_is_slow = False
        """Whether an alarm on its fan stands."""
        self.trial: TrialRecord | None = None
        """The trial whose change of cooling is in force now."""
        self.on_since_t: int | None = None
        """When it was seen to go on; None for one that was on when the watch first saw it."""
        self.was_off = False
        self.lows = 0
        # One reading of no power may be wild, unless the plug speaks only when something changes.
        changes = any(power.silence_ms is None for power in self.powers)
        self._lows_to_be_off = 1 if changes else 1 + len(self.powers)
        self._lowering_k = altitude_lowering_k(
            site.altitude_m, site.derating_base_m, site.derating_k_per_km
        )
        self._curve = None if config.derating is None else DeratingCurve(config.derating)
        self._threshold_for: tuple[float | None, float] | None = None
        # Given, or 5 % of the rated or the normal power; without any, nothing counts as off.
        part_w = 0.05 * (config.rated_power_w or config.normal_power_w or 0.0)
        self._off_below_w = part_w if config.off_below_w is None else config.off_below_w

    @property
    def feeds(self) -> list[tuple[SensorView, Feed]]:
        """What takes the readings of its sensors."""
        of_power: list[tuple[SensorView, Feed]] = [
            (each, self._power_heard) for each in self.powers
        ]
        if self.ambient is None:
            return of_power
        of_rise = (self.ambient, self._ambient_heard), (self.temperature, self._temperature_heard)
        return [*of_power, *of_rise]

    def _ambient_heard(self, t: int, value: float) -> bool:
        if self.enclosed:
            self._excuse_heat(t)
        return self.observer.observe_ambient(t, value) and self._stepped(t)

    def _temperature_heard(self, t: int, value: float) -> bool:
        if self.enclosed:
            self._excuse_heat(t)
        return self.observer.observe_temperature(t, value) and self._stepped(t)

    def _excuse_heat(self, t: int) -> None:
        """A device inside whose fan turns again gives off for a while what it has stored.

        Lost cooling of its own that has been told stands until that is seen to be over.
        """
        inside = (inner.observer for inner in self.enclosed)
        if not self.loss_is_told and any(o.cooling_loss.standing and o.falls for o in inside):
            self.observer.excuse_heat(t)

    def _power_heard(self, t: int, value: float) -> bool:
        """Note when the device goes on."""
        powers = self.powers
        power_w = value if len(powers) == 1 else self.power_w
        if power_w is not None:
            self.lows = self.lows + 1 if power_w < self._off_below_w else 0
        if self.lows >= self._lows_to_be_off:
            self.was_off, self.on_since_t = True, None
        elif self.was_off and not self.off:
            self.was_off, self.on_since_t = False, t
        return self._judge_power(t, power_w)

    def _judge_power(self, t: int, power_w: float | None) -> bool:
        if self.ambient is None:
            return False
        return self.observer.observe_power(t, power_w) and self._stepped(t)

    def _stepped(self, t: int) -> bool:
        """The observer has judged the device anew: let drift see it now and then."""
        self.has_stepped = True
        if t >= self.next_drift_t:
            self.next_drift_t = t + DRIFT_EVERY_MS
            self._follow_margin()
            ratio = self.observer.rise_ratio
            if ratio is not None and self.drift.observe(t, ratio):
                self.days_on_record += 1
        return True

    def _follow_margin(self) -> None:
        margin_k = self.hot_day_margin_k
        if margin_k is None or self.off:
            return
        tight_k = margin_k if self.tight_margin_k is None else self.tight_margin_k
        span_ms = HOUR_MS if margin_k < tight_k else DAY_MS
        self.tight_margin_k = tight_k + DRIFT_EVERY_MS / span_ms * (margin_k - tight_k)

    def power_gone(self, t: int) -> bool:
        """The last known load no longer holds; say whether the device was judged anew."""
        return self._judge_power(t, None)

    def learn_anew(self, learnt: Mapping[str, Any] | None) -> None:
        """Forget what was learnt: begin again, or from the state of an observer taught elsewhere.

        Raises:
            ValueError: the state is of another version.
        """
        if learnt is None:
            self.observer = DeviceObserver(self.settings)
        else:
            self.observer = DeviceObserver.load(self.settings, dict(learnt))
        self.drift = DriftObserver()
        self.verified_t = None
        self.has_stepped = False

    def restart(self) -> None:
        """Begin again from what was learnt: what was seen since leads to what can't be judged."""
        self.observer = self.observer.restarted()
        self.has_stepped = False

    def watch_drift_from(self, t: int) -> None:
        """Somebody did something to it at `t`: what came before says nothing of its trend."""
        self.drift.restart(t)
        self.days_on_record = 0

    @property
    def guards(self) -> set[SensorView]:
        """Its sensors by which heat or its cause is noticed."""
        return {each for each in (self.temperature, self.ambient, self.fan) if each is not None}

    @property
    def temperature_c(self) -> float | None:
        """The device's warm air."""
        return self.temperature.present

    @property
    def ambient_c(self) -> float | None:
        """The air around the device."""
        return None if self.ambient is None else self.ambient.present

    @property
    def air_c(self) -> float | None:
        """The air that the derating curve speaks of."""
        return None if self.air is None else self.air.present

    @property
    def rise_k(self) -> float | None:
        """Device temperature minus the ambient as the device feels it."""
        figures = self.heading
        return None if figures is None else figures.rise_k

    @property
    def heading(self) -> Figures | None:
        """What the observer makes of it, None while either sensor of the rise is missing."""
        return self.observer.figures if self.rise_is_known else None

    @property
    def rise_is_known(self) -> bool:
        """Whether there is a rise now."""
        ambient = self.ambient
        return self.temperature.good and ambient is not None and ambient.good and self.has_stepped

    @property
    def drift_finding(self) -> DriftFinding | None:
        """What the days on record say; None while normal rise is not known."""
        normal = self.observer.normal
        return None if normal is None else self.drift.assess(self.tight_margin_k, normal.rise_k)

    @property
    def hot_day_temperature_c(self) -> float | None:
        """The temperature of the curve's air on the hottest day, at the present settled rises."""
        total_c = self.design_ambient_c
        for device in self.enclosing:
            if (figures := device.heading) is None:
                return None
            total_c += figures.settled_rise_k
        if self.air is self.temperature:
            if (figures := self.heading) is None:
                return None
            total_c += figures.settled_rise_k
        return total_c

    @property
    def hot_day_margin_k(self) -> float | None:
        """Derating threshold minus the hot-day temperature; none if no temperature is allowed."""
        threshold_c, hot_c = self.threshold_c, self.hot_day_temperature_c
        if threshold_c is None or hot_c is None or math.isinf(threshold_c):
            return None
        return threshold_c - hot_c

    def _forecast(self, threshold_c: float) -> Forecast:
        return self.observer.forecast(threshold_c, TOLD_AHEAD_S, fan_lost=self.fan_is_slow)

    def time_left_clause(self) -> str:
        """Say when it will reach its threshold at this rate, for a sentence."""
        threshold_c, present_c = self.threshold_c, self.temperature_c
        if self.heading is None or threshold_c is None or self.config.derating_air != "device":
            return ""
        if math.isinf(threshold_c):
            return ", at a load that its derating curve allows at no temperature"
        threshold = f"its derating threshold of {self.unit.temperature(threshold_c)}"
        if present_c is not None and present_c >= threshold_c:
            # Where it settles says nothing of where it is.
            return f", above {threshold} already"
        forecast = self._forecast(threshold_c)
        if forecast.soonest_s is None:
            return f", staying below {threshold}"
        verb = "possibly reaching" if forecast.time_left_s is None else "reaching"
        return f", {verb} {threshold} {when(forecast)}"

    def time_left_s(self) -> float | None:
        """Give how long at the least until its threshold; 0 once it is there, None if it won't be.

        "At the least" holds 19 times in 20 (`Forecast.soonest_s`); the middle of what may come is
        off by more than a third as often as not.
        """
        margin_k, threshold_c = self.margin_k, self.threshold_c
        if margin_k is not None and margin_k <= 0.0:
            return 0.0
        if self.heading is None or threshold_c is None or self.config.derating_air != "device":
            return None
        forecast = self._forecast(threshold_c)
        if forecast.time_left_s is None or forecast.soonest_s is None:
            return None
        return _earlier_s(forecast.soonest_s)

    @property
    def power_w(self) -> float | None:
        """The power drawn, all supplies together; the last known one while that holds."""
        total_w: float | None = None
        for power in self.powers:
            # What is good needs no look at how long it holds: this is asked at every reading.
            if not power.good and not power.hold.holds:
                return None
            total_w = power.value + (total_w or 0.0)
        return total_w

    @property
    def power_is_old(self) -> bool:
        """Whether `power_w` rests on a last known value, or had to be given up."""
        return any(power.known and not power.good for power in self.powers)

    @property
    def load_fraction(self) -> float | None:
        """Power over rated power; None when either is unknown (it then counts as full)."""
        power_w, rated_w = self.power_w, self.config.rated_power_w
        return None if power_w is None or rated_w is None else power_w / rated_w

    @property
    def threshold_c(self) -> float | None:
        """The temperature at which the present load is just allowed, lowered for altitude."""
        if self._curve is None:
            return None
        known, power_w = self._threshold_for, self.power_w
        if known is None or known[0] != power_w:
            threshold_c = self._curve.threshold_c(self.load_fraction) - self._lowering_k
            self._threshold_for = known = (power_w, threshold_c)
        return known[1]

    @property
    def lowest_threshold_c(self) -> float:
        """What no load's threshold is below; -inf where some load is allowed at no temperature."""
        return -math.inf if self._curve is None else self._curve.lowest_c - self._lowering_k

    @property
    def margin_k(self) -> float | None:
        """Derating threshold minus the temperature of that air."""
        threshold_c, air_c = self.threshold_c, self.air_c
        return None if threshold_c is None or air_c is None else threshold_c - air_c

    @property
    def off(self) -> bool:
        """Whether the device is known to be off: it draws less than `off_below_w`.

        One that was off when its power fell silent counts as off until its power is heard again:
        a dead plug turns nothing on.
        """
        if not self.powers:
            return self.observer.is_off
        power_w = self.power_w
        if power_w is None:
            return self.was_off
        return power_w < self._off_below_w and self.lows >= self._lows_to_be_off

    @property
    def off_clause(self) -> str:
        """Say of a device that is off how that is known, for a sentence."""
        if self.power_w is None and self.powers:
            return "was off when its power was last known"
        return "is off"

    @property
    def settled_on_t(self) -> int | None:
        """Watch time from which a device just switched on is judged by its rise and its fan."""
        if self.on_since_t is None:
            return None
        return self.on_since_t + round(
            TIME_CONSTANTS_TO_SETTLE * self.observer.response.tau_s * 1000
        )

    def judged_running(self, t: int) -> bool:
        """Whether rise and fan speed mean something now: not off, and not just on."""
        if not self.powers:
            observer = self.observer
            return not observer.is_off and (observer.applies or observer.figures is None)
        if self.off:
            return False
        return (settled_on_t := self.settled_on_t) is None or t >= settled_on_t

    def figures(self) -> dict[str, Any]:
        """Give the live figures under their public names; what is unknown is None."""
        fan, heading = self.fan, self.heading
        temperature_c, ambient_c = self.temperature_c, self.ambient_c
        raw_rise_k = None
        if temperature_c is not None and ambient_c is not None:
            raw_rise_k = temperature_c - ambient_c
        figures: dict[str, float | None] = {
            "temperature_c": temperature_c,
            "ambient_c": ambient_c,
            "raw_rise_k": raw_rise_k,
            **{key: getattr(heading, key, None) for key in _OF_HEADING},
            "power_w": self.power_w,
            "load_fraction": self.load_fraction,
            "fan_rpm": None if fan is None else fan.present,
            "threshold_c": self.threshold_c,
            "margin_k": self.margin_k,
            "hot_day_temperature_c": self.hot_day_temperature_c,
            "hot_day_margin_k": self.hot_day_margin_k,
        }
        # JSON knows no infinity, which a threshold can be.
        return {
            key: rounded(value, _DIGITS.get(key, 3))
            if value is not None and math.isfinite(value)
            else None
            for key, value in figures.items()
        } | {"off": self.off}

    def learning_figures(self, offset_ms: int) -> dict[str, Any] | None:
        """Give how far learning is; None for a device without an ambient, which has no rise.

        `since`: when it was learnt, or when the learning that still goes on began.
        """
        if self.ambient is None:
            return None
        status, figures = self.observer.learning, self.observer.figures
        since_t, verified_t = status.learnt_ms, self.verified_t
        if not since_t and figures is not None:
            since_t = figures.t_ms - round(status.days * DAY_MS)
        return {
            "stage": status.stage,
            "since": None if since_t is None else to_rfc3339(since_t + offset_ms),
            "days": rounded(status.days, 2),
            "loads_w": None if status.loads_w is None else [rounded(w, 1) for w in status.loads_w],
            "confidence": status.confidence,
            "remarks": list(status.remarks),
            "verified": None if verified_t is None else to_rfc3339(verified_t + offset_ms),
        }

    def save(self) -> dict[str, Any]:
        """Give the state as JSON-able values."""
        return self.snapshot() | {"observer": self.observer.save(), "drift": self.drift.save()}

    def snapshot(self) -> dict[str, Any]:
        """Give the state quickly, for `load` in this process: the observers as they are."""
        return {
            "made_for": self._made_for(),
            "observer": self.observer,
            "drift": self.drift,
            **{name: getattr(self, name) for name in (*_LEARNT, *_KEPT)},
        }

    def load(self, state: Mapping[str, Any]) -> None:
        """Go on from a saved state; what was learnt of another device or normal is forgotten."""
        names = _KEPT
        self.lows = self._lows_to_be_off if state["was_off"] else 0
        if state["made_for"] == self._made_for():
            names = names | _LEARNT
            observer, drift = state["observer"], state["drift"]
            if not isinstance(observer, DeviceObserver):
                observer = DeviceObserver.load(self.settings, observer)
            if not isinstance(drift, DriftObserver):
                drift = DriftObserver.load(drift)
            self.observer, self.drift = observer, drift
        for name in names & state.keys():
            setattr(self, name, state[name])

    def _made_for(self) -> list[Any]:
        """What, when it changes, makes what was learnt worthless."""
        config = self.config
        return [
            config.temperature,
            config.ambient,
            list(config.power),
            config.normal_rise_k,
            config.normal_power_w,
            config.time_constant_s,
            self.settings.false_alarms_per_year,
            self.settings.false_missing_per_year,
        ]


_LEARNT = {"verified_t", "has_stepped", "tight_margin_k", "next_drift_t", "days_on_record"}
_KEPT = {"on_since_t", "was_off", "lows"}
"""Attributes of a device that are saved as they are: with what was learnt of it, and always."""

_OF_HEADING = (
    "rise_k", "settled_rise_k", "settled_rise_sd_k", "normal_rise_k", "resistance_k_per_w",
    "time_constant_s",
)  # fmt: skip
"""Those of the live figures that are the observer's."""

_DIGITS = {"resistance_k_per_w": 4, "load_fraction": 4, "time_constant_s": 1}


def when(forecast: Forecast) -> str:
    """Say when a threshold will be reached, in a round figure, early.

    The soonest instant is all that is known: the latest is mostly many times later, or never.
    """
    soonest_s = forecast.soonest_s
    if soonest_s is None or soonest_s < 60.0:
        return "any moment now"
    return f"in {describe_duration(_earlier_s(soonest_s))} at the soonest"


def _earlier_s(left_s: float) -> float:
    """The next earlier round figure."""
    step_s = (1.0, 60.0, 300.0, 1800.0)[(left_s >= 60.0) + (left_s >= 600.0) + (left_s >= 7200.0)]
    return left_s // step_s * step_s


LEARNT_FROM = (
    "temperature", "ambient", "power", "normal_rise_k", "normal_power_w", "time_constant_s",
    "rated_power_w", "off_below_w",
)  # fmt: skip
"""The keys of a device's table that its observer is made of: a lesson needs no other."""

LABELS = {
    "fan_rpm": "Fan speed",
    "hot_day_margin_k": "Hot-day margin",
    "hot_day_temperature_c": "Hot-day temperature",
    "load_fraction": "Load, of rated",
    "margin_k": "Margin now",
    "off": "Switched off",
    "resistance_k_per_w": "Thermal resistance",
    "ambient_c": "Surrounding air",
    "raw_rise_k": "Rise at this instant",
    "rise_k": "Rise above the surrounding air",
    "settled_rise_k": "Settling at",
    "threshold_c": "Derating threshold",
}
"""What people call the figures of a device, where the key does not say it without its unit."""


def with_sensors_called(made_for: list[Any], called: Callable[[str], str]) -> list[Any]:
    """Give what a device's memory was made for, with other names of the same sensors."""
    temperature, ambient, powers, *rest = made_for
    ambient = None if ambient is None else called(ambient)
    return [called(temperature), ambient, [called(power) for power in powers], *rest]
