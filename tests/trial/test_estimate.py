"""Means, intervals and their differences."""

import math

import numpy as np
import pytest

from cabinetwatch.trial.readings import (
    Estimate,
    effective_size,
    lag_one,
    mean_of,
    rectangular,
    share_that_counts,
)

# R, data set sleep (Student 1908): extra hours of sleep by two drugs, ten patients each.
SLEEP_1 = np.array([0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0])
SLEEP_2 = np.array([1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4])


def test_two_means_differ_as_welch_has_it() -> None:
    # R 4.2.2, t.test(extra ~ group, data = sleep).
    difference = mean_of(SLEEP_1, correlated=False).minus(mean_of(SLEEP_2, correlated=False))
    assert difference.value == pytest.approx(-1.58)
    assert difference.dof == pytest.approx(17.776, abs=1e-3)
    assert difference.low == pytest.approx(-3.3654832, abs=1e-6)
    assert difference.high == pytest.approx(0.2054832, abs=1e-6)


def test_two_rises_differ_by_their_own_scatter() -> None:
    # Arithmetic, as scipy.stats.ttest_ind without equal variances has it.
    before = mean_of(np.array([8.1, 8.4, 7.9, 8.3, 8.2, 8.0, 8.5, 8.1]), correlated=False)
    after = mean_of(np.array([6.9, 7.2, 7.0, 6.8, 7.1, 7.3, 6.9, 7.0]), correlated=False)
    difference = before.minus(after)
    assert difference.value == pytest.approx(1.1625)
    assert difference.dof == pytest.approx(13.4932, abs=1e-3)
    assert (difference.low, difference.high) == pytest.approx((0.96245, 1.36255), abs=1e-5)


@pytest.mark.parametrize(
    ("count", "correlation", "worth"), [(100, 0.5, 33.33), (100, 0.9, 5.263), (144, 0.87, 10.01)]
)
def test_readings_that_hang_together_count_for_less(
    count: int, correlation: float, worth: float
) -> None:
    # n (1 - r) / (1 + r): Bayley and Hammersley 1946, from memory.
    assert count * share_that_counts(correlation) == pytest.approx(worth, rel=1e-3)


def test_neighbours_that_lean_apart_count_once() -> None:
    assert effective_size(np.array([1.0, -1.0] * 20)) == 40


def test_a_correlated_mean_is_as_sure_as_it_is() -> None:
    rng = np.random.default_rng(7)
    inside = 0
    for _ in range(300):
        value = np.zeros(200)
        for i in range(1, 200):
            value[i] = 0.8 * value[i - 1] + rng.standard_normal()
        mean = mean_of(value)
        inside += mean.low <= 0 <= mean.high
    assert inside / 300 > 0.9


def test_accuracy_counts_as_rectangular() -> None:
    # GUM, JCGM 100:2008, 4.3.7: u = a / sqrt(3); two sensors, coverage factor 2.
    assert rectangular(0.5, 0.5) == pytest.approx(2 * math.sqrt(2 * 0.25 / 3))
    assert rectangular() == 0


def test_an_uneven_interval_turns_about_in_a_difference() -> None:
    sure = Estimate(1.0, 1.0, 1.0)
    difference = sure.minus(Estimate(5.0, 4.0, 8.0))
    assert difference.low == pytest.approx(-7.0)
    assert difference.high == pytest.approx(-3.0)


def test_no_scatter_is_no_uncertainty() -> None:
    assert lag_one(np.zeros(5)) == 0.0
    still = mean_of(np.full(20, 3.0))
    assert (still.low, still.high) == (3.0, 3.0)
