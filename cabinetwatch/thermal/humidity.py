"""Dew point and condensation margin, by the Magnus formula.

Coefficients over water of Alduchov and Eskridge 1996 (J. Applied Meteorology 35, 601-609): 17.625,
243.04 degC. They are used below 0 degC too: the result is then the dew point over supercooled
water, which lies up to 2.4 K below the frost point; water appears as frost a little before the
figure says.
"""

from __future__ import annotations

from collections.abc import Iterable
from math import exp, log

_A = 17.625
_B_C = 243.04
_E0_HPA = 6.1094


def saturation_pressure_hpa(temperature_c: float) -> float:
    """Vapour pressure over water at saturation."""
    return _E0_HPA * exp(_A * temperature_c / (_B_C + temperature_c))


def dew_point_c(temperature_c: float, relative_humidity_percent: float) -> float:
    """Temperature at which this air begins to wet a surface.

    Humidity is held between 0.1 and 100 %: sensors overshoot at both ends.
    """
    humidity = min(100.0, max(0.1, relative_humidity_percent))
    g = log(humidity / 100.0) + _A * temperature_c / (_B_C + temperature_c)
    return _B_C * g / (_A - g)


def warmed_humidity_percent(
    temperature_c: float, relative_humidity_percent: float, warmed_c: float
) -> float:
    """Relative humidity of the same air at another temperature."""
    share = saturation_pressure_hpa(temperature_c) / saturation_pressure_hpa(warmed_c)
    return relative_humidity_percent * share


def condensation_distance_k(dew_point: float, surfaces_c: Iterable[float]) -> float | None:
    """Coldest surface minus dew point; None without a surface."""
    coldest = min(surfaces_c, default=None)
    return None if coldest is None else coldest - dew_point
