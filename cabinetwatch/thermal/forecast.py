"""How long until a device reaches a threshold, on its present base."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from math import exp, isnan
from typing import Any

from cabinetwatch.thermal.bounds import check, check_positive
from cabinetwatch.thermal.heading import Heading

_TREND_FADES_S = 3600.0
"""A trend of the ambient is trusted for about an hour."""

RAISE_PROBABILITY, CLEAR_PROBABILITY = 0.95, 0.5
STEPS_IN_A_ROW = 3
_SHORTEST_RUN_MS = 17_000
"""Our choice: three steps ten seconds apart, jitter included."""

_LONG_RUN_MS = 60_000
"""Two steps so far apart are as good as three: their noise has nothing in common."""

_SPREAD = ((-1.65, 0.2), (0.0, 0.6), (1.65, 0.2))
_GRID = 24
_NEGLIGIBLE = 1e-3


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
class Base:
    """Felt ambient plus the load's normal rise: where they go, and what is left of each way there.

    `ways`: differences from the goal now (K), each with the time constant (s) by which it fades.
    ValueError for figures that can't be reckoned with.
    """

    goal_c: float
    ways: Sequence[tuple[float, float]]
    trend_k_per_s: float
    doubt_k: float

    def __post_init__(self) -> None:
        check(self.goal_c, self.trend_k_per_s, self.doubt_k)
        for way_k, tau_s in self.ways:
            check(way_k)
            check_positive(tau_s)

    def at_c(self, ahead_s: float) -> float:
        """Felt ambient plus the load's normal rise, `ahead_s` from now; never before now."""
        ahead_s = max(ahead_s, 0.0)
        left_k = sum(way_k * exp(-ahead_s / tau_s) for way_k, tau_s in self.ways)
        trend_k = self.trend_k_per_s * _TREND_FADES_S * (1.0 - exp(-ahead_s / _TREND_FADES_S))
        return self.goal_c + left_k + trend_k


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
        run_ms = t_ms - self.first_ms
        if run_ms >= _LONG_RUN_MS or (self.steps >= STEPS_IN_A_ROW and run_ms >= _SHORTEST_RUN_MS):
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
    base: Base,
    deviations: Sequence[Heading],
    threshold_c: float,
    horizon_s: float,
) -> Forecast:
    """Solve each likely course for the threshold.

    `deviations`: where the rise's deviation from the load's normal rise may lead. A threshold of
    -inf is passed at once.

    Raises:
        ValueError: a threshold or horizon that is no number, or a horizon beyond all reckoning.
    """
    check(horizon_s)
    if isnan(threshold_c):
        raise ValueError("no number is no threshold")
    outcomes: list[tuple[float, float]] = []
    deviations = [heading for heading in deviations if heading.weight >= _NEGLIGIBLE]
    if not deviations or highest_c(base, deviations) < threshold_c:
        return Forecast(0.0, None, None, None)
    for heading in deviations:
        for sigmas, part in _SPREAD:
            doubt_k = sigmas * (heading.sd_k + base.doubt_k)
            reached = _crossing(base, heading, doubt_k, threshold_c, horizon_s)
            if reached is not None:
                outcomes.append((reached, heading.weight * part))
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


def highest_c(base: Base, deviations: Sequence[Heading]) -> float:
    """Temperature (degC) that no course passes: mostly it tells at once that nothing is near."""
    base_c = base.goal_c + sum(way_k for way_k, _ in base.ways if way_k > 0.0)
    base_c += max(0.0, base.trend_k_per_s) * _TREND_FADES_S
    if not deviations:
        return base_c
    sigmas = _SPREAD[-1][0]
    return base_c + max(
        heading.goal_k
        + sigmas * (heading.sd_k + base.doubt_k)
        - sum(way_k for way_k, _ in heading.ways if way_k < 0.0)
        for heading in deviations
    )


def _crossing(
    base: Base, heading: Heading, doubt_k: float, threshold_c: float, horizon_s: float
) -> float | None:
    """When the course reaches the threshold, to a second; None beyond the horizon."""

    def missing(ahead_s: float) -> float:
        return threshold_c - base.at_c(ahead_s) - heading.at_k(ahead_s, doubt_k)

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
