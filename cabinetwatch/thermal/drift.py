"""Slow loss of cooling over weeks (dust): robust slope, significance, and when it matters.

One figure a day, rise over normal rise, is kept for four months. A climb counts when the
Mann-Kendall test finds it three days running, and its pace is the Theil-Sen slope: no single day
moves either much. Sources: Theil 1950, Sen 1968 (slope); Mann 1945, Kendall 1975 (test); Hamed and
Rao 1998, J. Hydrology 204, 182-196 (variance under autocorrelation). Formulas from memory, held
against reference values by the tests. ValueError for figures that can't be reckoned with.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from itertools import combinations
from math import erfc, sqrt
from statistics import median
from typing import Any, NamedTuple

from cabinetwatch.thermal.windows import LARGEST, SMALLEST, check

DAY_MS = 86_400_000
HOUR_MS = 3_600_000
LONGEST_DAYS = 120
FEWEST_DAYS = 21
SIGNIFICANCE = 0.001
LEAST_CLIMB_PER_WEEK = 0.004
"""Below 0.4 % a week seasons do the same (air cools better when it is warmer)."""

_WINDOWS_DAYS = (28, 56, LONGEST_DAYS)
_PERSISTENT_DAYS = 3
_FEWEST_HOURS = 3


class DriftFinding(NamedTuple):
    """What the days on record say.

    `significant` None: it can't be told yet. `climb_per_week` is relative to normal (0.02 = 2 % a
    week); `exhausted_in_days` when a margin is used up at this pace, None when it isn't.
    """

    significant: bool | None
    climb_per_week: float | None
    p: float | None
    since_ms: int | None
    exhausted_in_days: float | None

    def within(self, horizon_days: float) -> bool:
        """A significant climb that uses up the margin within the horizon."""
        return bool(
            self.significant
            and self.exhausted_in_days is not None
            and self.exhausted_in_days <= horizon_days
        )


class DriftObserver:
    """Keeps one figure a day: the median of hourly means of rise over normal rise."""

    __slots__ = (
        "_day", "_days", "_hour", "_hours", "_mean_n", "_mean_sum", "_persistent", "_tested",
    )  # fmt: skip

    def __init__(self) -> None:
        self._days: list[tuple[int, float]] = []
        self._day: int | None = None
        self._hour: int | None = None
        self._hours: list[float] = []
        self._mean_sum = 0.0
        self._mean_n = 0
        self._persistent = 0
        self._tested = _UNTOLD

    def observe(self, t_ms: int, ratio: float) -> bool:
        """Take one ratio (rise over normal rise at the load); True when a day was closed."""
        check(ratio)
        hour, day = t_ms // HOUR_MS, t_ms // DAY_MS
        closed = False
        if hour != self._hour:
            if self._mean_n:
                self._hours.append(self._mean_sum / self._mean_n)
            self._mean_sum, self._mean_n = 0.0, 0
            self._hour = hour
        if day != self._day:
            hours, self._hours = self._hours, []
            if self._day is not None and len(hours) >= _FEWEST_HOURS:
                self._days.append((self._day, median(hours)))
                del self._days[:-LONGEST_DAYS]
                self._test()
                closed = True
            self._day = day
        self._mean_sum += ratio
        self._mean_n += 1
        return closed

    def restart(self, t_ms: int) -> None:
        """Forget the days up to an instant, its own day included; their trend with them."""
        day = t_ms // DAY_MS
        self._days = [(number, ratio) for number, ratio in self._days if number > day]
        if self._day is not None and self._day <= day:
            self._hours, self._mean_sum, self._mean_n = [], 0.0, 0
            self._hour = None
        self._persistent = 0
        self._tested = _UNTOLD

    @property
    def too_few(self) -> bool:
        """Whether there are not yet days enough for any trend."""
        return len(self._days) < FEWEST_DAYS

    @property
    def days(self) -> list[tuple[int, float]]:
        """(day number, ratio) of the days on record."""
        return list(self._days)

    def assess(self, margin_k: float | None, normal_rise_k: float) -> DriftFinding:
        """The trend, and when it will have used up `margin_k` of hot-day margin."""
        check(margin_k or 0.0, normal_rise_k)
        significant, climb, p, since_ms = self._tested
        exhausted = None
        if climb is not None and climb > 0.0 and margin_k is not None:
            climb_k = max(climb * normal_rise_k, SMALLEST)
            exhausted = min(7.0 * max(0.0, margin_k) / climb_k, LARGEST)
        return DriftFinding(significant, climb, p, since_ms, exhausted)

    def _test(self) -> None:
        """The longest window that shows a climb counts; it must do so for three days running."""
        if len(self._days) < FEWEST_DAYS:
            return
        told = False
        for window in reversed(_WINDOWS_DAYS):
            days = self._days[-window:]
            numbers = [float(day) for day, _ in days]
            ratios = [ratio for _, ratio in days]
            trend = mann_kendall(ratios)
            longest = window >= len(self._days)
            if trend.p is not None and trend.p < SIGNIFICANCE:
                # Autocorrelation only takes away from it; too clean a series stays as it is.
                corrected = mann_kendall(ratios, autocorrelation=True)
                trend = trend if corrected.p is None else corrected
            elif not longest:
                continue
            line = theil_sen(numbers, ratios)
            if line is None or trend.p is None:
                continue
            told = True
            usual = median(ratios[: max(1, len(ratios) // 4)])
            if usual < SMALLEST:
                continue  # a rise that wasn't there tells of no trend
            climb = 7.0 * line.slope / usual
            if trend.p < SIGNIFICANCE and climb > LEAST_CLIMB_PER_WEEK:
                self._persistent += 1
                sure = self._persistent >= _PERSISTENT_DAYS
                self._tested = (sure, climb, trend.p, days[0][0] * DAY_MS)
                return
            if longest:
                self._tested = (False, climb, trend.p, None)
        self._persistent = 0
        self._tested = (False, self._tested[1], self._tested[2], None) if told else _UNTOLD

    def save(self) -> dict[str, Any]:
        """State for `load`."""
        return {
            "days": [list(day) for day in self._days],
            "day": self._day,
            "hour": self._hour,
            "hours": list(self._hours),
            "mean": [self._mean_sum, self._mean_n],
            "persistent": self._persistent,
            "tested": list(self._tested),
        }

    @classmethod
    def load(cls, state: dict[str, Any]) -> DriftObserver:
        """The observer as it was at `save`."""
        new = cls()
        new._days = [(day[0], day[1]) for day in state["days"]]
        new._day, new._hour = state["day"], state["hour"]
        new._hours = list(state["hours"])
        new._mean_sum, new._mean_n = state["mean"]
        new._persistent = state["persistent"]
        significant, climb, p, since_ms = state["tested"]
        new._tested = (significant, climb, p, since_ms)
        return new


_UNTOLD: tuple[bool | None, float | None, float | None, int | None] = (None, None, None, None)

FEWEST_FOR_CORRECTION = 20
"""Below this the correction does harm: on ten points it can shrink the variance tenfold."""

_TWO_SIDED_95 = 1.959963984540054


class Slope(NamedTuple):
    """Median slope per unit of x, and the line's value at x = 0."""

    slope: float
    intercept: float


