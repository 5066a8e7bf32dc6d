"""How long until a device reaches a threshold, on its present heading."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from math import exp
from typing import Any

_TREND_FADES_S = 3600.0
"""A trend of the ambient is trusted for about an hour."""

RAISE_PROBABILITY, CLEAR_PROBABILITY = 0.95, 0.5
STEPS_IN_A_ROW = 3
_SHORTEST_RUN_MS = 17_000
"""Our choice: three steps ten seconds apart, jitter included."""

_SPREAD = ((-1.65, 0.2), (0.0, 0.6), (1.65, 0.2))
_GRID = 24


@dataclass(frozen=True, slots=True)
class Forecast:
    """`probability` that the threshold is reached within the horizon, and when (s from now).

    `time_left_s` is the middle of what is likely, given that it is reached; `soonest_s` and
    `latest_s` bound it; None where it isn't reached.
    """

    probability: float
    time_left_s: float | None
    soonest_s: float | None
    latest_s: float | None


@dataclass(frozen=True, slots=True)
class Heading:
    """Where temperature comes from now, and where its known parts go to."""

    felt_c: float
    ambient_c: float
    trend_k_per_s: float
    load_rise_k: float
    load_goal_k: float
    tau_s: float
    doubt_k: float

    def base_c(self, ahead_s: float) -> float:
        """Felt ambient plus the load's normal rise, `ahead_s` from now."""
        fade = exp(-ahead_s / self.tau_s)
        felt = self.ambient_c + (self.felt_c - self.ambient_c) * fade
        felt += self.trend_k_per_s * _TREND_FADES_S * (1.0 - exp(-ahead_s / _TREND_FADES_S))
        return felt + self.load_goal_k + (self.load_rise_k - self.load_goal_k) * fade

    def highest_c(self, horizon_s: float) -> float:
        """Give what `base_c` does not pass up to `horizon_s`: the highest of each part."""
        trend_k = max(0.0, self.trend_k_per_s) * min(horizon_s, _TREND_FADES_S)
        load_k = max(self.load_rise_k, self.load_goal_k)
        # Rounding may differ in the last bits.
        return max(self.felt_c, self.ambient_c) + load_k + trend_k + 1e-6


@dataclass(slots=True)
class ForecastWatch:
    """When a forecast is sure enough to be told: on several steps in a row.

    Raised when the threshold is almost certainly reached within the horizon, cleared when it has
    become unlikely. `since_ms` is the step that first said so.
    """

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
        if self.steps >= STEPS_IN_A_ROW and t_ms - self.first_ms >= _SHORTEST_RUN_MS:
            self.standing = not self.standing
            self.since_ms = self.first_ms
            self.steps = 0
        return self.standing

    def save(self) -> dict[str, Any]:
        """State for `load`."""
        return asdict(self)

    @classmethod
    def load(cls, state: dict[str, Any]) -> ForecastWatch:
        """The watch as it was at `save`."""
        return cls(**state)


def time_to_threshold(
    heading: Heading,
    deviations: Sequence[tuple[float, float, float, float, float]],
    threshold_c: float,
    horizon_s: float,
) -> Forecast:
    """Solve each likely course for the threshold.

    `deviations`: (weight, level, goal, sd of the goal, time constant) of the rise's deviation from
    the load's normal rise, as `HeadingFilter.headings` gives them.
    """
    outcomes: list[tuple[float, float]] = []
    for weight, level, goal, sd, tau in deviations:
        for sigmas, part in _SPREAD:
            course = (level, goal + sigmas * (sd + heading.doubt_k), tau)
            reached = _crossing(heading, course, threshold_c, horizon_s)
            if reached is not None:
                outcomes.append((reached, weight * part))
    probability = sum(weight for _, weight in outcomes)
    if not outcomes:
        return Forecast(0.0, None, None, None)
    outcomes.sort()
    return Forecast(
        min(1.0, probability),
        _quantile(outcomes, 0.5 * probability),
        _quantile(outcomes, 0.05 * probability),
        _quantile(outcomes, 0.95 * probability),
    )


def _crossing(
    heading: Heading, course: tuple[float, float, float], threshold_c: float, horizon_s: float
) -> float | None:
    """When the course reaches the threshold, to a second; None beyond the horizon."""
    level, goal, tau = course

    def missing(ahead_s: float) -> float:
        deviation = goal + (level - goal) * exp(-ahead_s / tau)
        return threshold_c - heading.base_c(ahead_s) - deviation

    if heading.highest_c(horizon_s) + max(level, goal) < threshold_c:
        # The ordinary case by far: not even the highest of each part together would do.
        return None
    if missing(0.0) <= 0.0:
        return 0.0
    before = 0.0
    for i in range(1, _GRID + 1):
        after = horizon_s * (i / _GRID) ** 2
        if missing(after) <= 0.0:
            break
        before = after
    else:
        return None
    while after - before > 1.0:
        middle = 0.5 * (before + after)
        before, after = (before, middle) if missing(middle) <= 0.0 else (middle, after)
    return after


def _quantile(outcomes: Sequence[tuple[float, float]], part: float) -> float:
    for value, weight in outcomes:
        part -= weight
        if part <= 0.0:
            return value
    return outcomes[-1][0]
