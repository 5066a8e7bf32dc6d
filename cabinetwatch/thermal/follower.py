"""Follows a device's rise and heading from window to window, with the uncertainty of both."""

from __future__ import annotations

from dataclasses import asdict
from math import exp
from typing import Any

from cabinetwatch.thermal.derating import Base, Forecast, time_to_threshold
from cabinetwatch.thermal.kalman import Course, HeadingFilter
from cabinetwatch.thermal.response import Expectation, NormalRise, Response
from cabinetwatch.thermal.windows import Figures, Resolution, Window, root

_START_DOUBT_K = 3.0
_GAP_DOUBT_K = 1.0
_WARM_DOUBT_K = 0.3
_SHORTEST_GAP_S = 900.0
_MOST_STARTS = 5
_SAME_START_K = 3.0
"""What the time before the start was like is taken from the first windows; it begins anew, so many
times at most, until one agrees with the window before by this much."""

_LATE_SHARE = 0.3
"""A load step between two power readings is dated at their middle: that far off, as a share."""

_MOVING_SHARE, _MOVING_LEAST, _MOVING_FADE = 0.5, 0.2, 0.5
"""While the ambient moves, its reading and the device's are not of one instant: doubt half of what
acts at once (that share, and a fifth more), fading by half with each window."""

_STALE_S, _STALE_K_PER_S, _STALE_MOST_K = 60.0, 0.003, 3.0
"""An ambient that isn't heard wanders on: a room that warms does two to ten kelvin an hour."""

_SURE_SIGMAS = 1.65
"""19 in 20."""

_CLEAR_FALL = 0.1
"""What a device has stored shows as so much of the normal rise still to fall, or more."""

_LEAST_W = 0.1
"""Less power than a meter can tell has no thermal resistance."""

_LEAST_RISE_K = 0.01
"""Of less nothing can be told in proportion."""

_TELLING_LOAD = 0.3
"""Below this share of the normal rise, lost cooling can't be told by its proportion."""

_PAST_LOAD_DOUBT = 0.7
"""Of the distance to a load that has just come to be known, this share may be the load's past."""

_LOAD_CHANGE_DOUBT = 0.1
"""A load change moves the settled rise by this share more or less than the power law says."""

_TAU_DOUBT_KNOWN, _TAU_DOUBT_UNKNOWN = 0.2, 0.5
"""The way still to go may be wrong by this share, since the time constant may be."""

_LAW_DOUBT = 0.045
"""Even a good power law is off by about this share."""

_OFFSET_DOUBT_K, _OFFSET_DOUBT = 0.1, 0.015

_UNKNOWN_WANDER, _LOAD_WANDER, _BAND_WANDER = 0.5, 0.15, 0.35
"""Wander of the goal in a time constant, as a share of the usual rise: with nothing known, with
the load known, with a band known."""

_LOWEST_GOAL, _HIGHEST_GOAL, _NO_NORMAL_GOAL_K = 0.3, 6.0, 150.0

_LARGEST_STRETCH = 4.0


