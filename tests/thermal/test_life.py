"""Life at other temperatures, against published figures."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cabinetwatch.thermal.derating import (
    arrhenius_factor,
    bearing_life_h,
    capacitor_life_h,
    equivalent_activation_energy_ev,
    ten_degree_factor,
)


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
    ],
)
def test_arrhenius_gives_the_published_acceleration(
    energy_ev: float, use_c: float, stress_c: float, published: float, tolerance: float
) -> None:
    assert arrhenius_factor(stress_c, use_c, energy_ev) == pytest.approx(published, rel=tolerance)


def test_warmer_is_shorter_by_both_rules() -> None:
    # Arithmetic: 0.7 eV from 40 to 50 degC ages 2.23162 times as fast.
    assert 1 / arrhenius_factor(40.0, 50.0) == pytest.approx(2.23162, rel=1e-5)
    assert ten_degree_factor(10.0) == 0.5


@pytest.mark.parametrize(
    ("at_c", "hours"), [(95.0, 4000.0), (85.0, 8000.0), (65.0, 32_000.0), (55.0, 64_000.0)]
)
def test_a_capacitor_follows_the_ten_degree_rule(at_c: float, hours: float) -> None:
    # Rubycon, technical notes on aluminium electrolytic capacitors, 5-1; TDK, electronics primer.
    assert capacitor_life_h(2000.0, 105.0, at_c) == pytest.approx(hours)


def test_a_capacitors_life_is_capped_where_its_seal_ages() -> None:
    # Some 15 years (common practice, no source).
    assert capacitor_life_h(2000.0, 105.0, 20.0) == 15 * 8760


@pytest.mark.parametrize(
    ("rise_k", "ageing"), [(1, 1.0718), (3, 1.2311), (7, 1.6245), (15, 2.8284)]
)
def test_each_rise_multiplies_ageing(rise_k: float, ageing: float) -> None:
    assert 1 / ten_degree_factor(rise_k) == pytest.approx(ageing, rel=1e-4)


@pytest.mark.parametrize(
    ("at_c", "energy_ev"), [(25, 0.5488), (55, 0.6628), (85, 0.7876), (95, 0.8315)]
)
def test_the_rules_agree_at_one_energy_only(at_c: float, energy_ev: float) -> None:
    # Arithmetic from both formulas.
    assert equivalent_activation_energy_ev(at_c) == pytest.approx(energy_ev, abs=1e-4)


def test_bearings_follow_the_makers_two_rules() -> None:
    # Jamicon, note on fan life: 75 000 h at 40 -> 33 333 h at 60 degC (1.5 every 10 K).
    assert bearing_life_h(75_000, 40, 60) == pytest.approx(33_333, rel=1e-4)
    # EAO / Sanyo Denki: 18 900 h at 85 -> 60 000 h at 60 degC (2 every 15 K).
    assert bearing_life_h(18_900, 85, 60, 2.0, 15.0) == pytest.approx(60_000, rel=1e-3)


def test_below_absolute_zero_is_refused() -> None:
    with pytest.raises(ValueError, match="absolute zero"):
        arrhenius_factor(-300.0, 20.0)


@given(st.floats(-40, 120), st.floats(-40, 120))
def test_there_and_back_changes_nothing(one_c: float, other_c: float) -> None:
    there_and_back = arrhenius_factor(one_c, other_c) * arrhenius_factor(other_c, one_c)
    assert there_and_back == pytest.approx(1.0)
