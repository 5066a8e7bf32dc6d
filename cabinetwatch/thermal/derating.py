"""Derating curves: how much of its rated load a device may carry at a temperature."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import pairwise
from math import inf, prod

from cabinetwatch.thermal.bounds import check

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
