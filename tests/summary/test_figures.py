"""A week's figures against the truth, reckoned from the generator's arrays by another way."""

from collections.abc import Mapping

import numpy as np
import pytest

from cabinetwatch.report.summary_measures import (
    PauseOf,
    alarms_of,
    heard,
    life_factor,
    measures_of,
    most_within,
    quieter_off_delay_s,
)
from cabinetwatch.report.summary_week import DeviceWeek, SensorWeek, Spread, Week
from cabinetwatch.store.codecs import Bucket
from cabinetwatch.watch.events import AlarmState
from tests.support import fortnight as story
from tests.support.fortnight import GEAR, HOUR_MS, MINUTE_MS, Fortnight, Gear, transition

KELVIN = 273.15
# CODATA 2018, exact: k over e.
BOLTZMANN_EV = 1.380649e-23 / 1.602176634e-19
# The tiers keep hundredths of a kelvin.
TOLERANCE = 0.011


def device(week: Week, gear: Gear) -> DeviceWeek:
    return next(each for each in week.devices if each.id == gear.id)


def sensor(week: Week, sensor_id: str) -> SensorWeek:
    return next(each for each in week.sensors if each.id == sensor_id)


def assert_spread(found: Spread | None, fortnight: Fortnight, subject: str, figure: str) -> None:
    assert found is not None
    utc_ms, samples = fortnight.truth.of_week(subject, figure)
    means = samples.mean(axis=1)
    assert found.mean == pytest.approx(means.mean(), abs=TOLERANCE)
    assert found.percentile_95 == pytest.approx(np.percentile(means, 95), abs=TOLERANCE)
    assert found.lowest == pytest.approx(samples.min(), abs=TOLERANCE)
    assert found.highest == pytest.approx(samples.max(), abs=TOLERANCE)
    there = samples[utc_ms == found.highest_utc_ms].max()
    assert there == pytest.approx(samples.max(), abs=TOLERANCE)


@pytest.mark.parametrize("gear", GEAR, ids=lambda gear: gear.id)
def test_temperature_and_rise_are_those_that_were_measured(
    gear: Gear, week: Week, fortnight: Fortnight
) -> None:
    assert_spread(device(week, gear).temperature, fortnight, gear.id, "temperature_c")
    assert_spread(device(week, gear).rise, fortnight, gear.id, "rise_k")


def of_quarters(fortnight: Fortnight, subject: str, figure: str) -> Mapping[int, float]:
    """Means of quarters of an hour, from the arrays."""
    utc_ms, samples = fortnight.truth.of_week(subject, figure)
    quarter = utc_ms // (15 * MINUTE_MS)
    return {int(each): float(samples[quarter == each].mean()) for each in np.unique(quarter)}


@pytest.mark.parametrize("gear", GEAR, ids=lambda gear: gear.id)
def test_means_are_over_the_time_it_was_on_and_the_least_margin_is_the_least(
    gear: Gear, week: Week, fortnight: Fortnight
) -> None:
    found = device(week, gear)
    off = of_quarters(fortnight, gear.id, "off")
    for figure, mean in (
        ("settled_rise_k", found.settled_rise_k),
        ("normal_rise_k", found.normal_rise_k),
        ("hot_day_margin_k", found.hot_day_margin_k),
    ):
        values = of_quarters(fortnight, gear.id, figure)
        on = [value for at, value in values.items() if off[at] <= 0.5]
        assert mean == pytest.approx(np.mean(on), abs=TOLERANCE)
    _, margins = fortnight.truth.of_week(gear.id, "margin_k")
    assert found.margin_k == pytest.approx(margins.min(), abs=TOLERANCE)
    assert found.off_fraction == pytest.approx(np.mean(list(off.values())), abs=1e-3)


