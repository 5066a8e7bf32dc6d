"""Life factors against published figures."""

import pytest

from cabinetwatch.thermal.life import (
    arrhenius_factor,
    capacitor_life_h,
    fan_life_h,
    ten_degree_factor,
)


@pytest.mark.parametrize(
    ("activation_ev", "use_c", "stress_c", "factor", "tolerance"),
    [
        (0.7, 55, 125, 78, 5e-3),  # JEDEC-style HTOL figure, second-hand
        (0.7, 55, 125, 77.645, 1e-4),
        (0.5, 25, 125, 133, 3e-3),  # NIST e-Handbook 8.1.5.1, from memory
        (1.0, 25, 125, 17_597, 3e-4),  # the same, with its slightly different constants
        (1.2, 60, 100, 88.29574588463338, 1e-9),  # documentation of the library "reliability"
        (0.7, 40, 50, 2.23162, 1e-5),
        (0.7, 55, 65, 2.07935, 1e-5),
        (0.7, 25, 35, 2.42094, 1e-5),
        (0.5, 40, 50, 1.77425, 1e-5),
    ],
)
def test_arrhenius_gives_the_published_factors(
    activation_ev: float, use_c: float, stress_c: float, factor: float, tolerance: float
) -> None:
    assert arrhenius_factor(use_c, stress_c, activation_ev) == pytest.approx(factor, rel=tolerance)


@pytest.mark.parametrize(
    ("temperature_c", "life_h"), [(95, 4000), (85, 8000), (65, 32_000), (55, 64_000), (45, 128_000)]
)
def test_the_ten_degree_rule_doubles_life(temperature_c: float, life_h: float) -> None:
    # Rubycon aluminium technical note 5-1; TDK electronics primer.
    assert capacitor_life_h(2000, 105, temperature_c, longest_h=1e9) == pytest.approx(life_h)


def test_no_capacitor_is_promised_more_than_fifteen_years() -> None:
    assert capacitor_life_h(5000, 105, 25) == 15 * 8760


@pytest.mark.parametrize(
    ("rise_k", "factor"), [(1, 1.0718), (2, 1.1487), (3, 1.2311), (5, 1.4142), (15, 2.8284)]
)
def test_a_rise_multiplies_ageing(rise_k: float, factor: float) -> None:
    assert ten_degree_factor(50.0, 50.0 + rise_k) == pytest.approx(factor, abs=1e-4)


def test_two_fan_makers_disagree() -> None:
    # Jamicon: 1.5 per 10 K; EAO/Sanyo Denki: 2 per 15 K.
    assert fan_life_h(75_000, 40, 60) == pytest.approx(33_333, abs=1)
    assert fan_life_h(18_900, 85, 60, factor=2.0, per_k=15.0) == pytest.approx(60_004, abs=1)
