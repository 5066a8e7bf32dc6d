"""Dust is found before the margin is gone; slope and significance are the reference libraries'."""

import json
import random
from pathlib import Path

import pytest

from cabinetwatch.thermal.drift import DAY_MS, HOUR_MS, DriftObserver, mann_kendall, theil_sen

HORIZON_DAYS = 90.0


def first_alarm_day(
    per_week: float, days: int, seed: int, margin_k: float = 5.0, rise_k: float = 12.0
) -> int | None:
    """Day on which drift is told, for a compound climb with autocorrelated days and noise."""
    noise = random.Random(seed)
    observer = DriftObserver()
    wander = 0.0
    for day in range(days):
        wander = 0.6 * wander + noise.gauss(0, 0.008)
        level = (1 + per_week) ** (day / 7) + wander
        for hour in range(24):
            observer.observe(day * DAY_MS + hour * HOUR_MS, level + noise.gauss(0, 0.01))
        left_k = margin_k - rise_k * ((1 + per_week) ** (day / 7) - 1)
        if observer.assess(left_k, rise_k).within(HORIZON_DAYS):
            return day
    return None


@pytest.mark.parametrize(("per_week", "seed"), [(0.01, 0), (0.03, 1)])
def test_dust_is_found_before_the_margin_is_gone(per_week: float, seed: int) -> None:
    day = first_alarm_day(per_week, 300, seed)
    assert day is not None
    assert 12.0 * ((1 + per_week) ** (day / 7) - 1) < 5.0


def test_an_undisturbed_year_raises_nothing() -> None:
    assert first_alarm_day(0.0, 365, seed=0) is None


def test_three_weeks_are_needed_to_tell() -> None:
    observer = DriftObserver()
    for hour in range(24 * 15):
        observer.observe(hour * HOUR_MS, 1.0 + hour * 1e-4)
    assert observer.assess(5.0, 12.0).significant is None


def test_the_pace_and_the_day_it_runs_out_are_told() -> None:
    observer = DriftObserver()
    noise = random.Random(5)
    for hour in range(24 * 60):
        observer.observe(hour * HOUR_MS, 1.0 + 0.02 * hour / 168 + noise.gauss(0, 0.004))
    finding = observer.assess(3.0, 12.0)
    assert finding.significant
    assert finding.climb_per_week == pytest.approx(0.02, rel=0.2)
    # 2 % of 12 K a week is 0.24 K a week: 3 K last 12.5 weeks.
    assert finding.exhausted_in_days == pytest.approx(87.5, rel=0.25)


def test_a_restart_changes_nothing() -> None:
    one, other = DriftObserver(), DriftObserver()
    noise = random.Random(6)
    for hour in range(24 * 40):
        ratio = 1.0 + 0.01 * hour / 168 + noise.gauss(0, 0.01)
        one.observe(hour * HOUR_MS, ratio)
        other.observe(hour * HOUR_MS, ratio)
        if hour % 97 == 0:
            other = DriftObserver.load(json.loads(json.dumps(other.save())))
    assert one.save() == other.save()
    assert one.assess(5.0, 12.0) == other.assess(5.0, 12.0)


DATA = Path(__file__).parent / "data"
SERIES: dict[str, list[float]] = {
    name: [float(line) for line in (DATA / f"{name}.txt").read_text().split()]
    for name in ("nhtemp", "nile", "lakehuron")
}
SERIES |= {
    "ramp": [float(v) for v in range(1, 11)],
    "noisy": [10, 12, 11, 13, 15, 14, 16, 18, 17, 19],
    "wild": [20.0, 20.1, 20.2, 20.3, 20.4, 20.5, 20.6, 35.0, 20.8, 20.9, 21.0],
    "constant": [3.0] * 8,
    "ties": [1, 1, 2, 2, 3, 3, 4, 4],
    "long ramp": [0.1 * i for i in range(60)],
}


@pytest.mark.parametrize(
    ("name", "slope", "intercept", "s", "variance", "z", "p"),
    # scipy.stats.theilslopes and pymannkendall 1.4.3.
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
    y = SERIES[name]
    line, trend = theil_sen(range(len(y)), y), mann_kendall(y)
    assert line is not None
    assert line.slope == pytest.approx(slope, rel=1e-5, abs=1e-12)
    assert line.intercept == pytest.approx(intercept, rel=1e-5)
    assert trend.s == s
    assert trend.variance == pytest.approx(variance, rel=1e-6)
    assert trend.z == pytest.approx(z, abs=1e-5)
    assert trend.p == pytest.approx(p, rel=1e-4)


@pytest.mark.parametrize(
    ("name", "z", "p"),
    [
        ("nile", -2.819979, 4.80268e-3),
        ("lakehuron", -2.846189, 4.42459e-3),
        ("nhtemp", 3.977766, 6.95657e-5),
    ],
)
def test_the_correction_is_hamed_and_raos(name: str, z: float, p: float) -> None:
    # pymannkendall 1.4.3.
    trend = mann_kendall(SERIES[name], autocorrelation=True)
    assert trend.z == pytest.approx(z, abs=1e-5)
    assert trend.p == pytest.approx(p, rel=1e-4)


@pytest.mark.parametrize("name", ["ramp", "noisy", "long ramp"])
def test_a_series_too_short_or_too_clean_for_the_correction_cant_be_told(name: str) -> None:
    # pymannkendall answers NaN and "no trend" on a perfect ramp: that must not be believed.
    assert mann_kendall(SERIES[name], autocorrelation=True).p is None


@pytest.mark.parametrize("y", [[], [1.0], [1.0, 2.0]])
def test_fewer_than_three_values_tell_nothing(y: list[float]) -> None:
    assert mann_kendall(y).p is None
    assert len(y) == 2 or theil_sen(range(len(y)), y) is None