class RiseEstimator:
    """Felt ambient, the load's rise, and a filter on what is left: the deviation.

    With power and a power law the deviation is counted from the load's normal rise; otherwise that
    is 0 and the deviation is the whole rise. ValueError for windows that can't be reckoned with.
    """

    def __init__(self, response: Response, normal: NormalRise | None) -> None:
        self.response = response
        self.normal = normal
        self.expected = Expectation(response)
        self.filter = HeadingFilter(response.tau_s)
        self.course = Course()
        self.doubt_k = 0.0
        self.seen_k = 0.0
        self.load_goal_k = 0.0
        self._unsettled_k = _START_DOUBT_K
        self._late_load_k = 0.0
        self._sound_rise_k = 0.0
        self._moving_k = 0.0
        self._stale_s = 0.0
        self._load_known = False
        self._ambient_c: float | None = None
        self._fresh = _MOST_STARTS
        self.own_step, self.ambient_step = Resolution(), Resolution()

    def inherit(self, before: RiseEstimator) -> None:
        """Take over what a follower with another model knew of the sensors."""
        self.own_step, self.ambient_step = before.own_step, before.ambient_step
        self.filter.noise_k2 = before.filter.noise_k2
        self._ambient_c = before._ambient_c
        self._unsettled_k = min(before._unsettled_k, _WARM_DOUBT_K)
        # Its expectation is made of the record: only the filter starts.
        self._fresh = 1

    @property
    def starts(self) -> bool:
        """Whether it has not begun from two windows that agree: nothing is to be told of it yet."""
        return self._fresh > 0

    def load_goal(self, power_w: float | None) -> float:
        """Normal settled rise of the load where that is known; else 0."""
        normal = self.normal
        if normal is None or normal.power_w is None or power_w is None:
            return 0.0
        return normal.at(power_w)

    def noise_k(self) -> float:
        """Standard deviation of one window's deviation."""
        return root(max(self.filter.noise_k2, self._noise_floor_k2()))

    def advance(self, window: Window, lost: bool) -> float:
        """Go on by one window; `lost` says that lost cooling stands.

        Returns:
            What must be added to deviations seen so far (K): 0, but for when the load comes to be
            known, or isn't known any more, so that they are counted from elsewhere.
        """
        window.check()
        step_s = window.step_ms / 1000.0
        expected = self.expected
        goal_now = self.load_goal(window.last_power_w)
        goal = self.load_goal(window.power_w)
        moved_k = self._meet_knowledge(goal_now, self._knows_load(window.last_power_w))
        if 1 < self._fresh < _MOST_STARTS:
            # The window that it began from stood alone, as a wild value does.
            expected.settle(window.ambient_mean_c, goal)
        expected.advance(window.step_ms, window.ambient_c, window.ambient_mean_c, goal_now, goal)
        seen_k = window.temperature_c - expected.felt_ambient_c - expected.load_rise_k
        if self._fresh:
            noise_k2 = self.filter.noise_k2
            self.filter = HeadingFilter(self.response.tau_s, seen_k)
            self.filter.noise_k2 = noise_k2
            self._fresh = 0 if self._agrees(window, goal_now) else self._fresh - 1
        else:
            self._meet_load_change(goal_now, step_s)
        self._age(window, step_s)
        stretch = self._stretch(goal_now, lost)
        self.doubt_k = root(self._doubt_k2(stretch))
        self._late_load_k *= exp(-step_s / self.response.tau_s)
        self.filter.advance(
            window.step_ms,
            seen_k,
            self.doubt_k**2,
            self._wander_k2_per_s(goal_now, lost),
            self._noise_floor_k2(),
            stretch,
            self._possible_goals_k(goal_now),
        )
        self.seen_k = seen_k
        self.course.add(window.t_ms, seen_k, goal)
        # Once cooling is back beyond doubt: one course can't be before and after that.
        if self.course.since_ms is not None and (not lost or self.falls(_SURE_SIGMAS)):
            self.course.end()
        self.load_goal_k = goal_now
        return moved_k

    def _agrees(self, window: Window, goal_now: float) -> bool:
        """Whether ambient and load are about what they were in the window before."""
        if self._ambient_c is None or self._fresh == _MOST_STARTS:
            return False
        step_k = max(_SAME_START_K, 0.3 * max(goal_now, self.load_goal_k))
        moved_k = abs(window.ambient_c - self._ambient_c)
        return moved_k <= _SAME_START_K and abs(goal_now - self.load_goal_k) <= step_k

    def falls(self, sigmas: float = 0.0) -> bool:
        """Whether the rise still has to fall clearly, its goal being so many sigmas higher."""
        heading, normal = self.filter, self.normal
        if normal is None:
            return False
        highest_k = heading.goal_k + sigmas * heading.goal_sd_k
        return highest_k < heading.level_k - _CLEAR_FALL * normal.rise_k

    def _knows_load(self, power_w: float | None) -> bool:
        return self.normal is not None and self.normal.power_w is not None and power_w is not None

    def _meet_knowledge(self, goal_now: float, known: bool) -> float:
        """Count deviations from elsewhere when the load comes to be known, or no longer is.

        A load that has just come to be known is taken to have stood; how far the rise is from that
        its past may explain.
        """
        before, self._load_known = self._load_known, known
        if self._fresh or known == before:
            return 0.0
        explained_k = self.expected.load_rise_k
        self.expected.assume_load(goal_now)
        moved_k = explained_k - goal_now
        self.filter.shift(moved_k, self.load_goal_k - goal_now)
        self.course = Course()
        if known:
            self._unsettled_k += _PAST_LOAD_DOUBT * abs(self.filter.level_k)
        else:
            self._sound_rise_k = explained_k
        self.load_goal_k = goal_now
        return moved_k

    def _meet_load_change(self, goal_now: float, step_s: float) -> None:
        change_k = abs(goal_now - self.load_goal_k)
        if change_k == 0.0:
            return
        # What little load there is when a device is off says nothing of its cooling.
        least_k = _TELLING_LOAD * self.normal.rise_k if self.normal else 1.0
        ratio = min(5.0, max(goal_now, least_k) / max(self.load_goal_k, least_k))
        self.filter.scale_goals(ratio, (_LOAD_CHANGE_DOUBT * change_k) ** 2)
        self._late_load_k += _LATE_SHARE * change_k * min(1.0, step_s / self.response.tau_s)

    def _age(self, window: Window, step_s: float) -> None:
        """What isn't known of the time before the start, or in a gap, fades with the response."""
        tau_s = self.response.tau_s
        self._unsettled_k *= exp(-step_s / tau_s)
        if step_s > max(0.3 * tau_s, _SHORTEST_GAP_S) and self._ambient_c is not None:
            self._unsettled_k += _GAP_DOUBT_K + 0.5 * abs(window.ambient_c - self._ambient_c)
        if self._ambient_c is not None:
            moved_k = abs(window.ambient_c - self._ambient_c)
            share = _MOVING_SHARE * (self.response.ambient_at_once + _MOVING_LEAST)
            self._moving_k = max(_MOVING_FADE * self._moving_k, share * moved_k)
            if self._stale_s > _STALE_S:
                # When it moved while nobody looked isn't known.
                self._unsettled_k += 0.5 * moved_k
        self._stale_s = 0.001 * window.ambient_age_ms
        self._ambient_c = window.ambient_c

    def _doubt_k2(self, stretch: float) -> float:
        """Variance of the deviation for reasons other than noise."""
        slowed_k = 0.5 * (stretch - 1.0) * self.expected.drivers[2]
        return (
            self.expected.doubt_k2()
            + self._unsettled_k * self._unsettled_k
            + self._late_load_k * self._late_load_k
            + self._moving_k * self._moving_k
            + self._stale_k() ** 2
            + slowed_k * slowed_k
        )

    def _stale_k(self) -> float:
        """What the ambient may have done since it was last heard."""
        return min(_STALE_MOST_K, _STALE_K_PER_S * max(0.0, self._stale_s - _STALE_S))

    def _noise_floor_k2(self) -> float:
        """Quantisation is no white noise: averaging doesn't lessen the steps of the sensors."""
        own, ambient = self.own_step.step, self.ambient_step.step
        ambient *= self.response.ambient_at_once
        return 0.1 * (own * own + ambient * ambient)

    def _stretch(self, goal_k: float, lost: bool) -> float:
        """How much slower the response is now: lost cooling leaves the heat capacity as it was."""
        normal = self.normal
        if normal is None:
            return 1.0
        if goal_k <= 0.0:
            if not lost:
                self._sound_rise_k = self.filter.level_k
                return 1.0
            goal_k, settled_k = self._sound_rise_k, self.filter.goal_k
        else:
            settled_k = goal_k + self.filter.goal_k
        if goal_k < 0.1 * normal.rise_k:
            return 1.0
        return max(1.0, min(_LARGEST_STRETCH, settled_k / goal_k))

    def _wander_k2_per_s(self, goal_k: float, lost: bool) -> float:
        normal = self.normal
        if normal is None:
            scale_k = _UNKNOWN_WANDER * max(3.0, abs(self.filter.goal_k))
        elif goal_k > 0.0 and not lost:
            scale_k = _LOAD_WANDER * max(goal_k, 0.3 * normal.rise_k)
        else:
            scale_k = _BAND_WANDER * max(normal.rise_k, 1.0)
        return scale_k * scale_k / self.response.tau_s

    def _possible_goals_k(self, load_goal_k: float) -> tuple[float, float]:
        """Deviations of the settled rise that can be: hardly below the ambient, a few times normal.

        A jump of the air alone (a door of the cabinet) would otherwise be taken for a long way.
        """
        normal = self.normal
        if normal is None:
            return -_NO_NORMAL_GOAL_K, _NO_NORMAL_GOAL_K
        usual_k = max(normal.rise_k, load_goal_k, 1.0)
        return -load_goal_k - _LOWEST_GOAL * usual_k, _HIGHEST_GOAL * usual_k

    def adapt_to_loss(self, since_ms: int) -> None:
        """Lost cooling has just been found: goal and level have jumped."""
        self.course.begin(since_ms)
        if self.normal is not None:
            rise_k = self.normal.rise_k
            self.filter.loosen((0.5 * rise_k) ** 2, (0.2 * rise_k) ** 2)

    def figures(self, window: Window, lost: bool, is_off: bool) -> Figures:
        """The figures at the window's end."""
        normal, heading, expected = self.normal, self.filter, self.expected
        power_w = window.last_power_w
        settled_k = self.load_goal_k + heading.goal_k
        resistance = None
        if power_w is not None and power_w >= _LEAST_W and not is_off:
            resistance = settled_k / power_w
        return Figures(
            t_ms=window.t_ms,
            temperature_c=window.temperature_c,
            ambient_c=window.ambient_c,
            felt_ambient_c=expected.felt_ambient_c,
            power_w=power_w,
            raw_rise_k=window.temperature_c - window.ambient_c,
            rise_k=expected.load_rise_k + heading.level_k,
            rise_sd_k=root(heading.level_sd_k**2 + self.doubt_k**2),
            rise_at_load_k=self._rise_at_load_k(),
            settled_rise_k=settled_k,
            settled_rise_sd_k=self._settled_sd_k(lost),
            normal_rise_k=None if normal is None else normal.at(power_w),
            highest_normal_k=None if normal is None else normal.highest_k(power_w),
            lowest_normal_k=None if normal is None else normal.lowest_k(power_w),
            resistance_k_per_w=resistance,
            time_constant_s=self.response.tau_s,
            noise_k=root(heading.noise_k2),
        )

    def _rise_at_load_k(self) -> float:
        """The rise in proportion, as if the present load had stood: lost cooling multiplies it."""
        load_rise_k, level_k = self.expected.load_rise_k, self.filter.level_k
        least_k = max(_TELLING_LOAD * max(self.load_goal_k, 0.0), _LEAST_RISE_K)
        if load_rise_k < least_k:
            return self.load_goal_k + level_k
        return self.load_goal_k * (1.0 + level_k / load_rise_k)

    def _settled_sd_k(self, lost: bool) -> float:
        """Standard deviation of the settled rise: filter, response, time constant, power law."""
        heading = self.filter
        sure = self.response.tau_known and not lost
        tau_doubt = _TAU_DOUBT_KNOWN if sure else _TAU_DOUBT_UNKNOWN
        way_k = tau_doubt * (heading.goal_k - heading.level_k)
        law_k = _LAW_DOUBT * self.load_goal_k
        # Sensors warm themselves, and differ: the law's figure at little load is off by that.
        offset_k = _OFFSET_DOUBT_K + _OFFSET_DOUBT * (self.normal.rise_k if self.normal else 0.0)
        squares = heading.goal_sd_k**2 + self.doubt_k**2 + way_k * way_k
        squares += law_k * law_k + offset_k * offset_k
        return root(squares)

    def forecast(
        self, figures: Figures, threshold_c: float, horizon_s: float, lost: bool
    ) -> Forecast:
        """When the device will reach the threshold, on its present heading.

        While no lost cooling stands, the rise isn't heading beyond the normal band: a fast climb
        is its way back, after a door for one.
        """
        base = Base(
            goal_c=figures.ambient_c + self.load_goal_k,
            ways=self.expected.ways_to_go(figures.ambient_c, self.load_goal_k),
            trend_k_per_s=self.expected.ambient_trend_k_per_s(),
            doubt_k=self.doubt_k,
        )
        courses = self.course.headings(self.noise_k())
        courses = courses or self.filter.headings()
        if figures.highest_normal_k is None:
            # With nothing known of the device, a step of its load looks like a long way.
            courses = [heading.doubted(_TAU_DOUBT_UNKNOWN) for heading in courses]
        elif not lost:
            top_k = figures.highest_normal_k - self.load_goal_k
            courses = [heading.held_below(top_k) for heading in courses]
        return time_to_threshold(base, courses, threshold_c, horizon_s)

    def save(self) -> dict[str, Any]:
        """State for `load`."""
        return {
            "expected": self.expected.save(),
            "filter": self.filter.save(),
            "course": self.course.save(),
            "steps": [asdict(self.own_step), asdict(self.ambient_step)],
            **{name.lstrip("_"): getattr(self, name) for name in _PLAIN_STATE},
        }

    @classmethod
    def load(
        cls, response: Response, normal: NormalRise | None, state: dict[str, Any]
    ) -> RiseEstimator:
        """The follower as it was at `save`."""
        new = cls(response, normal)
        new.expected = Expectation.load(response, state["expected"])
        new.filter = HeadingFilter.load(state["filter"])
        new.course = Course.load(state["course"])
        new.own_step, new.ambient_step = (Resolution(**step) for step in state["steps"])
        for name in _PLAIN_STATE:
            setattr(new, name, state[name.lstrip("_")])
        new._fresh = int(new._fresh)
        return new


_PLAIN_STATE = (
    "doubt_k", "seen_k", "load_goal_k", "_unsettled_k", "_late_load_k", "_sound_rise_k",
    "_moving_k", "_stale_s", "_ambient_c", "_fresh", "_load_known",
)  # fmt: skip
