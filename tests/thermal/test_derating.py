"""Derating curves and hot-day sums against published curves worked by hand."""

import math

import pytest

from cabinetwatch.thermal.derating import (
    DeratingCurve,
    altitude_lowering_k,
    carried_to_ambient_c,
    combined_fraction,
    hot_day_margin_k,
)

# interfacebus, Power Supply Derating Guide: 100 % to 50 degC, then 2.5 %/K to 50 % at 70 degC.
GUIDE = DeratingCurve([(50.0, 1.0), (70.0, 0.5)])
# The same page: 100 % at 50, 75 % at 60, then 10 %/K to 65 degC.
STEEP = DeratingCurve([(50.0, 1.0), (60.0, 0.75), (65.0, 0.25)])


@pytest.mark.parametrize(
    ("temperature_c", "fraction"),
    [(25, 1.0), (50, 1.0), (55, 0.875), (60, 0.75), (65, 0.625), (70, 0.5), (71, 0.0)],
)
def test_the_guides_curve_is_read_right(temperature_c: float, fraction: float) -> None:
    assert GUIDE.fraction_at(temperature_c) == pytest.approx(fraction)


@pytest.mark.parametrize(
    ("temperature_c", "fraction"), [(55, 0.875), (60, 0.75), (62, 0.55), (65, 0.25), (66, 0.0)]
)
def test_a_curve_with_two_slopes_is_read_right(temperature_c: float, fraction: float) -> None:
    assert STEEP.fraction_at(temperature_c) == pytest.approx(fraction)


@pytest.mark.parametrize(
    ("load", "threshold_c"),
    [(1.0, 50), (0.9, 54), (0.8, 58), (0.75, 60), (0.6, 66), (0.5, 70), (0.4, 70), (None, 50)],
)
def test_the_threshold_is_the_inverse(load: float | None, threshold_c: float) -> None:
    assert GUIDE.threshold_c(load) == pytest.approx(threshold_c)


def test_more_than_the_rated_load_is_taken_as_full() -> None:
    assert GUIDE.threshold_c(1.03) == 50.0


def test_a_curve_that_starts_below_full_load_never_allows_it() -> None:
    assert DeratingCurve([(40.0, 0.8), (60.0, 0.5)]).threshold_c(0.9) == -math.inf


def test_the_margin_at_three_quarters_load_is_twelve_kelvin() -> None:
    assert GUIDE.threshold_c(0.75) - 48.0 == pytest.approx(12.0)


def test_two_curves_at_once_multiply() -> None:
    # Cosel, "How to read derating curve": 73 % times 90 % is 65.7 %.
    assert combined_fraction([0.73, 0.90]) == pytest.approx(0.657)


def test_a_flat_part_gives_its_far_end() -> None:
    assert DeratingCurve([(40.0, 1.0), (45.0, 1.0), (60.0, 0.5)]).threshold_c(1.0) == 45.0


@pytest.mark.parametrize(
    ("points", "text"),
    [
        ([], "at least one"),
        ([(50, 1.0), (50, 0.5)], "must rise"),
        ([(50, 0.5), (60, 0.6)], "never rise"),
        ([(50, 1.2)], "from 0 to 1"),
    ],
)
def test_an_impossible_curve_is_refused(points: list[tuple[float, float]], text: str) -> None:
    with pytest.raises(ValueError, match=text):
        DeratingCurve(points)


@pytest.mark.parametrize(
    ("altitude_m", "limit_c"), [(900, 32.0), (1000, 31.667), (1500, 30.0), (2400, 27.0)]
)
def test_class_a1_is_lowered_with_altitude(altitude_m: float, limit_c: float) -> None:
    # ASHRAE TC 9.9 class A1, 1 K per 300 m above 900 m (from memory).
    lowered = 32.0 - altitude_lowering_k(altitude_m, k_per_km=1000 / 300)
    assert lowered == pytest.approx(limit_c, abs=1e-3)


@pytest.mark.parametrize(
    ("measured_c", "ambient_c", "highest_c", "carried_c", "limit_c", "margin_k"),
    [(40, 20, 35, 55, 60, 5.0), (48, 22, 40, 66, 60, -6.0)],
)
def test_the_hot_day_is_the_safety_standards_sum(
    measured_c: float,
    ambient_c: float,
    highest_c: float,
    carried_c: float,
    limit_c: float,
    margin_k: float,
) -> None:
    # T + (T_ma - T_amb) <= T_max: EN 60950-1:2006, 1.4.12.1; figures by hand.
    assert carried_to_ambient_c(measured_c, ambient_c, highest_c) == carried_c
    assert hot_day_margin_k(limit_c, highest_c, [measured_c - ambient_c]) == margin_k
