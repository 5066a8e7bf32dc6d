"""Dew point, frost point and condensation margin, by the Magnus formula.

Below 0 degC the dew point is that over supercooled water, which lies up to 2.4 K below the frost
point: water appears as frost a little before the figure says.

Temperatures are held from -100 to 200 degC and humidities from 0.1 to 100 %, beyond which the
formula means nothing, and sensors overshoot; a ValueError for what is no number.
"""

from __future__ import annotations

from math import exp, isnan, log
from typing import NamedTuple

from cabinetwatch.thermal.windows import check, checked


class Magnus(NamedTuple):
    """e = pressure_hpa exp(a T / (b_c + T)), T in degC."""

    a: float
    b_c: float
    pressure_hpa: float
    source: str


WATER = Magnus(17.625, 243.04, 6.1094, "Alduchov and Eskridge 1996, over water, -40 to 50 °C")
"""J. Applied Meteorology 35, 601-609."""

ICE = Magnus(
    22.587, 273.86, 6.1121, "Alduchov and Eskridge 1996, over ice, -80 to 0 °C, from memory"
)
LOWEST_C = -40.0
HIGHEST_C = 60.0
_MEANT_C = (-100.0, 200.0)
_MEANT_PERCENT = (0.1, 100.0)
_LARGEST_EXPONENT = 700.0
"""The exponential of a little more is beyond a float."""


def check_air(temperature_c: float, relative_humidity_percent: float) -> None:
    """Refuse air that the formula does not hold for, where a person types the figures.

    ValueError for humidity outside 0 (not included) to 100, temperature outside -40 to 60 degC.
    """
    if not 0 < relative_humidity_percent <= 100:
        raise ValueError(
            f"relative humidity lies above 0 and up to 100 %, not at {relative_humidity_percent:zg}"
        )
    if not LOWEST_C <= temperature_c <= HIGHEST_C:
        raise ValueError(
            f"the formula holds from {LOWEST_C:zg} to {HIGHEST_C:zg} °C, not at {temperature_c:zg}"
        )


def _held(value: float, lowest: float, highest: float) -> float:
    if lowest <= value <= highest:
        return value
    if isnan(value):
        raise ValueError("no number says nothing of any air")
    return lowest if value < lowest else highest


def saturation_pressure_hpa(temperature_c: float, coefficients: Magnus = WATER) -> float:
    """Pressure of saturated water vapour.

    ValueError for no number, or coefficients that fit no air.
    """
    temperature_c = _held(temperature_c, *_MEANT_C)
    if not coefficients.b_c > -_MEANT_C[0]:
        raise ValueError("the formula has a pole at a temperature that air can have")
    exponent = coefficients.a * temperature_c / (coefficients.b_c + temperature_c)
    if not exponent < _LARGEST_EXPONENT:
        raise ValueError("no air holds so much water")
    return checked(coefficients.pressure_hpa * exp(exponent))


def dew_point_c(temperature_c: float, relative_humidity_percent: float) -> float:
    """Temperature at which this air begins to wet a surface.

    Humidity is held between 0.1 and 100 %: sensors overshoot at both ends.
    """
    humidity = _held(relative_humidity_percent, *_MEANT_PERCENT)
    temperature_c = _held(temperature_c, *_MEANT_C)
    g = log(humidity / 100.0) + WATER.a * temperature_c / (WATER.b_c + temperature_c)
    return WATER.b_c * g / (WATER.a - g)


def frost_point_c(temperature_c: float, relative_humidity_percent: float) -> float | None:
    """Where frost forms on a surface; None when the dew point lies above 0 degC.

    The humidity is taken against water, as sensors give it; the vapour's pressure is then looked up
    over ice.
    """
    if dew_point_c(temperature_c, relative_humidity_percent) > 0:
        return None
    humidity = _held(relative_humidity_percent, *_MEANT_PERCENT)
    pressure_hpa = saturation_pressure_hpa(temperature_c) * humidity / 100
    g = log(pressure_hpa / ICE.pressure_hpa)
    return min(0.0, ICE.b_c * g / (ICE.a - g))


def warmed_humidity_percent(
    temperature_c: float, relative_humidity_percent: float, warmed_c: float
) -> float:
    """Relative humidity of the same air at another temperature."""
    share = saturation_pressure_hpa(temperature_c) / saturation_pressure_hpa(warmed_c)
    check(relative_humidity_percent)
    return relative_humidity_percent * share
