"""The observer of one device: from its readings to rise, heading, normal rise and lost cooling."""

from __future__ import annotations

from dataclasses import asdict
from math import exp
from typing import Any

from cabinetwatch.thermal.detection import ChangeTest
from cabinetwatch.thermal.expected import Expectation
from cabinetwatch.thermal.figures import DeviceSettings, Figures, Finding, LearningStatus
from cabinetwatch.thermal.forecast import Forecast, Heading, time_to_threshold
from cabinetwatch.thermal.history import History
from cabinetwatch.thermal.kalman import HeadingFilter
from cabinetwatch.thermal.learning import Learnt, learn, warm_expectation
from cabinetwatch.thermal.model import NormalRise, Response, unlearnt_response
from cabinetwatch.thermal.resolution import Resolution
from cabinetwatch.thermal.windows import Window, WindowGatherer

DAY_MS = 86_400_000
PROVISIONAL_DAYS = 3.0
_SETTLE_TAUS = 3.0
_START_DOUBT_K = 3.0
_GAP_DOUBT_K = 1.0
_LATE_SHARE = 0.3
"""A step of the load between two power readings is dated at their middle: that far off, as a share."""

_UNKNOWN_WANDER, _LOAD_WANDER, _BAND_WANDER = 0.5, 0.15, 0.35
"""Wander of the goal in a time constant, over the usual rise: load unknown and band unknown; load known;
band known."""


