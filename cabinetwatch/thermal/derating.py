"""Derating curves, the hottest day, what heat costs in life, and the time left to a threshold.

ValueError for figures that can't be reckoned with.

ValueError for figures that lead beyond what can be reckoned.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, replace
from itertools import pairwise
from math import exp, inf, isnan, prod
from typing import Any

from cabinetwatch.thermal.windows import check, check_positive, checked, root

DERATING_BASE_M = 900.0
DERATING_K_PER_KM = 3.3
"""Thin air cools less: 1 K per 300 m above 900 m (ASHRAE TC 9.9, class A1; from memory)."""


class DeratingCurve:
    """Points (temperature degC, fraction of rated load), joined by straight lines.

    Below the first point its fraction holds; above the last point nothing is allowed. Temperatures
    must rise and fractions, between 0 and 1, must never rise; ValueError otherwise.
    """

    __slots__ = ("points",)

    def __init__(self, points: Iterable[Sequence[float]]) -> None:
        self.points = tuple((float(t), float(f)) for t, f in points)
        check(*(figure for point in self.points for figure in point))
        if not self.points:
            raise ValueError("a derating curve needs at least one point")
        for (t1, f1), (t2, f2) in pairwise(self.points):
            if t2 <= t1:
                raise ValueError(f"derating temperatures must rise, but {t2} follows {t1}")
            if f2 > f1:
                raise ValueError(f"derating fractions must never rise, but {f2} follows {f1}")
        for _, fraction in self.points:
            if not 0.0 <= fraction <= 1.0:
                raise ValueError(f"a derating fraction must be from 0 to 1, not {fraction}")

    def fraction_at(self, temperature_c: float) -> float:
        """Fraction of rated load allowed at a temperature; 0 above the last point."""
        points = self.points
        if temperature_c <= points[0][0]:
            return points[0][1]
        for (t1, f1), (t2, f2) in pairwise(points):
            if temperature_c <= t2:
                return f1 + (f2 - f1) * (temperature_c - t1) / (t2 - t1)
        return 0.0

    def threshold_c(self, load_fraction: float | None = None) -> float:
        """Highest temperature at which the load is allowed, degC; None is full load.

        More than the rated load is taken as full: a nameplate is often passed by a little, and how
        hot it may then be is not for the curve to say. -inf for a load that a curve which starts
        below 1 allows at no temperature.
        """
        load = 1.0 if load_fraction is None else min(1.0, load_fraction)
        points = self.points
        if load > points[0][1]:
            return -inf
        highest = points[0][0]
        for (t1, f1), (t2, f2) in pairwise(points):
            if load > f1:
                break
            highest = t2 if load <= f2 else t1 + (t2 - t1) * (f1 - load) / (f1 - f2)
        return highest


def altitude_lowering_k(
    altitude_m: float,
    base_m: float = DERATING_BASE_M,
    k_per_km: float = DERATING_K_PER_KM,
) -> float:
    """By how much a threshold is lowered above `base_m`.

    Raises:
        ValueError: a figure that can't be reckoned with.
    """
    check(altitude_m, base_m, k_per_km)
    return max(0.0, altitude_m - base_m) / 1000.0 * k_per_km


def combined_fraction(fractions: Iterable[float]) -> float:
    """Several derating curves at once (temperature, input voltage): their fractions multiply.

    Raises:
        ValueError: a fraction that isn't from 0 to 1.
    """
    parts = tuple(fractions)
    if not all(0.0 <= part <= 1.0 for part in parts):
        raise ValueError("a derating fraction is from 0 to 1")
    return prod(parts)


def hot_day_temperature_c(design_ambient_c: float, settled_rises_k: Iterable[float]) -> float:
    """Design ambient plus the settled rises of the enclosing devices, and of the device itself.

    The device's own rise is left out when its derating curve is against ambient air. Rises add up
    as in product-safety tests: T + (T_ma - T_amb) <= T_max (EN 60950-1:2006, 1.4.12.1).
    """
    rises_k = tuple(settled_rises_k)
    check(design_ambient_c, *rises_k)
    return design_ambient_c + sum(rises_k)


def hot_day_margin_k(
    threshold_c: float, design_ambient_c: float, settled_rises_k: Iterable[float]
) -> float:
    """Threshold minus hot-day temperature: below zero it is fine today, not on the hottest day."""
    check(threshold_c)
    return threshold_c - hot_day_temperature_c(design_ambient_c, settled_rises_k)


def carried_to_ambient_c(
    temperature_c: float, ambient_c: float, highest_ambient_c: float, least_c: float = 25.0
) -> float:
    """A measured temperature at the highest ambient permitted, or at 25 degC if that is more."""
    check(temperature_c, ambient_c, highest_ambient_c, least_c)
    return temperature_c + max(highest_ambient_c, least_c) - ambient_c


BOLTZMANN_EV_K = 1.380649e-23 / 1.602176634e-19
"""Boltzmann's constant in eV/K, from the exact constants of the SI (2019)."""

ABSOLUTE_ZERO_C = -273.15
DEFAULT_ACTIVATION_ENERGY_EV = 0.7
"""Usual for silicon when nothing better is known (common practice, no source)."""

