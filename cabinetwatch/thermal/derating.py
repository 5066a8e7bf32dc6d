"""Derating curves: how much load a part may carry at which temperature."""

import math
from collections.abc import Sequence
from itertools import pairwise

Curve = Sequence[tuple[float, float]]
"""Points (temperature in degC, fraction of rated load allowed), temperatures rising, fractions
never rising, straight lines between; below the first point its fraction holds, above the last
nothing is allowed."""


def derating_threshold_c(curve: Curve, load_fraction: float) -> float:
    """Give the temperature at which a load is just allowed, in degC: the inverse of the curve.

    A load above everything the curve allows has no such temperature: -inf. Where the curve is
    level, the warm end of the level counts.
    """
    threshold_c = -math.inf
    if load_fraction <= curve[0][1]:
        threshold_c = curve[0][0]
    for (cool_c, more), (warm_c, less) in pairwise(curve):
        if load_fraction <= less:
            threshold_c = warm_c
        elif load_fraction <= more:
            threshold_c = cool_c + (warm_c - cool_c) * (more - load_fraction) / (more - less)
    return threshold_c


def altitude_lowering_k(altitude_m: float, base_m: float, k_per_km: float) -> float:
    """Give by how many K thin air lowers a threshold.

    Linear above `base_m`; 3.3 K per km above 900 m is the 1 K per 300 m of ASHRAE TC 9.9 for
    classes A1 and A2 (2015 and 2021 editions, from memory).
    """
    return max(0.0, altitude_m - base_m) / 1000.0 * k_per_km