@pytest.mark.parametrize("gear", GEAR, ids=lambda gear: gear.id)
def test_the_life_factor_is_arrhenius_of_the_week_against_its_normal(
    gear: Gear, week: Week, fortnight: Fortnight
) -> None:
    temperature = of_quarters(fortnight, gear.id, "temperature_c")
    ambient = of_quarters(fortnight, gear.id, "ambient_c")
    off = of_quarters(fortnight, gear.id, "off")
    on = [at for at in temperature if off[at] <= 0.5]

    def speed(celsius: float) -> float:
        return float(np.exp(-0.7 / BOLTZMANN_EV / (celsius + KELVIN)))

    real = np.mean([speed(temperature[at]) for at in on])
    normal = np.mean([speed(ambient[at] + gear.normal_k) for at in on])
    assert device(week, gear).life_factor == pytest.approx(normal / real, rel=2e-3)


def test_ten_kelvin_more_wear_as_published_constants_say() -> None:
    # Ea 0.7 eV, 40 to 50 degC: 2.23162, from CODATA's exact constants.
    factor = life_factor({0: 50.0}, {0: 28.0}, {0: 12.0})
    assert factor == pytest.approx(1 / 2.23162, rel=1e-5)
    assert life_factor({0: 50.0}, {}, {0: 12.0}) is None


def test_last_week_is_the_week_before(week: Week) -> None:
    amplifier = device(week, GEAR[3])
    # Its rise climbs by 6 K over the fortnight: a quarter and three quarters of that on average.
    assert amplifier.settled_rise_last_week_k == pytest.approx(14.0 + 1.5, abs=0.3)
    assert amplifier.settled_rise_k == pytest.approx(14.0 + 4.5, abs=0.3)


def test_availability_leaves_out_when_the_watch_was_off_and_counts_what_was_lost(
    week: Week,
) -> None:
    lost = sensor(week, "poe-switch-air")
    running = 7 * 24 * 60 - 6 * 60
    assert lost.availability == pytest.approx(1 - 430 / running, abs=1e-6)
    assert (lost.gaps, lost.longest_gap_s) == (1, 430 * 60.0)
    assert lost.faults == {"silent": 1}
    whole = sensor(week, "hall")
    assert (whole.availability, whole.gaps, whole.faults) == (1.0, 0, {})
    assert whole.readings == running * 6
    # That it is too damp is no fault of the sensor's.
    assert sensor(week, "cabinet-humidity").faults == {}


def bucket(minute: int) -> Bucket:
    return Bucket(minute * MINUTE_MS, 6, 20.0, 20.0, 20.0)


@pytest.mark.parametrize(
    ("minutes", "gaps"),
    [([], [10]), ([0, 1, 2, 3, 4, 5, 6, 7, 8, 9], []), ([1, 2, 5, 6, 7, 8], [1, 2, 1])],
)
def test_gaps_are_runs_of_minutes_without_a_reading(minutes: list[int], gaps: list[int]) -> None:
    availability, found = heard([bucket(minute) for minute in minutes], MINUTE_MS, [(0, 600_000)])
    assert (availability, found) == (1 - sum(gaps) / 10, gaps)
    assert heard([], MINUTE_MS, [(1, 59_999)]) == (None, [])


def test_alarms_are_told_with_how_long_they_stood_and_when_they_were_acknowledged(
    week: Week,
) -> None:
    by_id = {alarm.id: alarm for alarm in week.alarms}
    assert list(by_id) == ["hum00001", "sil00001", "amp00001"]
    humid, silent, amplifier = by_id.values()
    assert (humid.raises, humid.stood_s, humid.acknowledged_s) == (10, 3000.0, 10_800.0)
    assert (silent.state, silent.stood_s, silent.acknowledged_s) == ("returned", 25_740.0, None)
    assert silent.returned_t == story.LOST_MINUTES[0] + 430 * MINUTE_MS
    stood_s = (story.SUNDAY_NIGHT - story.FRIDAY_EVENING) / 1000
    assert (amplifier.stood_s, amplifier.acknowledged_s) == (stood_s, 7200.0)
    assert amplifier.ended_utc_ms is None


