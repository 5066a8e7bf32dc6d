"""Dew points against PsychroLib and the Magnus formula's own published coefficients."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cabinetwatch.thermal.humidity import (
    check_air,
    dew_point_c,
    frost_point_c,
    saturation_pressure_hpa,
    warmed_humidity_percent,
)

CASES = [  # temperature, humidity, PsychroLib 2.5.0, Magnus 17.625/243.04 (Alduchov, Eskridge 1996)
    (25, 50, 13.8640, 13.8576),
    (25, 90, 23.2444, 23.2444),
    (20, 40, 6.0043, 5.9881),
    (35, 30, 14.8436, 14.8467),
    (30, 70, 23.9279, 23.9305),
    (40, 20, 12.7831, 12.7935),
]


@pytest.mark.parametrize(("air_c", "humidity", "psychrolib_c", "magnus_c"), CASES)
def test_dew_points_agree_with_both_references(
    air_c: float, humidity: float, psychrolib_c: float, magnus_c: float
) -> None:
    assert dew_point_c(air_c, humidity) == pytest.approx(psychrolib_c, abs=0.15)
    assert dew_point_c(air_c, humidity) == pytest.approx(magnus_c, abs=1e-4)


def test_below_zero_frost_forms_before_dew() -> None:
    # Magnus over water gives -2.1261 for 5 degC, 60 %; PsychroLib 2.5.0 the frost point, -1.8672.
    assert dew_point_c(5, 60) == pytest.approx(-2.1261, abs=1e-4)
    assert frost_point_c(5, 60) == pytest.approx(-1.8672, abs=0.1)
    assert frost_point_c(25, 50) is None


def test_saturation_pressure_at_25_degrees() -> None:
    # Alduchov and Eskridge's coefficients.
    assert saturation_pressure_hpa(25.0) == pytest.approx(31.617, abs=1e-3)


@pytest.mark.parametrize(("warmed_c", "humidity"), [(35, 28.16), (40, 21.46)])
def test_warmed_air_is_drier(warmed_c: float, humidity: float) -> None:
    # PsychroLib at equal humidity ratio; another vapour-pressure formula, hence the tolerance.
    assert warmed_humidity_percent(25, 50, warmed_c) == pytest.approx(humidity, abs=0.1)


def test_a_sensor_that_overshoots_still_gets_a_dew_point() -> None:
    assert dew_point_c(20, 104) == pytest.approx(20.0)
    assert dew_point_c(20, 0) < -40


@pytest.mark.parametrize(
    ("air_c", "humidity", "words"),
    [
        *((20, wrong, "relative humidity") for wrong in (0, -5, 101, float("nan"))),
        (80, 50, "-40 to 60"),
    ],
)
def test_impossible_air_is_refused_where_a_person_types_it(
    air_c: float, humidity: float, words: str
) -> None:
    with pytest.raises(ValueError, match=words):
        check_air(air_c, humidity)


@given(st.floats(-40, 60), st.floats(1, 100))
def test_the_dew_point_never_lies_above_the_air(air_c: float, humidity: float) -> None:
    assert dew_point_c(air_c, humidity) <= air_c + 1e-9
