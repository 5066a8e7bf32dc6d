"""Robust slope and trend significance: Theil-Sen and Mann-Kendall, with autocorrelation.

Theil 1950, Sen 1968 (slope); Mann 1945, Kendall 1975 (test); Hamed and Rao 1998, J. Hydrology 204,
182-196 (variance under autocorrelation). Formulas from memory, held against reference values by the
tests. ValueError for figures that can't be reckoned with.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from math import erfc, sqrt
from statistics import median

from cabinetwatch.thermal.bounds import SMALLEST, check

FEWEST_FOR_CORRECTION = 20
"""Below this the correction does harm: on ten points it can shrink the variance tenfold."""

_TWO_SIDED_95 = 1.959963984540054


@dataclass(frozen=True, slots=True)
class Slope:
    """Median slope per unit of x, and the line's value at x = 0."""

    slope: float
    intercept: float


@dataclass(frozen=True, slots=True)
class TrendTest:
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
    pairs = list(zip(x, y, strict=True))
    slopes = [
        (y2 - y1) / (x2 - x1)
        for i, (x1, y1) in enumerate(pairs)
        for x2, y2 in pairs[i + 1 :]
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
    s = sum(_sign(b - a) for i, a in enumerate(y) for b in y[i + 1 :])
    variance = (n * (n - 1) * (2 * n + 5) - _tie_term(y)) / 18.0
    if n < 3:
        return TrendTest(s, variance, None, None)
    if autocorrelation:
        factor = _hamed_rao_factor(y)
        if factor is None:
            return TrendTest(s, variance, None, None)
        variance *= factor
    if variance <= 0.0:
        return TrendTest(s, variance, 0.0, 1.0) if s == 0 else TrendTest(s, variance, None, None)
    z = (s - _sign(s)) / sqrt(variance)
    return TrendTest(s, variance, z, erfc(abs(z) / sqrt(2.0)))


def autocorrelations(values: Sequence[float]) -> list[float]:
    """Autocorrelation at lags 1 .. n-1 (biased estimator, normed by lag 0)."""
    check(*values)
    n = len(values)
    if n == 0:
        return []
    mean = sum(values) / n
    centred = [v - mean for v in values]
    power = sum(v * v for v in centred)
    if power <= 0.0:
        return [0.0] * (n - 1)
    return [
        sum(a * b for a, b in zip(centred, centred[lag:], strict=False)) / power
        for lag in range(1, n)
    ]


def ranks(values: Sequence[float]) -> list[float]:
    """Ranks from 1, ties sharing their mean rank."""
    check(*values)
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
    bound = _TWO_SIDED_95 / sqrt(n)
    total = sum(
        (n - lag) * (n - lag - 1) * (n - lag - 2) * r
        for lag, r in enumerate(autocorrelations(ranks(left)), start=1)
        if abs(r) > bound
    )
    factor = 1.0 + 2.0 / (n * (n - 1) * (n - 2)) * total
    return factor if factor > 0.0 else None


def _sign(value: float) -> int:
    return (value > 0) - (value < 0)


def _tie_term(y: Sequence[float]) -> int:
    return sum(t * (t - 1) * (2 * t + 5) for t in Counter(y).values() if t > 1)
