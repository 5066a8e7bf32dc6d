"""The course since a loss, and the watch on forecasts."""

import json
import random
from math import exp, log

import pytest

from cabinetwatch.thermal.derating import Base, ForecastWatch, time_to_threshold
from cabinetwatch.thermal.kalman import Course

STEP_S = 10


def course_of(shares: list[tuple[float, float]], until_s: float, noise_k: float) -> Course:
    """A course that begins at 0 and rises by (way in K, time constant in s) each."""
    course, noise = Course(), random.Random(1)
    for t_s in range(-600, round(until_s) + 1, STEP_S):
        rise_k = sum(way * (1.0 - exp(-max(t_s, 0) / tau_s)) for way, tau_s in shares)
        course.add(1000 * t_s, rise_k + noise.gauss(0.0, noise_k), 0.0)
        if t_s == 60:
            course.begin(0)
    return course


def time_left_s(course: Course, threshold_k: float) -> float | None:
    """Middle of the forecast, with an ambient of 0 degC and no load."""
    deviations = course.headings(0.05)
    assert deviations is not None
    still = Base(0.0, [], 0.0, 0.05)
    return time_to_threshold(still, deviations, threshold_k, 50_000.0).time_left_s


@pytest.mark.parametrize("tau_s", [400.0, 1500.0, 6000.0])
def test_halfway_to_the_threshold_the_time_left_is_within_30_percent(tau_s: float) -> None:
    way_k, threshold_k = 12.0, 8.0
    crossing_s = -tau_s * log(1.0 - threshold_k / way_k)
    course = course_of([(way_k, tau_s)], crossing_s / 2, 0.05)
    left_s = time_left_s(course, threshold_k)
    assert left_s == pytest.approx(crossing_s / 2, rel=0.3)


def test_a_part_that_rises_at_once_is_not_taken_for_the_pace_of_the_rest() -> None:
    shares = [(5.0, 30.0), (10.0, 2000.0)]
    crossing_s = -2000.0 * log(1.0 - 6.0 / 10.0)
    course = course_of(shares, crossing_s / 2, 0.05)
    assert time_left_s(course, 11.0) == pytest.approx(crossing_s / 2, rel=0.3)


def test_a_row_of_masses_goes_on_longer_than_its_beginning_lets_one_expect() -> None:
    shares = [(3.0, 40.0), (3.0, 400.0), (6.0, 3000.0)]

    def rise_k(t_s: float) -> float:
        return sum(way * (1.0 - exp(-t_s / tau_s)) for way, tau_s in shares)

    course = course_of(shares, 800.0, 0.05)
    assert time_left_s(course, rise_k(1600.0)) == pytest.approx(800.0, rel=0.3)


def test_a_change_that_was_dated_too_early_is_dated_by_its_kink() -> None:
    course, noise = Course(), random.Random(3)
    for t_s in range(-1200, 601, STEP_S):
        rise_k = 10.0 * (1.0 - exp(-max(t_s, 0) / 2000.0))
        course.add(1000 * t_s, rise_k + noise.gauss(0.0, 0.05), 0.0)
        if t_s == 300:
            course.begin(-900_000)
    assert course.since_ms == pytest.approx(0, abs=60_000)


def test_what_lost_cooling_adds_follows_the_load() -> None:
    course, noise, rise_k = Course(), random.Random(4), 0.0
    for t_s in range(-600, 1501, STEP_S):
        load_goal_k = 20.0 if t_s < 900 else 10.0
        lost_k = 0.5 * load_goal_k if t_s > 0 else 0.0
        rise_k += (1.0 - exp(-STEP_S / 600.0)) * (lost_k - rise_k)
        course.add(1000 * t_s, rise_k + noise.gauss(0.0, 0.05), load_goal_k)
        if t_s == 60:
            course.begin(0)
    headings = course.headings(0.05)
    assert headings is not None
    assert headings[0].level_k == pytest.approx(rise_k, abs=0.15)
    assert headings[0].at_k(1200.0) == pytest.approx(5.0, abs=0.6)


def test_a_long_course_stays_small_and_goes_on_from_its_saved_state() -> None:
    course = course_of([(12.0, 1500.0)], 50_000.0, 0.05)
    assert len(course.rows) <= 121
    again = Course.load(json.loads(json.dumps(course.save())))
    for each in (course, again):
        each.add(50_010_000, 12.0, 0.0)
    first, second = course.headings(0.05), again.headings(0.05)
    assert first is not None
    assert second is not None
    assert first == second


def test_a_course_that_has_hardly_begun_gives_no_headings() -> None:
    course = Course()
    course.add(0, 0.0, 0.0)
    course.begin(0)
    course.add(10_000, 0.3, 0.0)
    assert course.headings(0.05) is None


def test_a_forecast_is_told_after_three_sure_steps_and_not_before() -> None:
    watch = ForecastWatch()
    told = [watch.observe(10_000 * i, 0.97) for i in range(4)]
    assert told == [False, False, True, True]
    assert watch.since_ms == 0


def test_one_unsure_step_begins_the_count_anew() -> None:
    watch = ForecastWatch()
    for i, probability in enumerate([0.99, 0.99, 0.9, 0.99, 0.99]):
        assert not watch.observe(10_000 * i, probability)
    assert watch.observe(50_000, 0.99)


def test_a_told_forecast_stands_until_three_steps_find_it_unlikely() -> None:
    watch = ForecastWatch(standing=True)
    for i, probability in enumerate([0.4, 0.6, 0.4, 0.4]):
        assert watch.observe(10_000 * i, probability)
    watch = ForecastWatch.load(json.loads(json.dumps(watch.save())))
    assert not watch.observe(40_000, 0.1)
