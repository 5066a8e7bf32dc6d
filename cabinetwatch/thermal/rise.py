"""The rise of one device: what is normal, and what is left of it.

`NormalRise` says which settled rise is in order, and `RiseEstimator` gives what ambient and load
don't explain (`response`), the deviation, to the filters of `heading` from window to window, with
its uncertainty.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from math import exp
from typing import Any

from cabinetwatch.thermal.forecast import (
    Base,
    Forecast,
    Heading,
    probability_of_threshold,
    time_to_threshold,
)
from cabinetwatch.thermal.heading import Course, HeadingFilter
from cabinetwatch.thermal.response import Expectation, Response
from cabinetwatch.thermal.windows import (
    Figures,
    Resolution,
    Saved,
    Window,
    check,
    check_positive,
    root,
)

SETTLE_TAUS = 3.0
"""A device just switched on is judged after so many time constants."""

OFF_SHARE = 0.05
"""Below this share of its normal power a device is off."""

_MOST_EXPONENT = 1.5
_MOST_RISE_K = 2000.0
_MOST_SHARE = 1e4
"""No device draws more than so many times what is normal to it."""

_COLD_SHARE, _COLD_LEAST_K = 0.12, 0.5

_SENSORS_DIFFER_K = 1.0
"""Two sensors of half a kelvin each; a law that says less at no load is no more than a fit."""


def _power_law(share: float, exponent: float) -> float:
    """Give share ** exponent, with a negative share (a meter's noise at zero) taken as none."""
    return float(min(share, _MOST_SHARE) ** exponent) if share > 0.0 else 0.0


@dataclass(frozen=True, slots=True)
class NormalRise:
    """The band of settled rise that is normal, against power where that is known.

    With power: `rise_k` at `power_w`, plus `offset_k`, by the power law of `exponent` (1:
    resistance constant; natural convection about 0.8). `low_exponent` and `high_exponent` bound it.
    Without power: from `low_k` to `high_k`. `guard` is the fraction by which a settled rise may
    pass the band. `excess_k` is how far ordinary life passes what sound cooling explains when the
    bound relaxes with `bound_tau_s` (None: the response's time constant). ValueError for rises
    that no device has, what can't be reckoned with, and exponents that aren't from 0 to 1.5.
    """

    rise_k: float
    power_w: float | None = None
    exponent: float = 0.9
    low_exponent: float = 0.8
    high_exponent: float = 1.0
    offset_k: float = 0.0
    low_k: float = 0.0
    guard: float = 0.2
    floor_k: float = 0.5
    highest_power_w: float | None = None
    off_rise_k: float | None = None
    excess_k: float = 0.0
    bound_tau_s: float | None = None

    def __post_init__(self) -> None:
        check(self.low_k, self.guard, self.floor_k, self.excess_k)
        if not (abs(self.rise_k) <= _MOST_RISE_K and abs(self.offset_k) <= _MOST_RISE_K):
            raise ValueError(
                f"no device has a rise of {self.rise_k:zg} K, {self.offset_k:zg} K of it"
            )
        check(self.off_rise_k or 0.0, self.highest_power_w or 0.0)
        for positive in (self.power_w, self.bound_tau_s):
            if positive is not None:
                check_positive(positive)
        for exponent in (self.exponent, self.low_exponent, self.high_exponent):
            if not 0.0 <= exponent <= _MOST_EXPONENT:
                raise ValueError(f"no rise follows the power to the {exponent:zg}")

    def at(self, power_w: float | None) -> float:
        """Settled rise expected at this power, K."""
        if self.power_w is None or power_w is None:
            return self.rise_k
        rise_k = self.offset_k + self.rise_k * _power_law(power_w / self.power_w, self.exponent)
        return rise_k if rise_k >= 0.0 else max(rise_k, self._least_k)

    @property
    def _least_k(self) -> float:
        """What no load is below: sensors differ somewhat, and nothing cools itself."""
        return max(-_SENSORS_DIFFER_K, min(self.offset_k, 0.0))

    @property
    def cold_below_k(self) -> float:
        """Without power: a rise below this is that of a device switched off, or of a slipped probe.

        Which of them, only days of learning can tell.
        """
        least_k = min(_COLD_LEAST_K, 0.3 * self.rise_k)
        return max(_COLD_SHARE * self.rise_k, least_k, self.off_rise_k or 0.0)

    def highest_k(self, power_w: float | None) -> float:
        """Highest settled rise that is still normal, guard included.

        While the power isn't known it may be the highest of those that were seen.
        """
        power_w = self.highest_power_w if power_w is None else power_w
        if self.power_w is None or power_w is None:
            return self.rise_k + max(self.guard * self.rise_k, self.floor_k)
        share = power_w / self.power_w
        exponent = self.high_exponent if share > 1.0 else self.low_exponent
        top = max(self.offset_k + self.rise_k * _power_law(share, exponent), 0.0)
        beyond = 0.0
        if self.highest_power_w and power_w > self.highest_power_w:
            beyond = 0.3 * (min(power_w / self.highest_power_w, _MOST_SHARE) - 1.0)
        return top + max((self.guard + beyond) * top, self.floor_k)

    def lowest_k(self, power_w: float | None) -> float:
        """Settled rise below which the rise is well below normal (half of it)."""
        if self.power_w is None or power_w is None:
            return max(0.5 * self.low_k, 0.15 * self.rise_k)
        share = power_w / self.power_w
        exponent = self.low_exponent if share > 1.0 else self.high_exponent
        return 0.5 * (min(self.offset_k, 0.0) + self.rise_k * _power_law(share, exponent))

    def save(self) -> dict[str, Any]:
        """State for `load`; it has kept the bound's first name."""
        state = asdict(self)
        state["ceiling_tau_s"] = state.pop("bound_tau_s")
        return state

    @classmethod
    def load(cls, state: dict[str, Any]) -> NormalRise:
        """The band as it was at `save`."""
        fields = dict(state)
        fields["bound_tau_s"] = fields.pop("ceiling_tau_s", None)
        return cls(**fields)


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

_LIFE_DOUBT = 0.45
"""Of a way, as one sigma: with it the stated span of a forecast holds 19 of 20 on either side
(`python -m tests.benchmarks.forecast --life`)."""

_LAW_DOUBT = 0.045
"""Even a good power law is off by about this share."""

_OFFSET_DOUBT_K, _OFFSET_DOUBT = 0.1, 0.015

_UNKNOWN_WANDER, _LOAD_WANDER, _BAND_WANDER = 0.5, 0.15, 0.35
"""Wander of the goal in a time constant, as a share of the usual rise: with nothing known, with
the load known, with a band known."""

_LOWEST_GOAL, _HIGHEST_GOAL, _NO_NORMAL_GOAL_K = 0.3, 6.0, 150.0

_LARGEST_STRETCH = 4.0


class RiseEstimator(Saved):
    """Felt ambient, the load's rise, and a filter on what is left: the deviation.

    With power and a power law the deviation is counted from the load's normal rise; otherwise that
    is 0 and the deviation is the whole rise.
    """

    kept = (
        "doubt_k", "seen_k", "load_goal_k", "_unsettled_k", "_late_load_k", "_sound_rise_k",
        "_moving_k", "_stale_s", "_ambient_c", "_fresh", "_load_known",
    )  # fmt: skip

    def __init__(self, response: Response, normal: NormalRise | None) -> None:
        self.response = response
        self.normal = normal
        self.expected = Expectation(response)
        self.filter = HeadingFilter(response.tau_s)
        self.course = Course()
        self.normal_k: tuple[float, float, float] | None = None
        """What is normal at the load of the last window: settled rise, its highest and lowest."""
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
        """Take over what an estimator with another model knew of the sensors."""
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

    def noise_k(self) -> float:
        """Standard deviation of one window's deviation."""
        return root(max(self.filter.noise_k2, self._noise_floor_k2()))

    def advance(self, window: Window, lost: bool) -> float:
        """Go on by one window; `lost` says that lost cooling stands.

        Returns what must be added to deviations seen so far (K): 0, but for when the load comes to
        be known, or isn't known any more, so that they are counted from elsewhere.
        """
        step_s = window.step_ms / 1000.0
        expected, heading, normal = self.expected, self.filter, self.normal
        now_w, mean_w = window.last_power_w, window.power_w
        # The normal settled rise of the load where that is known; else 0.
        goal_now = goal = 0.0
        known = False
        if normal is not None:
            usual_k = self.judge_load(normal, now_w)
            if normal.power_w is not None and now_w is not None:
                known, goal_now = True, usual_k
            if normal.power_w is not None and mean_w is not None:
                goal = goal_now if known and mean_w == now_w else normal.at(mean_w)
        moved_k = 0.0 if known is self._load_known else self._meet_knowledge(goal_now, known)
        if 1 < self._fresh < _MOST_STARTS:
            # The window that it began from stood alone, as a wild value does.
            expected.settle(window.ambient_mean_c, goal)
        expected.advance(window.step_ms, window.ambient_c, window.ambient_mean_c, goal_now, goal)
        seen_k = window.temperature_c - expected.felt_ambient_c - expected.load_rise_k
        if self._fresh:
            self.filter = HeadingFilter(self.response.tau_s, seen_k)
            self.filter.noise_k2, heading = heading.noise_k2, self.filter
            self._fresh = 0 if self._agrees(window, goal_now) else self._fresh - 1
        elif goal_now != self.load_goal_k:
            self._meet_load_change(goal_now, step_s)
        fade = exp(-step_s / self.response.tau_s)
        self._age(window, step_s, fade)
        stretch = self._stretch(goal_now, lost)
        self.doubt_k = self._doubt_k(stretch)
        self._late_load_k *= fade
        heading.advance(
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

    def judge_load(self, normal: NormalRise, power_w: float | None) -> float:
        """Look once in a step at what is normal at its load; give the settled rise."""
        usual_k = normal.at(power_w)
        self.normal_k = usual_k, normal.highest_k(power_w), normal.lowest_k(power_w)
        return usual_k

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
        # What little load there is when a device is off says nothing of its cooling.
        least_k = _TELLING_LOAD * self.normal.rise_k if self.normal else 1.0
        ratio = min(5.0, max(goal_now, least_k) / max(self.load_goal_k, least_k))
        self.filter.scale_goals(ratio, (_LOAD_CHANGE_DOUBT * change_k) ** 2)
        self._late_load_k += _LATE_SHARE * change_k * min(1.0, step_s / self.response.tau_s)

    def _age(self, window: Window, step_s: float, fade: float) -> None:
        """What isn't known of the time before the start, or in a gap, fades with the response."""
        response, before_c = self.response, self._ambient_c
        self._unsettled_k *= fade
        if before_c is not None:
            moved_k = abs(window.ambient_c - before_c)
            if step_s > _SHORTEST_GAP_S and step_s > 0.3 * response.tau_s:
                self._unsettled_k += _GAP_DOUBT_K + 0.5 * moved_k
            share = _MOVING_SHARE * (response.ambient_at_once + _MOVING_LEAST)
            fading_k, moving_k = _MOVING_FADE * self._moving_k, share * moved_k
            self._moving_k = fading_k if fading_k > moving_k else moving_k
            if self._stale_s > _STALE_S:
                # When it moved while nobody looked isn't known.
                self._unsettled_k += 0.5 * moved_k
        self._stale_s = 0.001 * window.ambient_age_ms
        self._ambient_c = window.ambient_c

    def _doubt_k(self, stretch: float) -> float:
        """How far the deviation may be wrong for reasons other than noise, as one sigma."""
        slowed_k = 0.5 * (stretch - 1.0) * self.expected.drivers[2]
        stale_k, stale_s = 0.0, self._stale_s - _STALE_S
        if stale_s > 0.0:
            # What the ambient may have done since it was last heard.
            stale_k = min(_STALE_MOST_K, _STALE_K_PER_S * stale_s)
        return root(
            self.expected.doubt_k2()
            + self._unsettled_k * self._unsettled_k
            + self._late_load_k * self._late_load_k
            + self._moving_k * self._moving_k
            + stale_k * stale_k
            + slowed_k * slowed_k
        )

    def _noise_floor_k2(self) -> float:
        """Quantisation is no white noise: averaging doesn't lessen the steps of the sensors."""
        own, ambient = self.own_step.step, self.ambient_step.step * self.response.ambient_at_once
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

    def adapt_to_loss(self, since_ms: int, t_ms: int) -> None:
        """Lost cooling has just been found: goal and level have jumped, at `since_ms`.

        What jumped long ago, or crept (dust), the filter has followed by now.
        """
        self.course.begin(since_ms)
        if self.normal is not None:
            unseen_k = self.normal.rise_k * exp((since_ms - t_ms) / (1000.0 * self.response.tau_s))
            self.filter.loosen((0.5 * unseen_k) ** 2, (0.2 * unseen_k) ** 2)

    def figures(self, window: Window, lost: bool, is_off: bool) -> Figures:
        """The figures at the window's end."""
        heading, expected = self.filter, self.expected
        power_w = window.last_power_w
        usual_k, highest_k, lowest_k = self.normal_k or (None, None, None)
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
            normal_rise_k=usual_k,
            highest_normal_k=highest_k,
            lowest_normal_k=lowest_k,
            resistance_k_per_w=resistance,
            time_constant_s=self.response.tau_s,
            noise_k=root(heading.noise_k2),
        )

    def _rise_at_load_k(self) -> float:
        """The rise in proportion, as if the present load had stood: lost cooling multiplies it."""
        load_rise_k, level_k, goal_k = (
            self.expected.load_rise_k,
            self.filter.level_k,
            self.load_goal_k,
        )
        if load_rise_k < _LEAST_RISE_K or load_rise_k < _TELLING_LOAD * goal_k:
            return goal_k + level_k
        return goal_k * (1.0 + level_k / load_rise_k)

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

        While no cooling is `lost`, the rise isn't heading beyond the normal band: a fast climb
        is its way back, after a door for one. `soonest_s` and `latest_s` allow for what no fit
        knows of: loads and doors to come, and a cause that still grows.
        """
        base, courses = self._courses(figures, lost)
        forecast = time_to_threshold(base, courses, threshold_c, horizon_s)
        if forecast.probability == 0.0:
            return forecast
        courses = [heading.doubted(_LIFE_DOUBT) for heading in courses]
        wide = time_to_threshold(base, courses, threshold_c, horizon_s)
        return forecast._replace(soonest_s=wide.soonest_s, latest_s=wide.latest_s)

    def probability(
        self, figures: Figures, threshold_c: float, horizon_s: float, lost: bool
    ) -> float:
        """Give the probability of `forecast` alone."""
        base, courses = self._courses(figures, lost)
        return probability_of_threshold(base, courses, threshold_c, horizon_s)

    def _courses(self, figures: Figures, lost: bool) -> tuple[Base, list[Heading]]:
        base = Base(
            goal_c=figures.ambient_c + self.load_goal_k,
            ways=self.expected.ways_to_go(figures.ambient_c, self.load_goal_k),
            trend_k_per_s=self.expected.ambient_trend_k_per_s(),
            doubt_k=self.doubt_k,
        )
        courses = self.course.headings(self.noise_k())
        courses = courses or self.filter.headings()
        if figures.highest_normal_k is None:
            # With nothing known of the device, a step of its load looks like a long way; not where
            # its fan is seen to have stopped.
            tau_doubt = _TAU_DOUBT_KNOWN if lost else _TAU_DOUBT_UNKNOWN
            courses = [heading.doubted(tau_doubt) for heading in courses]
        elif not lost:
            top_k = figures.highest_normal_k - self.load_goal_k
            courses = [heading.held_below(top_k) for heading in courses]
        return base, courses

    def save(self) -> dict[str, Any]:
        """State for `restore`."""
        return super().save() | {
            "expected": self.expected.save(),
            "filter": self.filter.save(),
            "course": self.course.save(),
            "steps": [asdict(self.own_step), asdict(self.ambient_step)],
        }

    def restore(self, state: dict[str, Any]) -> None:
        """Take over what an estimator of the same response and normal rise has saved."""
        super().restore(state)
        self.expected.restore(state["expected"])
        self.filter = HeadingFilter.load(state["filter"])
        self.course = Course.load(state["course"])
        self.own_step, self.ambient_step = (Resolution(**step) for step in state["steps"])
