"""Derating curves, hot-day sums and life at other temperatures, against published figures."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cabinetwatch.thermal.derating import (
    DeratingCurve,
    altitude_lowering_k,
    arrhenius_factor,
    bearing_life_h,
    capacitor_life_h,
    hot_day_temperature_c,
    ten_degree_factor,
)

# interfacebus, Power Supply Derating Guide: 100 % to 50 degC, then 2.5 %/K to 50 % at 70 degC.
GUIDE = DeratingCurve([(50.0, 1.0), (70.0, 0.5)])
# The same page: 100 % at 50, 75 % at 60, then 10 %/K to 65 degC.
STEEP = DeratingCurve([(50.0, 1.0), (60.0, 0.75), (65.0, 0.25)])


@pytest.mark.parametrize(
    ("curve", "load", "threshold_c"),
    [
        *((GUIDE, 1.0, 50), (GUIDE, 0.9, 54), (GUIDE, 0.875, 55), (GUIDE, 0.8, 58)),
        *((GUIDE, 0.75, 60), (GUIDE, 0.625, 65), (GUIDE, 0.6, 66), (GUIDE, 0.5, 70)),
        # Above its last point a curve allows nothing.
        (GUIDE, 0.4, 70),
        (GUIDE, None, 50),
        # More than the rated load is taken as full.
        (GUIDE, 1.03, 50),
        *((STEEP, 0.875, 55), (STEEP, 0.75, 60), (STEEP, 0.55, 62), (STEEP, 0.25, 65)),
        # A flat part gives its far end.
        (DeratingCurve([(40.0, 1.0), (45.0, 1.0), (60.0, 0.5)]), 1.0, 45),
        # One that starts below full load never allows it.
        (DeratingCurve([(40.0, 0.8), (60.0, 0.5)]), 0.9, -math.inf),
    ],
)
def test_the_threshold_is_where_a_curve_just_allows_the_load(
    curve: DeratingCurve, load: float | None, threshold_c: float
) -> None:
    assert curve.threshold_c(load) == pytest.approx(threshold_c)


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
    ("measured_c", "ambient_c", "highest_c", "hot_c"), [(40, 20, 35, 55), (48, 22, 40, 66)]
)
def test_the_hot_day_is_the_safety_standards_sum(
    measured_c: float, ambient_c: float, highest_c: float, hot_c: float
) -> None:
    # T + (T_ma - T_amb), held against T_max: EN 60950-1:2006, 1.4.12.1; figures by hand.
    assert hot_day_temperature_c(highest_c, [measured_c - ambient_c]) == hot_c


@pytest.mark.parametrize(
    ("energy_ev", "use_c", "stress_c", "published", "tolerance"),
    [
        # JEDEC-style HTOL example: 78 (second-hand); exact constants of the SI give 77.645.
        (0.7, 55.0, 125.0, 78.0, 0.005),
        # NIST/SEMATECH e-Handbook 8.1.5.1: 133 and 17,597 (from memory; NIST uses 273.16 there).
        (0.5, 25.0, 125.0, 133.0, 0.003),
        (1.0, 25.0, 125.0, 17_597.0, 0.0002),
        # Documentation of the Python package "reliability" 0.9.0.
        (1.2, 60.0, 100.0, 88.29574588463338, 1e-9),
        # Arithmetic.
        (0.7, 40.0, 50.0, 2.23162, 1e-5),
    ],
)
def test_arrhenius_gives_the_published_acceleration(
    energy_ev: float, use_c: float, stress_c: float, published: float, tolerance: float
) -> None:
    assert arrhenius_factor(stress_c, use_c, energy_ev) == pytest.approx(published, rel=tolerance)


@given(st.floats(-40, 120), st.floats(-40, 120))
def test_there_and_back_changes_nothing(one_c: float, other_c: float) -> None:
    there_and_back = arrhenius_factor(one_c, other_c) * arrhenius_factor(other_c, one_c)
    assert there_and_back == pytest.approx(1.0)


def test_below_absolute_zero_is_refused() -> None:
    with pytest.raises(ValueError, match="absolute zero"):
        arrhenius_factor(-300.0, 20.0)


@pytest.mark.parametrize(
    ("at_c", "energy_ev"), [(25, 0.5488), (55, 0.6628), (85, 0.7876), (95, 0.8315)]
)
def test_the_two_rules_agree_at_one_energy_only(at_c: float, energy_ev: float) -> None:
    # Arithmetic from both formulas: ten degrees halve life by Arrhenius too at this energy.
    assert arrhenius_factor(at_c, at_c + 10.0, energy_ev) == pytest.approx(0.5, rel=1e-4)
    assert ten_degree_factor(10.0) == 0.5


@pytest.mark.parametrize(
    ("at_c", "hours"),
    # Rubycon, technical notes on aluminium electrolytic capacitors, 5-1; TDK, electronics primer.
    # The last: its seal ages, some 15 years (common practice, no source).
    [(95.0, 4000.0), (85.0, 8000.0), (65.0, 32_000.0), (55.0, 64_000.0), (20.0, 15 * 8760)],
)
def test_a_capacitor_follows_the_ten_degree_rule(at_c: float, hours: float) -> None:
    assert capacitor_life_h(2000.0, 105.0, at_c) == pytest.approx(hours)


@pytest.mark.parametrize(
    ("rise_k", "ageing"), [(1, 1.0718), (3, 1.2311), (7, 1.6245), (15, 2.8284)]
)
def test_each_rise_multiplies_ageing(rise_k: float, ageing: float) -> None:
    assert 1 / ten_degree_factor(rise_k) == pytest.approx(ageing, rel=1e-4)


def test_bearings_follow_the_makers_two_rules() -> None:
    # Jamicon, note on fan life: 75 000 h at 40 -> 33 333 h at 60 degC (1.5 every 10 K).
    assert bearing_life_h(75_000, 40, 60) == pytest.approx(33_333, rel=1e-4)
    # EAO / Sanyo Denki: 18 900 h at 85 -> 60 000 h at 60 degC (2 every 15 K).
    assert bearing_life_h(18_900, 85, 60, 2.0, 15.0) == pytest.approx(60_000, rel=1e-3)
