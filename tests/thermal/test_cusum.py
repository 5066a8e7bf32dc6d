"""Run lengths and worked examples of the cumulative sum against published tables."""

import pytest

from cabinetwatch.thermal.detection import (
    Cusum,
    limit_for_run_length,
    normal_quantile_of_tail,
    run_length,
    siegmund_run_length,
    two_sided_run_length,
)

# h = 4: Lucas and Crosier 1982, Table 1; h = 4 and 5: Table 16-9 of Montgomery and Runger, Applied
# Statistics and Probability for Engineers (both second-hand). Three digits are published.
PUBLISHED = [
    (4, [168, 74.2, 26.6, 13.3, 8.38, 4.75, 3.34, 2.62, 2.19, 1.71]),
    (5, [465, 139, 38.0, 17.0, 10.4, 5.75, 4.01, 3.11, 2.57, 2.01]),
]
SHIFTS = [0, 0.25, 0.5, 0.75, 1, 1.5, 2, 2.5, 3, 4]
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


@pytest.mark.parametrize(
    ("h", "shift", "published"),
    [(h, s, arl) for h, row in PUBLISHED for s, arl in zip(SHIFTS, row, strict=True)],
)
def test_run_lengths_are_the_published_ones(h: float, shift: float, published: float) -> None:
    assert two_sided_run_length(0.5, h, shift) == pytest.approx(published, rel=6e-3)


@pytest.mark.parametrize(
    ("k", "h", "shift", "exact"),
    [
        (0.25, 8.01, 0, 370.33),  # Hawkins 1993 prints 370; exact by R package spc
        (0.5, 4.77, 0, 368.56),
        (1.0, 2.52, 1, 13.58),
        (0.5, 4, 0, 167.68),
        (0.5, 5, 0, 465.44),
    ],
)
def test_run_lengths_are_those_of_the_integral_equation(
    k: float, h: float, shift: float, exact: float
) -> None:
    assert two_sided_run_length(k, h, shift) == pytest.approx(exact, rel=5e-3)


@pytest.mark.parametrize(
    ("k", "h", "shift", "published"),
    [(0.5, 3, 0, 117.59), (0.5, 3, 1.5, 3.75), (0, 10, -0.25, 2071.51), (0, 10, 0.5, 20.37)],
)
def test_one_sided_run_lengths(k: float, h: float, shift: float, published: float) -> None:
    # Brook and Evans 1972; Vance 1986 (second-hand).
    assert run_length(k, h, shift) == pytest.approx(published, rel=5e-3)


def test_one_sided_is_about_twice_two_sided() -> None:
    # The trap: 335.37 and 167.68 are both "the" run length of k 0.5, h 4.
    assert run_length(0.5, 4) == pytest.approx(335.37, rel=1e-3)


@pytest.mark.parametrize(("h", "shift", "value"), [(4, 0, 169.05), (5, 0, 469.11), (5, 1, 10.34)])
def test_siegmunds_formula(h: float, shift: float, value: float) -> None:
    up, down = siegmund_run_length(0.5, h, shift), siegmund_run_length(0.5, h, -shift)
    assert 1 / (1 / up + 1 / down) == pytest.approx(value, rel=1e-3)


@pytest.mark.parametrize(("samples", "h"), [(1e4, 7.3608), (1e5, 9.6617), (1e6, 11.9641)])
def test_the_limit_for_a_wanted_run_length(samples: float, h: float) -> None:
    # R package spc, xcusum.crit, one-sided, k 0.5.
    assert limit_for_run_length(samples) == pytest.approx(h, abs=0.02)


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


def test_normal_quantiles() -> None:
    assert normal_quantile_of_tail(0.025) == pytest.approx(1.959963984540054, abs=1e-9)
