"""Theil-Sen and Mann-Kendall against scipy.stats.theilslopes and pymannkendall 1.4.3."""

from math import isclose
from pathlib import Path

import pytest
from scipy.stats import theilslopes

from cabinetwatch.thermal.drift import mann_kendall, ranks, theil_sen

DATA = Path(__file__).parent / "data"

SERIES: dict[str, list[float]] = {
    "ramp": [float(v) for v in range(1, 11)],
    "noisy": [10, 12, 11, 13, 15, 14, 16, 18, 17, 19],
    "wild": [20.0, 20.1, 20.2, 20.3, 20.4, 20.5, 20.6, 35.0, 20.8, 20.9, 21.0],
    "constant": [3.0] * 8,
    "ties": [1, 1, 2, 2, 3, 3, 4, 4],
}


def series(name: str) -> list[float]:
    if name in SERIES:
        return SERIES[name]
    return [float(line) for line in (DATA / f"{name}.txt").read_text().split()]


@pytest.mark.parametrize(
    ("name", "slope", "intercept", "s", "variance", "z", "p"),
    [
        ("ramp", 1, 1, 45, 125, 3.935480, 8.30307e-5),
        ("noisy", 1, 10, 39, 125, 3.398823, 6.76764e-4),
        ("wild", 0.1, 20.0, 49, 165, 3.736795, 1.86381e-4),
        ("constant", 0, 3, 0, 0, 0, 1),
        ("ties", 0.5, 0.75, 24, 61.33333, 2.936835, 3.3158e-3),
        ("nhtemp", 0.0344828, 50.1828, 624, 24530, 3.977766, 6.95657e-5),
        ("nile", -2.6, 1022.2, -1387, 112728.33, -4.128067, 3.65826e-5),
        ("lakehuron", -0.025125, 580.339, -1682, 106136.67, -5.159825, 2.4718e-7),
    ],
)
def test_slope_and_trend_are_the_reference_libraries(
    name: str, slope: float, intercept: float, s: int, variance: float, z: float, p: float
) -> None:
    y = series(name)
    line, trend = theil_sen(range(len(y)), y), mann_kendall(y)
    assert line is not None
    assert line.slope == pytest.approx(slope, rel=1e-5, abs=1e-12)
    assert line.intercept == pytest.approx(intercept, rel=1e-5)
    assert trend.s == s
    assert trend.variance == pytest.approx(variance, rel=1e-6)
    assert trend.z == pytest.approx(z, abs=1e-5)
    assert trend.p == pytest.approx(p, rel=1e-4)


@pytest.mark.parametrize("name", ["noisy", "wild", "ties", "nile", "lakehuron"])
def test_the_slope_is_scipys(name: str) -> None:
    y = series(name)
    line = theil_sen(range(len(y)), y)
    assert line is not None
    assert isclose(line.slope, theilslopes(y).slope, rel_tol=1e-9)


@pytest.mark.parametrize(
    ("name", "z", "p"),
    [
        ("nile", -2.819979, 4.80268e-3),
        ("lakehuron", -2.846189, 4.42459e-3),
        ("nhtemp", 3.977766, 6.95657e-5),
    ],
)
def test_the_correction_is_hamed_and_raos(name: str, z: float, p: float) -> None:
    trend = mann_kendall(series(name), autocorrelation=True)
    assert trend.z == pytest.approx(z, abs=1e-5)
    assert trend.p == pytest.approx(p, rel=1e-4)


@pytest.mark.parametrize("name", ["ramp", "noisy"])
def test_a_series_too_short_or_too_clean_for_the_correction_cant_be_told(name: str) -> None:
    # pymannkendall answers NaN and "no trend" on a perfect ramp: that must not be believed.
    assert mann_kendall(series(name), autocorrelation=True).p is None


def test_a_long_perfect_ramp_cant_be_corrected_either() -> None:
    assert mann_kendall([0.1 * i for i in range(60)], autocorrelation=True).p is None


@pytest.mark.parametrize("y", [[], [1.0], [1.0, 2.0]])
def test_fewer_than_three_values_tell_nothing(y: list[float]) -> None:
    assert mann_kendall(y).p is None


def test_one_point_has_no_slope() -> None:
    assert theil_sen([1.0], [2.0]) is None


def test_ties_share_their_mean_rank() -> None:
    assert ranks([3.0, 1.0, 3.0, 2.0]) == [3.5, 1.0, 3.5, 2.0]
