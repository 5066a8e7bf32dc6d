"""Where a rise is heading: single courses, the course since a loss, and the watch on forecasts."""

import json
import random
from math import exp, log

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cabinetwatch.thermal.forecast import (
    Base,
    ForecastWatch,
    Heading,
    highest_c,
    time_to_threshold,
)
from cabinetwatch.thermal.heading import (
    Course,
    HeadingFilter,
)

RISING = Heading(1.0, 10.0, ((4.0, 100.0), (2.0, 1000.0)), 0.5, 300.0)
STEP_S = 10


def test_a_heading_is_now_where_its_ways_have_not_brought_it_yet() -> None:
    assert RISING.level_k == RISING.at_k(0.0) == pytest.approx(4.0)
    assert RISING.at_k(1e6) == pytest.approx(10.0)
    # After its time constant 36.8 % of a way is left (first-order response).
    assert RISING.at_k(100.0) == pytest.approx(10.0 - 4.0 * 0.3679 - 2.0 * 0.9048, abs=1e-3)


def test_a_doubt_grows_from_nothing() -> None:
    assert RISING.at_k(0.0, 1.0) == pytest.approx(4.0)
    assert RISING.at_k(1e6, 1.0) == pytest.approx(11.0)


@pytest.mark.parametrize(("top_k", "goal_k"), [(12.0, 10.0), (7.0, 7.0), (2.0, 4.0)])
def test_held_below_a_top_it_starts_where_it_is_and_ends_there(top_k: float, goal_k: float) -> None:
    held = RISING.held_below(top_k)
    assert held.level_k == pytest.approx(4.0)
    assert held.goal_k == pytest.approx(goal_k)


def test_a_way_that_is_doubted_widens_its_end_and_moves_nothing() -> None:
    doubted = RISING.doubted(0.5)
    assert doubted.sd_k == pytest.approx((0.5**2 + 3.0**2) ** 0.5)
    assert (doubted.level_k, doubted.goal_k) == (RISING.level_k, RISING.goal_k)


@pytest.mark.parametrize(
    ("limit_c", "time_s"), [(40.0, 126.43), (45.0, 516.94), (50.0, 1099.55), (55.0, 2276.54)]
)
def test_the_time_left_solves_the_exponential(limit_c: float, time_s: float) -> None:
    # tau ln((T_inf - T0)/(T_inf - T_lim)), from 38 to 58 degC at 1200 s, by hand; to a second.
    sure = Heading(1.0, 0.0, ((0.0, 1.0),), 0.0, 1.0)
    base = Base(58.0, [(-20.0, 1200.0)], 0.0, 0.0)
    forecast = time_to_threshold(base, [sure], limit_c, 3600.0)
    assert forecast.probability == pytest.approx(1.0)
    assert forecast.time_left_s == pytest.approx(time_s, abs=1.0)
    assert time_to_threshold(base, [sure], 58.5, 1e6).probability == 0.0
    assert time_to_threshold(base, [sure], 38.0, 0.0).time_left_s == 0.0


def test_a_state_of_ten_filters_goes_on_with_the_three_that_are_left() -> None:
    now = HeadingFilter(900.0)
    for _ in range(200):
        now.advance(10_000, 8.0, 0.01, 1e-6, 0.01)
    state = now.save()
    others = [[0.0, 40.0, 1.0, 0.0, 1.0]] * 3
    stated, slower, shared = state["filters"]
    state["filters"] = [others[0], stated, slower, *others[:2], shared, *others, others[0]]
    state["log_weights"] = [0.0] * 10
    went_on = HeadingFilter.load(json.loads(json.dumps(state)))
    assert went_on.stable_level_k == now.stable_level_k
    assert went_on.goal_k == pytest.approx(now.goal_k, abs=0.1)
    went_on.advance(10_000, 8.0, 0.01, 1e-6, 0.01)
    assert went_on.level_k == pytest.approx(8.0, abs=0.1)


def test_what_may_never_come_has_no_latest_instant() -> None:
    # One sigma of doubt (K) short of the threshold: one in five ends of the way lie below it.
    unsure = Heading(1.0, 20.0, ((20.0, 1200.0),), 3.0, 1200.0)
    forecast = time_to_threshold(Base(30.0, [], 0.0, 0.0), [unsure], 47.0, 1e5)
    assert forecast.probability == pytest.approx(0.8)
    assert forecast.soonest_s is not None
    assert forecast.time_left_s is not None
    assert forecast.soonest_s < forecast.time_left_s == pytest.approx(1200 * log(20 / 3), abs=1.0)
    assert forecast.latest_s is None


