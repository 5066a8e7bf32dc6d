"""Dust is found before the margin is gone, and undisturbed records raise nothing."""

import json
import random

import pytest

from cabinetwatch.thermal.drift import DAY_MS, HOUR_MS, DriftObserver

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


@pytest.mark.parametrize("per_week", [0.01, 0.02, 0.03])
@pytest.mark.parametrize("seed", range(4))
def test_dust_is_found_before_the_margin_is_gone(per_week: float, seed: int) -> None:
    day = first_alarm_day(per_week, 300, seed)
    assert day is not None
    assert 12.0 * ((1 + per_week) ** (day / 7) - 1) < 5.0


@pytest.mark.parametrize("seed", range(8))
def test_an_undisturbed_year_raises_nothing(seed: int) -> None:
    assert first_alarm_day(0.0, 365, seed) is None


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