class DeviceObserver:
    """Follows one device; feed it good readings only, in the order of their times."""

    def __init__(self, settings: DeviceSettings) -> None:
        self.settings = settings
        self.figures: Figures | None = None
        self.is_off = False
        self._windows = WindowGatherer(settings.has_power)
        self._resolution = Resolution()
        self._ambient_resolution = Resolution()
        self._response = unlearnt_response(settings.time_constant_s)
        self._normal = _commissioned(settings)
        self._learnt: Learnt | None = None
        self._learnt_ms: int | None = None
        self._first_ms: int | None = None
        self._history: History | None = History()
        self._next_lesson_days = min(PROVISIONAL_DAYS, settings.learning_days)
        self._unsettled_k = _START_DOUBT_K
        self._on_since_ms: int | None = None
        self._above = ChangeTest(1, settings.false_alarms_per_year)
        self._below = ChangeTest(-1, settings.false_alarms_per_year)
        self._begin_model()

    # --- readings in -------------------------------------------------------------------------

    def observe_ambient(self, t_ms: int, ambient_c: float) -> bool:
        """Take a reading of the ambient; True when the device was judged anew at it."""
        self._ambient_resolution.take(ambient_c)
        return self._judge(self._windows.ambient(t_ms, ambient_c))

    def observe_power(self, t_ms: int, power_w: float | None) -> bool:
        """Take a reading of the power, None when it isn't known any more; True when judged anew."""
        return self._judge(self._windows.power(t_ms, power_w))

    def observe_temperature(self, t_ms: int, temperature_c: float) -> bool:
        """Take a reading of the device's temperature; True when judged anew."""
        self._resolution.take(temperature_c)
        return self._judge(self._windows.temperature(t_ms, temperature_c))

    def update(
        self, t_ms: int, temperature_c: float, ambient_c: float, power_w: float | None
    ) -> bool:
        """Take all three at one instant; True when judged anew."""
        judged = self.observe_ambient(t_ms, ambient_c)
        if self.settings.has_power:
            judged = self.observe_power(t_ms, power_w) or judged
        return self.observe_temperature(t_ms, temperature_c) or judged

    def lose_ambient(self) -> None:
        """The ambient is lost: nothing is judged until it speaks again."""
        self._windows.forget_ambient()

    # --- answers -----------------------------------------------------------------------------

    @property
    def cooling_loss(self) -> Finding:
        """Settled rise above the normal band."""
        return self._above.finding

    @property
    def rise_missing(self) -> Finding:
        """Settled rise well below normal."""
        return self._below.finding

    @property
    def applies(self) -> bool:
        """False while off, and until three time constants after it came on."""
        if self.is_off or self.figures is None:
            return False
        since = self._on_since_ms
        return since is None or (
            self.figures.t_ms - since >= _SETTLE_TAUS * 1000.0 * self._response.tau_s
        )

    @property
    def learning(self) -> LearningStatus:
        """How far learning is, and what it told."""
        learnt, days = self._learnt, 0.0
        if self._first_ms is not None and self.figures is not None:
            days = (self.figures.t_ms - self._first_ms) / DAY_MS
        stage = "none"
        if self.settings.normal_rise_k is not None:
            stage = "commissioned"
        elif learnt is not None:
            stage = "frozen" if self._history is None else "provisional"
        if learnt is None:
            return LearningStatus(stage, days, None, None, None, ())
        loads = None
        if learnt.lowest_power_w is not None and learnt.highest_power_w is not None:
            loads = (learnt.lowest_power_w, learnt.highest_power_w)
        return LearningStatus(
            stage, days, self._learnt_ms, loads, learnt.confidence, learnt.remarks
        )

    @property
    def normal(self) -> NormalRise | None:
        """The normal band in force."""
        return self._normal

    @property
    def response(self) -> Response:
        """The thermal response in force."""
        return self._response

    def forecast(self, threshold_c: float, horizon_s: float) -> Forecast:
        """When the device will reach the threshold, on its present heading."""
        figures = self.figures
        if figures is None:
            return Forecast(0.0, None, None, None)
        expected, load_goal_k = self._expected, self._load_goal(figures.power_w)
        heading = Heading(
            felt_c=expected.felt_ambient_c,
            ambient_c=figures.ambient_c,
            trend_k_per_s=expected.ambient_trend_k_per_s(),
            load_rise_k=expected.load_rise_k,
            load_goal_k=load_goal_k,
            tau_s=self._response.tau_s,
            doubt_k=expected.doubt_k2() ** 0.5,
        )
        return time_to_threshold(heading, self._filter.headings(), threshold_c, horizon_s)

    def ambient_trend_reach_k(self) -> float:
        """How far the ambient's present trend can still carry it up (K, not below 0)."""
        return max(0.0, self._expected.ambient_trend_k_per_s() * 3600.0)

    # --- one step ----------------------------------------------------------------------------

    def _judge(self, window: Window | None) -> bool:
        if window is None:
            return False
        if self._first_ms is None:
            self._first_ms = window.t_ms - window.step_ms
        self._follow(window)
        self._watch_off(window)
        self._test(window)
        if self._history is not None:
            self._history.add(window)
            self._learn_if_due(window.t_ms)
        return True

    def _load_goal(self, power_w: float | None) -> float:
        """Normal settled rise of the load, where that is known; else 0: all rise is then deviation."""
        normal = self._normal
        if normal is None or normal.power_w is None or power_w is None:
            return 0.0
        return normal.at(power_w)

    def _follow(self, window: Window) -> None:
        """Bring felt ambient, load rise and the heading filter up to the window's end."""
        step_s = window.step_ms / 1000.0
        tau_s = self._response.tau_s
        expected = self._expected
        goal_now = self._load_goal(window.last_power_w)
        goal = self._load_goal(window.power_w)
        before_c = self.figures.ambient_c if self.figures is not None else window.ambient_c
        expected.advance(window.step_ms, window.ambient_c, window.ambient_mean_c, goal_now, goal)
        self._unsettled_k *= exp(-step_s / tau_s)
        if step_s > max(0.3 * tau_s, 900.0):
            self._unsettled_k += _GAP_DOUBT_K + 0.5 * abs(window.ambient_c - before_c)
        late_k = abs(goal_now - self._last_goal_k)
        if late_k > 0.0:
            self._late_load_k += _LATE_SHARE * late_k * min(1.0, step_s / tau_s)
        self._last_goal_k = goal_now
        doubt_k2 = expected.doubt_k2() + self._unsettled_k**2 + self._late_load_k**2
        self._late_load_k *= exp(-step_s / tau_s)
        seen_k = window.temperature_c - expected.felt_ambient_c - expected.load_rise_k
        if self._fresh_filter:
            self._filter = HeadingFilter(tau_s, seen_k)
            self._fresh_filter = False
        floor_k2 = self._noise_floor_k2()
        self._filter.advance(
            window.step_ms,
            seen_k,
            doubt_k2,
            self._wander(goal_now),
            floor_k2,
            self._stretch(goal_now),
        )
        self._doubt_k = doubt_k2**0.5
        self._seen_k = seen_k
        self._publish(window, goal_now)

    def _noise_floor_k2(self) -> float:
        """Quantisation is no white noise: the steps of both sensors count at full size, once."""
        share = self._response.ambient_at_once
        own, ambient = self._resolution.step, self._ambient_resolution.step * share
        return 0.1 * (own * own + ambient * ambient)

    def _stretch(self, goal_k: float) -> float:
        """By how much the response has slowed down: lost cooling leaves the heat capacity as it was."""
        normal = self._normal
        if normal is None:
            return 1.0
        if goal_k <= 0.0:
            if not self._above.finding.standing:
                self._sound_rise_k = self._filter.level_k
                return 1.0
            goal_k, settled_k = self._sound_rise_k, self._filter.goal_k
        else:
            settled_k = goal_k + self._filter.goal_k
        if goal_k < 0.1 * normal.rise_k:
            return 1.0
        return max(1.0, min(4.0, settled_k / goal_k))

    def _wander(self, goal_k: float) -> float:
        normal = self._normal
        tau_s = self._response.tau_s
        if normal is None:
            scale = _UNKNOWN_WANDER * max(3.0, abs(self._filter.goal_k))
        elif goal_k > 0.0:
            scale = _LOAD_WANDER * max(goal_k, 0.3 * normal.rise_k)
        else:
            scale = _BAND_WANDER * max(normal.rise_k, 1.0)
        return scale * scale / tau_s

    def _publish(self, window: Window, goal_k: float) -> None:
        normal, heading, expected = self._normal, self._filter, self._expected
        power = window.last_power_w
        settled = goal_k + heading.goal_k
        doubt_k2 = self._doubt_k**2
        resistance = None
        if power is not None and power > 0.0 and not self.is_off:
            resistance = settled / power
        self.figures = Figures(
            window.t_ms,
            window.temperature_c,
            window.ambient_c,
            expected.felt_ambient_c,
            power,
            window.temperature_c - window.ambient_c,
            expected.load_rise_k + heading.level_k,
            (heading.level_sd_k**2 + doubt_k2) ** 0.5,
            settled,
            (heading.goal_sd_k**2 + doubt_k2) ** 0.5,
            None if normal is None else normal.at(power),
            None if normal is None else normal.highest_k(power),
            None if normal is None else normal.lowest_k(power),
            resistance,
            self._response.tau_s,
            heading.noise_k2**0.5,
        )

    def _watch_off(self, window: Window) -> None:
        off = False
        power = window.last_power_w
        if self.settings.has_power and power is not None:
            off = power < self._off_below_w()
        elif self._normal is not None and self._normal.off_rise_k is not None:
            figures = self.figures
            assert figures is not None
            off = figures.rise_k < self._normal.off_rise_k
        if self.is_off and not off:
            self._on_since_ms = window.t_ms
        self.is_off = off

    def _off_below_w(self) -> float:
        settings = self.settings
        if settings.off_below_w is not None:
            return settings.off_below_w
        known = settings.rated_power_w or settings.normal_power_w
        if known is None and self._normal is not None:
            known = self._normal.power_w
        return 0.05 * (known or 0.0)

    def _test(self, window: Window) -> None:
        normal = self._normal
        if normal is None:
            return
        if not self.applies:
            self._above.reset(window.t_ms)
            self._below.reset(window.t_ms)
            return
        power = window.last_power_w
        goal = self._load_goal(power)
        heading = self._filter
        step_s, tau_s = window.step_ms / 1000.0, self._response.tau_s
        slow_sd = max(self._slow_noise_k, 0.1, 0.02 * normal.rise_k)
        level, level_sd = heading.stable_level_k, heading.raw_level_sd_k
        noise_k = max(heading.noise_k2, self._noise_floor_k2()) ** 0.5
        self._above.advance(
            window.t_ms, step_s, self._seen_k, noise_k, level, level_sd, normal.highest_k(power) - goal,
            self._doubt_k, slow_sd, tau_s,
        )  # fmt: skip
        if self._above.finding.standing and not self._adapted:
            heading.loosen((0.5 * normal.rise_k) ** 2, (0.2 * normal.rise_k) ** 2)
        self._adapted = self._above.finding.standing
        if normal.at(power) >= _SMALLEST_MISSED_RISE_K and not self._may_be_switching_off(goal):
            self._below.advance(
                window.t_ms, step_s, self._seen_k, noise_k, level, level_sd, normal.lowest_k(power) - goal,
                self._doubt_k, slow_sd, tau_s,
            )  # fmt: skip
        else:
            self._below.reset(window.t_ms)

    def _may_be_switching_off(self, goal_k: float) -> bool:
        """Without power: the rise falls, and the device has been seen off before."""
        normal, heading = self._normal, self._filter
        if normal is None or normal.off_rise_k is None or goal_k > 0.0:
            return False
        falling = heading.goal_k < heading.level_k - 0.1 * normal.rise_k
        return falling or heading.goal_k < normal.off_rise_k + 2.0 * heading.goal_sd_k

    # --- learning ----------------------------------------------------------------------------

    def _learn_if_due(self, t_ms: int) -> None:
        history = self._history
        assert history is not None and self._first_ms is not None
        days = (t_ms - self._first_ms) / DAY_MS
        if days < self._next_lesson_days:
            return
        settings = self.settings
        last = days >= settings.learning_days
        learnt = learn(
            history,
            settings.has_power,
            settings.time_constant_s,
            _commissioned(settings),
            settings.off_below_w or (0.05 * (settings.rated_power_w or 0.0)),
        )
        self._next_lesson_days = min(days + 2.0, settings.learning_days)
        if learnt is None:
            # Too little was recorded: go on for another day.
            self._next_lesson_days = days + 1.0
            return
        self._learnt, self._learnt_ms = learnt, t_ms
        self._response, self._normal = learnt.response, learnt.normal
        self._begin_model()
        warm_expectation(self._expected, history, learnt.normal)
        if last:
            self._history = None

    def _begin_model(self) -> None:
        """Start the followers anew, on the response and normal rise now in force."""
        self._expected = Expectation(self._response)
        self._filter = HeadingFilter(self._response.tau_s)
        self._fresh_filter = True
        self._late_load_k = 0.0
        self._last_goal_k = 0.0
        self._doubt_k = self._seen_k = 0.0
        self._adapted = False
        self._sound_rise_k = 0.0
        self._slow_noise_k = 0.0
        if self._learnt is not None and self._normal is not None and self._normal.power_w is not None:
            self._slow_noise_k = self._learnt.noise_k
        patience_s = max(30.0, min(120.0, self._response.tau_s / 8.0))
        self._windows.patience_ms = round(1000.0 * patience_s)
        if self._first_ms is not None and self.figures is not None:
            self._above.reset(self.figures.t_ms)
            self._below.reset(self.figures.t_ms)

    # --- state -------------------------------------------------------------------------------

    def save(self) -> dict[str, Any]:
        """The whole state, JSON-able, for `load` with the same settings."""
        figures = self.figures
        return {
            "version": 1,
            "figures": None if figures is None else asdict(figures),
            "is_off": self.is_off,
            "windows": self._windows.save(),
            "resolutions": [asdict(self._resolution), asdict(self._ambient_resolution)],
            "response": self._response.save(),
            "normal": None if self._normal is None else self._normal.save(),
            "learnt": None if self._learnt is None else self._learnt.save(),
            "history": None if self._history is None else self._history.save(),
            "above": self._above.save(),
            "below": self._below.save(),
            "expected": self._expected.save(),
            "filter": self._filter.save(),
            **{name: getattr(self, "_" + name) for name in _PLAIN_STATE},
        }

    @classmethod
    def load(cls, settings: DeviceSettings, state: dict[str, Any]) -> DeviceObserver:
        """The observer as it was at `save`."""
        new = cls(settings)
        figures = state["figures"]
        new.figures = None if figures is None else Figures(**figures)
        new.is_off = state["is_off"]
        new._windows = WindowGatherer.load(state["windows"])
        new._resolution, new._ambient_resolution = (Resolution(**r) for r in state["resolutions"])
        new._response = Response.load(state["response"])
        new._normal = None if state["normal"] is None else NormalRise.load(state["normal"])
        new._learnt = None if state["learnt"] is None else Learnt.load(state["learnt"])
        new._history = None if state["history"] is None else History.load(state["history"])
        new._above = ChangeTest.load(state["above"])
        new._below = ChangeTest.load(state["below"])
        new._expected = Expectation.load(new._response, state["expected"])
        new._filter = HeadingFilter.load(state["filter"])
        for name in _PLAIN_STATE:
            setattr(new, "_" + name, state[name])
        return new


_SMALLEST_MISSED_RISE_K = 2.0
_PLAIN_STATE = (
    "learnt_ms", "first_ms", "next_lesson_days", "unsettled_k", "on_since_ms", "fresh_filter",
    "late_load_k", "last_goal_k", "doubt_k", "slow_noise_k",
    "seen_k", "adapted", "sound_rise_k",
)  # fmt: skip


def _commissioned(settings: DeviceSettings) -> NormalRise | None:
    if settings.normal_rise_k is None:
        return None
    power = settings.normal_power_w if settings.has_power else None
    return NormalRise(settings.normal_rise_k, power)