KELVIN_PER_HALVING = 10.0
_MOST_EXPONENT = 600.0
_HOTTEST_K = 1e5
HOURS_A_YEAR = 8760.0
LONGEST_CAPACITOR_LIFE_H = 15 * HOURS_A_YEAR
"""Seals age whatever the temperature; some 15 years (common practice, no source)."""


def arrhenius_factor(
    from_c: float, to_c: float, activation_energy_ev: float = DEFAULT_ACTIVATION_ENERGY_EV
) -> float:
    """Give how many times as long life lasts at `to_c` as at `from_c`; below 1 is shorter.

    exp[(Ea / k) (1 / T_to - 1 / T_from)], temperatures in K (Arrhenius; NIST/SEMATECH e-Handbook,
    8.1.5.1).

    Raises:
        ValueError: a temperature at or below absolute zero.
    """
    from_k, to_k = from_c - ABSOLUTE_ZERO_C, to_c - ABSOLUTE_ZERO_C
    if not (from_k > 0 and to_k > 0):
        raise ValueError("a temperature lies at or below absolute zero")
    check_positive(from_k, to_k)
    return _exp(activation_energy_ev / BOLTZMANN_EV_K * (1 / to_k - 1 / from_k))


def ten_degree_factor(change_k: float) -> float:
    """Give how many times as long an electrolytic capacitor lasts when warmer by `change_k`.

    Its life halves with every 10 K: 2^(-change / 10) (Rubycon, technical notes on aluminium
    electrolytic capacitors, 5-1; TDK, electronics primer). Makers hold it to agree with Arrhenius
    from 70 to 90 degC; below about 60 degC it promises more than is known.
    """
    return _exp(-change_k / KELVIN_PER_HALVING * math.log(2.0))


def capacitor_life_h(rated_life_h: float, rated_c: float, at_c: float) -> float:
    """Give the hours an electrolytic capacitor lasts by the ten-degree rule, at most 15 years."""
    check(rated_life_h)
    return min(
        rated_life_h * ten_degree_factor(at_c - rated_c),
        max(LONGEST_CAPACITOR_LIFE_H, rated_life_h),
    )


def equivalent_activation_energy_ev(at_c: float) -> float:
    """Give the activation energy at which ageing just doubles from `at_c` to 10 K above it."""
    cool_k = at_c - ABSOLUTE_ZERO_C
    if not 0 < cool_k <= _HOTTEST_K:
        raise ValueError(f"nothing ages at {at_c:zg} °C that could be told")
    warm_k = cool_k + KELVIN_PER_HALVING
    return BOLTZMANN_EV_K * math.log(2.0) / (1 / cool_k - 1 / warm_k)


def bearing_life_h(
    life_h: float, at_c: float, to_c: float, factor: float = 1.5, per_k: float = 10.0
) -> float:
    """Give the life of a fan's bearing (10 % failed) at another temperature.

    It divides by `factor` with every `per_k`. Makers disagree: 1.5 per 10 K (Jamicon, note on fan
    life; attributed there to IPC-9591), 2 per 15 K (EAO / Sanyo Denki). Ask for the data sheet's.
    """
    check(life_h, at_c, to_c)
    check_positive(factor, per_k)
    return checked(life_h * _exp((at_c - to_c) / per_k * math.log(factor)))


def _exp(exponent: float) -> float:
    if not exponent <= _MOST_EXPONENT:
        raise ValueError("the figures given lead beyond all numbers; check them")
    return math.exp(exponent)


@dataclass(frozen=True, slots=True)
class Heading:
    """A course with its weight: it ends at `goal_k`, and has `ways` still to go.

    `ways` are pairs of what is left (K) and the time constant (s) by which that fades. The doubt
    `sd_k` grows with its own time constant `doubt_tau_s`. ValueError for figures that can't be
    reckoned with.
    """

    weight: float
    goal_k: float
    ways: tuple[tuple[float, float], ...]
    sd_k: float
    doubt_tau_s: float

    def __post_init__(self) -> None:
        check(self.weight, self.goal_k, self.sd_k)
        check_positive(self.doubt_tau_s)
        for way_k, tau_s in self.ways:
            check(way_k)
            check_positive(tau_s)

    @property
    def level_k(self) -> float:
        """Where it is now."""
        return self.goal_k - sum(way_k for way_k, _ in self.ways)

    def at_k(self, ahead_s: float, doubt_k: float = 0.0) -> float:
        """Where it is `ahead_s` from now, if it ends `doubt_k` higher; never before now."""
        ahead_s = max(ahead_s, 0.0)
        left_k = sum(way_k * exp(-ahead_s / tau_s) for way_k, tau_s in self.ways)
        return self.goal_k - left_k + doubt_k * (1.0 - exp(-ahead_s / self.doubt_tau_s))

    def doubted(self, share: float) -> Heading:
        """The same, its way doubted by this share."""
        doubt_k = share * (self.goal_k - self.level_k)
        return replace(self, sd_k=root(self.sd_k * self.sd_k + doubt_k * doubt_k))

    def held_below(self, top_k: float) -> Heading:
        """The same, ending at the top or at its present level, whichever is higher."""
        level_k = self.level_k
        goal_k = min(self.goal_k, max(top_k, level_k))
        if goal_k == self.goal_k:
            return self
        share = (goal_k - level_k) / (self.goal_k - level_k)
        ways = tuple((share * way_k, tau_s) for way_k, tau_s in self.ways)
        return replace(self, goal_k=goal_k, ways=ways)


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
