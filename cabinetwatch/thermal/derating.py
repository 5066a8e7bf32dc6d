"""Derating curves, the hottest day, and what heat costs in life.

ValueError for figures that can't be reckoned with, or that lead beyond what can be reckoned.
"""

import math
from collections.abc import Iterable, Sequence
from itertools import pairwise
from math import inf

from cabinetwatch.thermal.windows import check, check_positive, checked

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

    @property
    def lowest_c(self) -> float:
        """The threshold at full load, which no other is below."""
        temperature_c, fraction = self.points[0]
        return temperature_c if fraction >= 1.0 else -inf

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
    """By how much a threshold is lowered above `base_m`."""
    check(altitude_m, base_m, k_per_km)
    return max(0.0, altitude_m - base_m) / 1000.0 * k_per_km


def hot_day_temperature_c(design_ambient_c: float, settled_rises_k: Iterable[float]) -> float:
    """Design ambient plus the settled rises of the enclosing devices, and of the device itself.

    The device's own rise is left out when its derating curve is against ambient air. Rises add up
    as in product-safety tests: T + (T_ma - T_amb) <= T_max (EN 60950-1:2006, 1.4.12.1).
    """
    rises_k = tuple(settled_rises_k)
    check(design_ambient_c, *rises_k)
    return design_ambient_c + sum(rises_k)


BOLTZMANN_EV_K = 1.380649e-23 / 1.602176634e-19
"""Boltzmann's constant in eV/K, from the exact constants of the SI (2019)."""

ABSOLUTE_ZERO_C = -273.15
DEFAULT_ACTIVATION_ENERGY_EV = 0.7
"""Usual for silicon when nothing better is known (common practice, no source)."""

KELVIN_PER_HALVING = 10.0
_MOST_EXPONENT = 600.0
HOURS_A_YEAR = 8760.0
LONGEST_CAPACITOR_LIFE_H = 15 * HOURS_A_YEAR
"""Seals age whatever the temperature; some 15 years (common practice, no source)."""


def arrhenius_factor(
    from_c: float, to_c: float, activation_energy_ev: float = DEFAULT_ACTIVATION_ENERGY_EV
) -> float:
    """Give how many times as long life lasts at `to_c` as at `from_c`; below 1 is shorter.

    exp[(Ea / k) (1 / T_to - 1 / T_from)], temperatures in K (Arrhenius; NIST/SEMATECH e-Handbook,
    8.1.5.1).
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
