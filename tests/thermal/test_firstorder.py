"""First-order response formulas against arithmetic done by hand."""

from math import inf

import pytest

from cabinetwatch.thermal.firstorder import (
    asymptote_of_three,
    filter_gain,
    first_steady_window_s,
    fraction_reached,
    missing_k,
    time_to_fraction_s,
    time_to_limit_s,
)


@pytest.mark.parametrize(
    ("taus", "percent"), [(1, 63.2121), (2, 86.4665), (3, 95.0213), (4, 98.1684), (5, 99.3262)]
)
def test_a_rise_reaches_the_textbook_percentages(taus: float, percent: float) -> None:
    # 1 - exp(-n): any textbook on first-order systems.
    assert 100 * fraction_reached(taus * 700.0, 700.0) == pytest.approx(percent, abs=1e-4)


@pytest.mark.parametrize(
    ("fraction", "taus"), [(0.5, 0.69315), (0.9, 2.30259), (0.95, 2.99573), (0.99, 4.60517)]
)
def test_time_to_a_fraction_is_the_inverse(fraction: float, taus: float) -> None:
    assert time_to_fraction_s(fraction, 1.0) == pytest.approx(taus, abs=1e-5)


def test_a_fraction_of_one_is_never_reached() -> None:
    with pytest.raises(ValueError, match="below 1"):
        time_to_fraction_s(1.0, 60.0)


def test_three_samples_give_asymptote_and_time_constant() -> None:
    # Samples of 58 - 20 exp(-t/1200) at 0, 300, 600 s, computed by hand.
    answer = asymptote_of_three(38.0, 42.42398, 45.86939, 300.0)
    assert answer is not None
    assert answer[0] == pytest.approx(58.0, abs=1e-3)
    assert answer[1] == pytest.approx(1200.0, abs=0.1)


@pytest.mark.parametrize(
    "samples", [(1.0, 2.0, 3.0), (1.0, 2.0, 4.0), (1.0, 2.0, 1.5), (1.0, 1.0, 1.0)]
)
def test_samples_that_approach_nothing_have_no_asymptote(
    samples: tuple[float, float, float],
) -> None:
    assert asymptote_of_three(*samples, 60.0) is None


@pytest.mark.parametrize(
    ("limit_c", "time_s"), [(40.0, 126.43), (45.0, 516.94), (50.0, 1099.55), (55.0, 2276.54)]
)
def test_time_to_limit_solves_the_exponential(limit_c: float, time_s: float) -> None:
    assert time_to_limit_s(38.0, 58.0, 1200.0, limit_c) == pytest.approx(time_s, abs=0.01)


def test_a_limit_beyond_the_asymptote_is_never_reached() -> None:
    assert time_to_limit_s(38.0, 58.0, 1200.0, 58.0) == inf
    assert time_to_limit_s(60.0, 58.0, 1200.0, 58.5) == 0.0


@pytest.mark.parametrize(("step_s", "gain"), [(10, 0.0082987), (30, 0.0246901), (60, 0.0487706)])
def test_filter_gain_is_exact(step_s: float, gain: float) -> None:
    assert filter_gain(step_s, 1200.0) == pytest.approx(gain, abs=1e-7)


def test_the_steady_state_criterion_is_met_before_the_end() -> None:
    # Rise changes by at most 3 K in 30 min (IEC 62368-1, from memory); figures computed by hand.
    start_s = first_steady_window_s(20.0, 1200.0)
    assert start_s == pytest.approx(1973.57, abs=0.01)
    assert missing_k(20.0, 1200.0, start_s) == pytest.approx(3.862, abs=1e-3)
    assert missing_k(20.0, 1200.0, start_s + 1800.0) == pytest.approx(0.862, abs=1e-3)
