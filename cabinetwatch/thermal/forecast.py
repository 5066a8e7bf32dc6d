"""When a device will reach a threshold, on the headings of its rise.

A heading is a sum of ways still to go, each with a time constant; felt ambient and load go their
own. Each heading is taken at three places of its doubt, and looked at along a grid of instants.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import exp, isnan
from typing import NamedTuple

from cabinetwatch.thermal.windows import Kept, check, root

_TREND_FADES_S = 3600.0
"""A trend of the ambient is trusted for about an hour."""


class Heading(NamedTuple):
    """A course with its weight: it ends at `goal_k`, and has `ways` still to go.

    `ways` are pairs of what is left (K) and the time constant (s) by which that fades. The doubt
    `sd_k` grows with its own time constant `doubt_tau_s`.
    """

    weight: float
    goal_k: float
    ways: tuple[tuple[float, float], ...]
    sd_k: float
    doubt_tau_s: float

    @property
    def level_k(self) -> float:
        """Where it is now."""
        return self.goal_k - sum([way_k for way_k, _ in self.ways])

    def at_k(self, ahead_s: float, doubt_k: float = 0.0) -> float:
        """Where it is `ahead_s` from now, if it ends `doubt_k` higher."""
        level_k, grown = self.course(ahead_s)
        return level_k + doubt_k * grown

    def course(self, ahead_s: float) -> tuple[float, float]:
        """Where it is `ahead_s` from now, and the share of its doubt that has grown by then."""
        left_k = sum([way_k * exp(-ahead_s / tau_s) for way_k, tau_s in self.ways])
        return self.goal_k - left_k, 1.0 - exp(-ahead_s / self.doubt_tau_s)

    def doubted(self, share: float) -> Heading:
        """The same, its way doubted by this share."""
        doubt_k = share * (self.goal_k - self.level_k)
        return self._replace(sd_k=root(self.sd_k * self.sd_k + doubt_k * doubt_k))

    def held_below(self, top_k: float) -> Heading:
        """The same, ending at the top or at its present level, whichever is higher."""
        level_k = self.level_k
        goal_k = min(self.goal_k, max(top_k, level_k))
        if goal_k == self.goal_k:
            return self
        share = (goal_k - level_k) / (self.goal_k - level_k)
        ways = tuple([(share * way_k, tau_s) for way_k, tau_s in self.ways])
        return self._replace(goal_k=goal_k, ways=ways)


class Base(NamedTuple):
    """Felt ambient plus the load's normal rise: where they go, and what is left of each way there.

    `ways`: differences from the goal now (K), each with the time constant (s) by which it fades.
    """

    goal_c: float
    ways: Sequence[tuple[float, float]]
    trend_k_per_s: float
    doubt_k: float

    def at_c(self, ahead_s: float) -> float:
        """Felt ambient plus the load's normal rise, `ahead_s` from now."""
        left_k = sum([way_k * exp(-ahead_s / tau_s) for way_k, tau_s in self.ways])
        trend_k = self.trend_k_per_s * _TREND_FADES_S * (1.0 - exp(-ahead_s / _TREND_FADES_S))
        return self.goal_c + left_k + trend_k


class Forecast(NamedTuple):
    """`probability` that the threshold is reached within the horizon, and when (s from now).

    As likely before `time_left_s` as after; after `soonest_s` and before `latest_s` in 19 of 20
    each. None is beyond the horizon, or never.
    """

    probability: float
    time_left_s: float | None
    soonest_s: float | None
    latest_s: float | None


_NEVER = Forecast(0.0, None, None, None)

_SPREAD = ((-1.65, 0.2), (0.0, 0.6), (1.65, 0.2))
"""A doubt taken at three places, in sigmas, each with its share: its middle and 19 in 20."""

_GRID = 24
_ROUNDING = 1e-9


def time_to_threshold(
    base: Base, deviations: Sequence[Heading], threshold_c: float, horizon_s: float
) -> Forecast:
    """Solve each likely course for the threshold.

    `deviations`: where the rise's deviation from the load's normal rise may lead. A threshold of
    -inf is passed at once. ValueError for one that is no number, and a horizon beyond all
    reckoning.
    """
    check(horizon_s)
    if isnan(threshold_c):
        raise ValueError("no number is no threshold")
    outcomes = [
        (
            _crossing_s(base, heading, doubt_k, threshold_c, ends_s) if ends_s[1] > 0.0 else 0.0,
            weight,
        )
        for heading, doubt_k, weight, ends_s in _crossings(base, deviations, threshold_c, horizon_s)
    ]
    if not outcomes:
        return _NEVER
    probability = sum([weight for _, weight in outcomes])
    outcomes.sort()
    middle, soonest, latest = (_quantile(outcomes, share) for share in (0.5, 0.05, 0.95))
    return Forecast(min(1.0, probability), middle, soonest, latest)


def probability_of_threshold(
    base: Base, deviations: Sequence[Heading], threshold_c: float, horizon_s: float
) -> float:
    """Give the probability alone of `time_to_threshold`, with less work."""
    crossings = _crossings(base, deviations, threshold_c, horizon_s)
    return min(1.0, sum([weight for _, _, weight, _ in crossings]))


