"""Means, intervals and their differences."""

import math

import numpy as np
import pytest

from cabinetwatch.trial.readings import (
    Estimate,
    Floats,
    lag_one,
    mean_of,
    rectangular,
    share_that_counts,
)


def plain_mean(values: list[float]) -> Estimate:
    """The mean of readings that have nothing to do with each other."""
    from scipy.stats import t as student  # noqa: PLC0415 - takes a second

    dof, mean = len(values) - 1, float(np.mean(values))
    half = float(student.ppf(0.975, dof) * np.std(values, ddof=1) / math.sqrt(len(values)))
    return Estimate(mean, mean - half, mean + half, dof)


@pytest.mark.parametrize(
    ("one", "other", "value", "dof", "ends"),
    [
        # R 4.2.2, t.test(extra ~ group, data = sleep): Student 1908, extra hours of sleep by two
        # drugs, ten patients each.
        (
            [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0],
            [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4],
            -1.58,
            17.776,
            (-3.3654832, 0.2054832),
        ),
        # Arithmetic, as scipy.stats.ttest_ind without equal variances has it.
        (
            [8.1, 8.4, 7.9, 8.3, 8.2, 8.0, 8.5, 8.1],
            [6.9, 7.2, 7.0, 6.8, 7.1, 7.3, 6.9, 7.0],
            1.1625,
            13.4932,
            (0.96245, 1.36255),
        ),
    ],
)
def test_two_means_differ_as_welch_has_it(
    one: list[float], other: list[float], value: float, dof: float, ends: tuple[float, float]
) -> None:
    difference = plain_mean(one).minus(plain_mean(other))
    assert difference.value == pytest.approx(value)
    assert difference.dof == pytest.approx(dof, abs=1e-3)
    assert (difference.low, difference.high) == pytest.approx(ends, abs=5e-6)


@pytest.mark.parametrize(
    ("correlation", "part"), [(0.5, 0.3333), (0.9, 0.05263), (0.87, 0.06952), (-1.0, 1.0)]
)
def test_readings_that_hang_together_count_for_less(correlation: float, part: float) -> None:
    # (1 - r) / (1 + r): Bayley and Hammersley 1946, from memory; those that lean apart count once.
    assert share_that_counts(correlation) == pytest.approx(part, rel=1e-3)


def test_a_correlated_mean_is_as_sure_as_it_is() -> None:
    rng = np.random.default_rng(7)
    inside = 0
    for _ in range(300):
        value: Floats = np.zeros(200)
        for i in range(1, 200):
            value[i] = 0.8 * value[i - 1] + rng.standard_normal()
        mean = mean_of(value)
        inside += mean.low <= 0 <= mean.high
    assert inside / 300 > 0.9
    still = mean_of(np.full(20, 3.0))
    assert (still.low, still.high, lag_one(np.zeros(5))) == (3.0, 3.0, 0.0)


def test_accuracy_counts_as_rectangular() -> None:
    # GUM, JCGM 100:2008, 4.3.7: u = a / sqrt(3); two sensors, coverage factor 2.
    assert rectangular(0.5, 0.5) == pytest.approx(2 * math.sqrt(2 * 0.25 / 3))
    assert rectangular() == 0


def test_an_uneven_interval_turns_about_in_a_difference() -> None:
    difference = Estimate(1.0, 1.0, 1.0).minus(Estimate(5.0, 4.0, 8.0))
    assert (difference.low, difference.high) == pytest.approx((-7.0, -3.0))