class TrendTest(NamedTuple):
    """Result of the Mann-Kendall test.

    `p` is two-sided, None when it can't be told: fewer than three values, or a correction asked
    for that the series can't bear (too short, or without noise).
    """

    s: int
    variance: float
    z: float | None
    p: float | None


def theil_sen(x: Sequence[float], y: Sequence[float]) -> Slope | None:
    """Median of all pairwise slopes; None with fewer than two different x."""
    check(*x, *y)
    slopes = [
        (y2 - y1) / (x2 - x1)
        for (x1, y1), (x2, y2) in combinations(zip(x, y, strict=True), 2)
        if abs(x2 - x1) >= SMALLEST
    ]
    if not slopes:
        return None
    slope = median(slopes)
    return Slope(slope, median(y) - slope * median(x))


def mann_kendall(y: Sequence[float], autocorrelation: bool = False) -> TrendTest:
    """Is there a monotonic trend? With `autocorrelation` the variance is Hamed and Rao's."""
    check(*y)
    n = len(y)
    s = sum((b > a) - (b < a) for a, b in combinations(y, 2))
    ties = sum(t * (t - 1) * (2 * t + 5) for t in Counter(y).values())
    variance = (n * (n - 1) * (2 * n + 5) - ties) / 18.0
    if n < 3:
        return TrendTest(s, variance, None, None)
    if autocorrelation:
        factor = _hamed_rao_factor(y)
        if factor is None:
            return TrendTest(s, variance, None, None)
        variance *= factor
    if variance <= 0.0:
        return TrendTest(s, variance, 0.0, 1.0) if s == 0 else TrendTest(s, variance, None, None)
    z = (s - ((s > 0) - (s < 0))) / sqrt(variance)
    return TrendTest(s, variance, z, erfc(abs(z) / sqrt(2.0)))


def _hamed_rao_factor(y: Sequence[float]) -> float | None:
    """n/n*: the variance's factor from the significant autocorrelations of the detrended ranks."""
    n = len(y)
    line = theil_sen(range(n), y)
    if line is None or n < FEWEST_FOR_CORRECTION:
        return None
    left = [v - line.slope * i for i, v in enumerate(y, start=1)]
    scale = max(abs(v) for v in y) or 1.0
    if max(left) - min(left) < 1e-9 * scale:
        return None
    ranks = _ranks(left)
    mean = sum(ranks) / n
    centred = [rank - mean for rank in ranks]
    power = sum(v * v for v in centred)
    if power <= 0.0:
        return 1.0
    bound = _TWO_SIDED_95 / sqrt(n)
    total = 0.0
    for lag in range(1, n):
        # The biased estimator, normed by lag 0.
        r = sum(a * b for a, b in zip(centred, centred[lag:], strict=False)) / power
        if abs(r) > bound:
            total += (n - lag) * (n - lag - 1) * (n - lag - 2) * r
    factor = 1.0 + 2.0 / (n * (n - 1) * (n - 2)) * total
    return factor if factor > 0.0 else None


def _ranks(values: Sequence[float]) -> list[float]:
    """Ranks from 1, ties sharing their mean rank."""
    order = sorted(range(len(values)), key=values.__getitem__)
    result = [0.0] * len(values)
    start = 0
    while start < len(order):
        end = start
        while end + 1 < len(order) and values[order[end + 1]] == values[order[start]]:
            end += 1
        for i in order[start : end + 1]:
            result[i] = 0.5 * (start + end) + 1.0
        start = end + 1
    return result
