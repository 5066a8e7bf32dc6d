"""The cumulative sum against published tables, and the bound of what sound cooling explains."""

import json

import numpy as np
import pytest
from scipy.special import ndtr

from cabinetwatch.thermal.detection import (
    BoundTest,
    Cusum,
    limit_for_run_length,
    siegmund_run_length,
)

# Montgomery, Introduction to Statistical Quality Control (read in a numerical library's example).
MONTGOMERY = [
    9.45, 7.99, 9.29, 11.66, 12.16, 10.18, 8.04, 11.46, 9.20, 10.34,
    9.03, 11.47, 10.51, 9.40, 10.08, 9.37, 10.62, 10.31, 8.52, 10.84,
    10.90, 9.33, 12.29, 11.50, 10.60, 11.08, 10.38, 11.62, 11.31, 10.52,
]  # fmt: skip
# NIST e-Handbook 6.3.2.3 (data and table from memory).
NIST = [
    324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600,
    324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350,
]  # fmt: skip


def exact_run_length(k: float, h: float, shift: float = 0.0, states: int = 120) -> float:
    """One-sided average run length by Brook and Evans 1972: the sum as a Markov chain."""

    def chain(n: int) -> float:
        width = 2.0 * h / (2 * n - 1)
        j, i = np.meshgrid(np.arange(n), np.arange(n))
        upper = ndtr((j - i + 0.5) * width + k - shift)
        lower = ndtr((j - i - 0.5) * width + k - shift)
        steps = np.where(j == 0, upper, upper - lower)
        return float(np.linalg.solve(np.eye(n) - steps, np.ones(n))[0])

    # The error falls with the square of the cell's width.
    coarse, fine = chain(states // 2), chain(states)
    return fine + (fine - coarse) / (((2 * states - 1) / (states - 1)) ** 2 - 1)


@pytest.mark.parametrize(
    ("k", "h", "shift", "published"),
    [
        # Brook and Evans 1972; Vance 1986 (second-hand).
        *((0.5, 3, 0, 117.59), (0.5, 3, 1.5, 3.75), (0, 10, -0.25, 2071.51), (0, 10, 0.5, 20.37)),
        # R package spc; two-sided it is half of that, 167.68 and 465.44.
        *((0.5, 4, 0, 335.37), (0.5, 5, 0, 930.89)),
    ],
)
def test_the_yardstick_of_run_lengths_gives_the_published_ones(
    k: float, h: float, shift: float, published: float
) -> None:
    assert exact_run_length(k, h, shift) == pytest.approx(published, rel=1e-3)


@pytest.mark.parametrize(
    ("k", "h", "shift", "published", "tolerance"),
    # Two-sided. h = 4: Lucas and Crosier 1982, Table 1; h = 4 and 5: Table 16-9 of Montgomery and
    # Runger, Applied Statistics and Probability for Engineers (both second-hand); 370: Hawkins 1993
    # (from memory). Siegmund's formula is an approximation.
    [
        *((0.5, 4, 0, 168, 0.01), (0.5, 4, 0.25, 74.2, 0.01), (0.5, 4, 0.5, 26.6, 0.01)),
        *((0.5, 4, 1, 8.38, 0.01), (0.5, 4, 2, 3.34, 0.04), (0.5, 4, 3, 2.19, 0.1)),
        *((0.5, 5, 0, 465, 0.01), (0.5, 5, 0.25, 139, 0.01), (0.5, 5, 0.75, 17.0, 0.01)),
        *((0.5, 5, 1, 10.4, 0.01), (0.5, 5, 1.5, 5.75, 0.02), (0.5, 5, 2.5, 3.11, 0.05)),
        *((0.25, 8.01, 0, 370, 0.01), (0.5, 4.77, 0, 370, 0.01), (0.75, 3.34, 0, 370, 0.03)),
    ],
)
def test_siegmunds_formula_comes_near_the_published_run_lengths(
    k: float, h: float, shift: float, published: float, tolerance: float
) -> None:
    above, below = siegmund_run_length(k, h, shift), siegmund_run_length(k, h, -shift)
    assert 1 / (1 / above + 1 / below) == pytest.approx(published, rel=tolerance)


@pytest.mark.parametrize(("h", "shift", "value"), [(4, 0, 169.05), (5, 0, 469.11), (5, 1, 10.34)])
def test_siegmunds_formula_is_his(h: float, shift: float, value: float) -> None:
    # By hand.
    above, below = siegmund_run_length(0.5, h, shift), siegmund_run_length(0.5, h, -shift)
    assert 1 / (1 / above + 1 / below) == pytest.approx(value, rel=1e-3)


@pytest.mark.parametrize(("samples", "h"), [(1e4, 7.3608), (1e5, 9.6617), (1e6, 11.9641)])
def test_the_limit_for_a_wanted_run_length(samples: float, h: float) -> None:
    # R package spc, xcusum.crit, one-sided, k 0.5.
    assert limit_for_run_length(samples) == pytest.approx(h, abs=0.02)
    assert exact_run_length(0.5, limit_for_run_length(samples)) == pytest.approx(samples, rel=0.01)


def test_montgomerys_example_alarms_at_29_and_dates_the_change_at_23() -> None:
    up, down = Cusum(0.5), Cusum(0.5)
    sums = [(up.add(x - 10.0), up.run) for x in MONTGOMERY]
    lows = [down.add(10.0 - x) for x in MONTGOMERY]
    first = next(i for i, (value, _) in enumerate(sums) if value > 5.0)
    assert first == 28
    assert sums[28][0] == pytest.approx(5.28, abs=1e-9)
    assert sums[28][1] == 7
    assert sums[29][0] == pytest.approx(5.30, abs=1e-9)
    assert max(lows) == lows[2] == pytest.approx(1.77, abs=1e-9)


def test_the_nist_example_alarms_at_14() -> None:
    up = Cusum(0.3175)
    sums = [up.add(x - 325.0) for x in NIST]
    printed = [3.01, 4.94, 7.45, 10.63, 11.99, 14.44, 16.00, 19.04]
    assert sums[12:] == pytest.approx(printed, abs=0.006)
    assert next(i for i, v in enumerate(sums, start=1) if v > 4.1959) == 14


TAU_S, NORMAL_K, GUARD_K, LIMIT_K = 1800.0, 10.0, 11.5, 0.5


def run(bound: BoundTest, levels_k: list[float], from_ms: int = 0) -> list[bool]:
    """Standing after each level, ten seconds apart."""
    found = []
    for i, level_k in enumerate(levels_k):
        bound.advance(from_ms + 10_000 * i, 10.0, level_k, (GUARD_K, 0.0), 0.0, LIMIT_K, TAU_S)
        found.append(bound.standing)
    return found


def settled() -> BoundTest:
    bound = BoundTest()
    run(bound, [NORMAL_K] * 500)
    return bound


def test_a_cabinet_door_that_is_opened_and_closed_is_no_lost_cooling() -> None:
    opened = [NORMAL_K - 0.7 * i for i in range(10)] + [3.0] * 60
    closed = [3.0 + 0.7 * i for i in range(10)] + [NORMAL_K] * 200
    assert not any(run(settled(), opened + closed, 5_000_000))


def test_a_rise_beyond_normal_is_found_at_the_second_level_that_shows_it() -> None:
    bound = settled()
    assert run(bound, [10.9, 10.9], 5_000_000) == [False, True]
    assert bound.since_ms == pytest.approx(4_990_000, abs=10_000)


def test_a_single_wild_level_is_no_lost_cooling() -> None:
    assert run(settled(), [25.0, NORMAL_K, NORMAL_K], 5_000_000) == [False] * 3


def test_lost_cooling_is_found_after_a_low_load_too() -> None:
    bound = settled()
    run(bound, [4.0 + 6.0 * 0.99**i for i in range(2000)], 5_000_000)
    climb = [4.0 + 16.0 * (1 - 0.9945**i) for i in range(400)]
    assert run(bound, climb, 25_000_000)[-1]


def test_the_state_goes_on_as_saved() -> None:
    first = BoundTest(-1)
    run(first, [-NORMAL_K + 0.01 * i for i in range(50)])
    second = BoundTest.load(json.loads(json.dumps(first.save())))
    levels = [-NORMAL_K + 0.3 * i for i in range(50)]
    assert run(first, levels, 500_000) == run(second, levels, 500_000)
    assert first.save() == second.save()