kelvin = st.floats(-30.0, 30.0)
ways = st.lists(st.tuples(kelvin, st.floats(30.0, 20_000.0)), max_size=4).map(tuple)
bases = st.builds(
    Base,
    goal_c=st.floats(-20.0, 90.0),
    ways=ways,
    trend_k_per_s=st.floats(-0.01, 0.01),
    doubt_k=st.floats(0.0, 5.0),
)
headings = st.builds(
    Heading,
    weight=st.just(1.0),
    goal_k=kelvin,
    ways=ways,
    sd_k=st.floats(0.0, 10.0),
    doubt_tau_s=st.floats(30.0, 20_000.0),
)


@given(bases, headings, st.floats(0.0, 40_000.0), st.floats(-1.65, 1.65))
def test_no_course_is_ever_warmer_than_the_quick_bound_of_a_forecast(
    base: Base, heading: Heading, ahead_s: float, sigmas: float
) -> None:
    doubt_k = sigmas * (heading.sd_k + base.doubt_k)
    course_c = base.at_c(ahead_s) + heading.at_k(ahead_s, doubt_k)
    assert course_c <= highest_c(base, [heading]) + 1e-9  # rounding


def course_of(shares: list[tuple[float, float]], until_s: float) -> Course:
    """A course that begins at 0 and rises by (way in K, time constant in s) each."""
    course, noise = Course(), random.Random(1)
    for t_s in range(-600, round(until_s) + 1, STEP_S):
        rise_k = sum(way * (1.0 - exp(-max(t_s, 0) / tau_s)) for way, tau_s in shares)
        course.add(1000 * t_s, rise_k + noise.gauss(0.0, 0.05), 0.0)
        if t_s == 60:
            course.begin(0)
    return course


@pytest.mark.parametrize(
    ("shares", "from_s", "left_s"),
    [
        # One mass, halfway to 8 K.
        *(
            ([(12.0, tau_s)], 0.5 * tau_s * log(3.0), 0.5 * tau_s * log(3.0))
            for tau_s in (400.0, 6000.0)
        ),
        # A part that rises at once is not the pace of the rest: halfway to 11 K.
        ([(5.0, 30.0), (10.0, 2000.0)], 1000.0 * log(2.5), 1000.0 * log(2.5)),
        # A row of masses goes on longer than its beginning lets one expect.
        ([(3.0, 40.0), (3.0, 400.0), (6.0, 3000.0)], 800.0, 800.0),
    ],
    ids=["quick", "slow", "two parts", "three masses"],
)
def test_the_time_left_is_within_30_percent(
    shares: list[tuple[float, float]], from_s: float, left_s: float
) -> None:
    at_s = from_s + left_s
    threshold_k = sum(way * (1.0 - exp(-at_s / tau_s)) for way, tau_s in shares)
    deviations = course_of(shares, from_s).headings(0.05)
    assert deviations is not None
    still = Base(0.0, [], 0.0, 0.05)
    forecast = time_to_threshold(still, deviations, threshold_k, 50_000.0)
    assert forecast.time_left_s == pytest.approx(left_s, rel=0.3)


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
    found = course.headings(0.05)
    assert found is not None
    assert found[0].level_k == pytest.approx(rise_k, abs=0.15)
    assert found[0].at_k(1200.0) == pytest.approx(5.0, abs=0.6)


def test_a_long_course_stays_small_and_goes_on_from_its_saved_state() -> None:
    course = course_of([(12.0, 1500.0)], 50_000.0)
    assert len(course.rows) <= 121
    again = Course.load(json.loads(json.dumps(course.save())))
    for each in (course, again):
        each.add(50_010_000, 12.0, 0.0)
    assert course.headings(0.05) == again.headings(0.05) is not None


def test_a_course_that_has_hardly_begun_gives_no_headings() -> None:
    course = Course()
    course.add(0, 0.0, 0.0)
    course.begin(0)
    course.add(10_000, 0.3, 0.0)
    assert course.headings(0.05) is None


def test_a_forecast_is_told_after_three_sure_steps_and_not_before() -> None:
    watch = ForecastWatch()
    # One unsure step begins the count anew.
    told = [watch.observe(10_000 * i, p) for i, p in enumerate([0.99, 0.99, 0.9] + 3 * [0.97])]
    assert told == [False] * 5 + [True]
    assert watch.since_ms == 30_000


def test_a_told_forecast_stands_until_three_steps_find_it_unlikely() -> None:
    watch = ForecastWatch(standing=True)
    for i, probability in enumerate([0.4, 0.6, 0.4, 0.4]):
        assert watch.observe(10_000 * i, probability)
    watch = ForecastWatch.load(json.loads(json.dumps(watch.save())))
    assert not watch.observe(40_000, 0.1)