def _crossings(
    base: Base, deviations: Sequence[Heading], threshold_c: float, horizon_s: float
) -> Iterator[tuple[Heading, float, float, tuple[float, float]]]:
    """Give each course that crosses: heading, doubt (K), weight, and between which instants (s)."""
    if not deviations or highest_c(base, deviations) < threshold_c:
        return
    now_c, grid_s = base.at_c(0.0), _grid_s(horizon_s)
    trend_k = base.trend_k_per_s * _TREND_FADES_S
    fading = zip(_left_k(base.ways, horizon_s), _decay(_TREND_FADES_S, horizon_s), strict=True)
    missing_k = [
        threshold_c - (base.goal_c + left_k + trend_k * (1.0 - decay)) for left_k, decay in fading
    ]
    for heading in deviations:
        goal_k = heading.goal_k
        if threshold_c - now_c - heading.course(0.0)[0] <= 0.0:
            for _, share in _SPREAD:
                yield heading, 0.0, heading.weight * share, (0.0, 0.0)
            continue
        rows = [
            (missing, goal_k - left_k, 1.0 - decay)
            for missing, left_k, decay in zip(
                missing_k,
                _left_k(heading.ways, horizon_s),
                _decay(heading.doubt_tau_s, horizon_s),
                strict=True,
            )
        ]
        for sigmas, share in _SPREAD:
            doubt_k = sigmas * (heading.sd_k + base.doubt_k)
            for i, (missing, level_k, grown) in enumerate(rows):
                if missing - (level_k + doubt_k * grown) <= 0.0:
                    yield heading, doubt_k, heading.weight * share, (grid_s[i - 1], grid_s[i])
                    break


@lru_cache(maxsize=16)
def _grid_s(horizon_s: float) -> tuple[float, ...]:
    """Instants at which a course is looked at: close together at first, what is near is wanted."""
    if horizon_s <= 0.0:
        return ()
    return tuple([horizon_s * (i / _GRID) ** 2 for i in range(_GRID + 1)])


@lru_cache(maxsize=512)
def _decay(tau_s: float, horizon_s: float) -> tuple[float, ...]:
    """What is left of a way at each of these instants, as a share; time constants stay the same."""
    return tuple([exp(-ahead_s / tau_s) for ahead_s in _grid_s(horizon_s)])


def _left_k(ways: Sequence[tuple[float, float]], horizon_s: float) -> list[float]:
    """What is left of several ways at each of these instants."""
    left_k = [0.0] * len(_grid_s(horizon_s))
    for way_k, tau_s in ways:
        decay = _decay(tau_s, horizon_s)
        left_k = [left + way_k * share for left, share in zip(left_k, decay, strict=True)]
    return left_k


def highest_c(base: Base, deviations: Sequence[Heading]) -> float:
    """Temperature (degC) that no course passes: mostly it tells at once that nothing is near."""
    base_c = base.goal_c + sum([way_k for way_k, _ in base.ways if way_k > 0.0])
    base_c += max(0.0, base.trend_k_per_s) * _TREND_FADES_S
    sigmas = _SPREAD[-1][0]
    return base_c + max(
        [
            heading.goal_k
            + sigmas * (heading.sd_k + base.doubt_k)
            - sum([way_k for way_k, _ in heading.ways if way_k < 0.0])
            for heading in deviations
        ]
    )


def _crossing_s(
    base: Base, heading: Heading, doubt_k: float, threshold_c: float, ends_s: tuple[float, float]
) -> float:
    """When the course reaches the threshold between two instants, to a second."""
    before_s, after_s = ends_s
    while after_s - before_s > 1.0:
        middle_s = 0.5 * (before_s + after_s)
        if threshold_c - base.at_c(middle_s) - heading.at_k(middle_s, doubt_k) <= 0.0:
            after_s = middle_s
        else:
            before_s = middle_s
    return after_s


def _quantile(outcomes: Sequence[tuple[float, float]], part: float) -> float | None:
    """When this part of what may come has reached it; None where less ever does."""
    for value, weight in outcomes:
        part -= weight
        if part <= _ROUNDING:
            return value
    return None


RAISE_PROBABILITY, CLEAR_PROBABILITY = 0.95, 0.5
STEPS_IN_A_ROW = 3
_SHORTEST_RUN_MS = 17_000
"""Our choice: three steps ten seconds apart, jitter included."""

_LONG_RUN_MS = 60_000
"""Two steps so far apart are as good as three: their noise has nothing in common."""


@dataclass(slots=True)
class ForecastWatch(Kept):
    """When a forecast is sure enough to be told: on several steps in a row.

    Raised when the threshold is almost certainly reached within the horizon, cleared when it has
    become unlikely. `since_ms` is the step that first said so.
    """

    kept = ("standing", "since_ms", "steps", "first_ms")

    standing: bool = False
    since_ms: int = 0
    steps: int = 0
    first_ms: int = 0

    def observe(self, t_ms: int, probability: float) -> bool:
        """Take `Forecast.probability` at one step; True while the forecast stands."""
        turned = (
            probability < CLEAR_PROBABILITY if self.standing else probability >= RAISE_PROBABILITY
        )
        if not turned:
            self.steps = 0
            return self.standing
        if self.steps == 0:
            self.first_ms = t_ms
        self.steps += 1
        run_ms = t_ms - self.first_ms
        if run_ms >= _LONG_RUN_MS or (self.steps >= STEPS_IN_A_ROW and run_ms >= _SHORTEST_RUN_MS):
            self.standing = not self.standing
            self.since_ms = self.first_ms
            self.steps = 0
        return self.standing