def test_the_measures_count_raises_the_busiest_the_chattering_and_the_stale(week: Week) -> None:
    measures = week.measures
    assert (measures.raises, measures.per_day) == (12, 12 / 7)
    assert measures.by_priority == {"high": 2, "medium": 10, "low": 0}
    assert measures.most_in_ten_minutes == 1
    assert [(busy.condition, busy.raises) for busy in measures.busiest] == [
        ("high", 10),
        ("silent", 1),
        ("cooling-loss", 1),
    ]
    assert sum(busy.share for busy in measures.busiest) == pytest.approx(1.0)
    assert measures.stale == ["AV amplifier losing its cooling"]
    (chatter,) = measures.chattering
    assert (chatter.raises, chatter.most_in_an_hour) == (10, 6)
    # Pauses of five minutes after an off-delay of one: six are bridged by the next round figure.
    assert "off_delay_s = 600" in chatter.recommendation
    assert "raised once in place of 10 times" in chatter.recommendation


def test_an_off_delay_bridges_nine_in_ten_pauses_and_leaves_out_those_of_hours() -> None:
    pauses = [60.0] * 9 + [500.0, 7200.0]
    assert quieter_off_delay_s(pauses, 0.0) == 60
    assert quieter_off_delay_s([*pauses, 400.0, 450.0], 60.0) == 600
    assert quieter_off_delay_s([9000.0], 60.0) == 60


def test_what_is_over_at_once_is_told_what_to_do_and_no_delay() -> None:
    told = []
    for number in range(4):
        for state, previous in (
            (AlarmState.UNACKNOWLEDGED, AlarmState.NORMAL),
            (AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED),
        ):
            step = transition(
                f"c{number}",
                number * 60_000,
                state,
                previous,
                subject="site",
                condition="clock-step",
            )
            told.append(step)
    assert PauseOf(told).is_momentary(("site", "clock-step"))
    measures = measures_of(told, [], {"site": "home"}, 7.0, lambda *_: 0.0)
    (chatter,) = measures.chattering
    assert chatter.recommendation == "Look at its fan, with the device off."


def test_the_most_within_a_span_are_those_of_the_worst_span() -> None:
    instants = sorted(int(each) for each in np.random.default_rng(7).integers(0, 10_000, 300))
    worst = max(sum(at <= each < at + 600 for each in instants) for at in instants)
    assert most_within(instants, 600) == worst
    assert most_within([], 600) == 0


def test_an_alarm_that_was_over_before_the_week_is_not_of_it() -> None:
    raised = transition("x", 0, AlarmState.UNACKNOWLEDGED, AlarmState.NORMAL)
    over = transition("x", 1000, AlarmState.NORMAL, AlarmState.ACKNOWLEDGED)
    assert alarms_of([[raised, over]], {}, (5000, 9000)) == []
    (stands,) = alarms_of([[raised]], {}, (5000, 9000))
    assert (stands.raises, stands.stood_s) == (0, 9.0)


def test_the_watch_tells_its_cut_its_clock_its_broker_and_its_notices(week: Week) -> None:
    watch = week.watch
    assert watch.uptime == pytest.approx(1 - 6 / 168)
    assert (watch.longest_off_s, watch.longest_off_utc_ms) == (6 * 3600.0, story.CUT)
    assert (watch.starts, watch.crashes, watch.is_first) == (1, 1, False)
    assert watch.broker_losses == 1
    # Two minutes, and the second until it had a broker after the cut.
    assert watch.broker_lost_s == 121.0
    assert (watch.notices_delivered, watch.notices_late) == (12, 1)
    assert (watch.notices_failed, watch.notices_waiting) == (0, 0)
    assert watch.readings == sum(each.readings for each in week.sensors)
    assert watch.store_bytes is not None


def test_what_is_out_of_service_and_what_people_noted_is_told(week: Week) -> None:
    (ups,) = week.hidden
    assert (ups.subject, ups.state) == ("ups", "out-of-service")
    assert ups.conditions == ["over-derating", "cooling-loss"]
    noted, done = week.remarks
    assert (noted.text, noted.utc_ms) == ("Put the lid back on", story.MONDAY + 48 * HOUR_MS)
    assert done.text == "ups taken out of service: battery is being changed"


def test_figures_come_back_from_the_store_as_they_were_and_foreign_ones_do_not(
    week: Week,
) -> None:
    assert Week.from_json(week.as_json()) == week
    assert Week.from_json(week.as_json() | {"version": 99}) is None
    assert Week.from_json({"version": week.version}) is None
