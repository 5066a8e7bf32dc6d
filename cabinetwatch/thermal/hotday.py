"""The hottest day: what a device will have when the air outside is at its hottest.

ValueError for figures that can't be reckoned with.
"""

from __future__ import annotations

from collections.abc import Iterable

from cabinetwatch.thermal.bounds import check


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
