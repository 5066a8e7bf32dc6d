"""A week's figures against the truth, reckoned from the generator's arrays by another way.

One that was frozen gives the same figures for ever.
"""

import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from sqlalchemy import delete

from cabinetwatch.report.summary_make import (
    WeekMaker,
    alarms_of,
    heard,
    life_factor,
    measures_of,
    most_within,
    quieter_off_delay_s,
)
from cabinetwatch.report.summary_week import IsoWeek, Spread, Week
from cabinetwatch.report.summary_words import summary_of
from cabinetwatch.store import schema
from cabinetwatch.store.codecs import DAY_MS, Bucket, Tier
from cabinetwatch.store.migrate import migrate
from cabinetwatch.store.records import Batch, ClosedWeek
from cabinetwatch.store.store import Store
from cabinetwatch.text import to_rfc3339
from cabinetwatch.watch.conditions import load_config
from cabinetwatch.watch.events import AlarmState, Entry, EntryKind, Reading
from tests.support import fortnight as story
from tests.support.fortnight import (
    GEAR,
    HOUR_MS,
    MINUTE_MS,
    Fortnight,
    Gear,
    Numbers,
    Truth,
    transition,
)

KELVIN = 273.15
# CODATA 2018, exact: k over e.
BOLTZMANN_EV = 1.380649e-23 / 1.602176634e-19
# The tiers keep hundredths of a kelvin.
TOLERANCE = 0.011

W47 = IsoWeek.parse(story.WEEK)
LATER = story.NOW + 200 * DAY_MS


def assert_spread(found: Spread | None, utc_ms: NDArray[np.int64], samples: Numbers) -> None:
    assert found is not None
    means = samples.mean(axis=1)
    assert found.mean == pytest.approx(means.mean(), abs=TOLERANCE)
    assert found.percentile_95 == pytest.approx(np.percentile(means, 95), abs=TOLERANCE)
    assert found.lowest == pytest.approx(samples.min(), abs=TOLERANCE)
    assert found.highest == pytest.approx(samples.max(), abs=TOLERANCE)
    there = samples[utc_ms == found.highest_utc_ms].max()
    assert there == pytest.approx(samples.max(), abs=TOLERANCE)


def speed(celsius: float) -> float:
    """How fast heat ages a device: Arrhenius, 0.7 eV."""
    return float(np.exp(-0.7 / BOLTZMANN_EV / (celsius + KELVIN)))


@pytest.mark.parametrize("gear", GEAR, ids=lambda gear: gear.id)
def test_a_device_is_told_as_it_was_measured(gear: Gear, week: Week, fortnight: Fortnight) -> None:
    found = next(each for each in week.devices if each.id == gear.id)
    assert_spread(found.temperature, *fortnight.truth.of_week(gear.id, "temperature_c"))
    assert_spread(found.rise, *fortnight.truth.of_week(gear.id, "rise_k"))

    def quarters(figure: str) -> dict[int, float]:
        """Means of quarters of an hour, from the arrays."""
        utc_ms, samples = fortnight.truth.of_week(gear.id, figure)
        quarter = utc_ms // (15 * MINUTE_MS)
        return {int(each): float(samples[quarter == each].mean()) for each in np.unique(quarter)}

    off = quarters("off")
    # Means are over the time it was on.
    on = [at for at in off if off[at] <= 0.5]
    for figure in ("settled_rise_k", "normal_rise_k", "hot_day_margin_k"):
        values = quarters(figure)
        mean = np.mean([values[at] for at in on])
        assert getattr(found, figure) == pytest.approx(mean, abs=TOLERANCE)
    _, margins = fortnight.truth.of_week(gear.id, "margin_k")
    assert found.margin_k == pytest.approx(margins.min(), abs=TOLERANCE)
    assert found.off_fraction == pytest.approx(np.mean(list(off.values())), abs=1e-3)
    temperature, ambient = quarters("temperature_c"), quarters("ambient_c")
    real = np.mean([speed(temperature[at]) for at in on])
    normal = np.mean([speed(ambient[at] + gear.normal_k) for at in on])
    assert found.life_factor == pytest.approx(normal / real, rel=2e-3)
    # Over the fortnight the amplifier's rise climbs by 6 K: on average by a quarter of that in the
    # first week, by three quarters in the second.
    assert found.settled_rise_last_week_k == pytest.approx(
        gear.normal_k + gear.climb_k / 4, abs=0.3
    )
    assert found.settled_rise_k == pytest.approx(gear.normal_k + gear.climb_k * 3 / 4, abs=0.3)


def test_ten_kelvin_more_wear_as_published_constants_say() -> None:
    # Ea 0.7 eV, 40 to 50 degC: 2.23162, from CODATA's exact constants.
    factor = life_factor({0: 50.0}, {0: 28.0}, {0: 12.0})
    assert factor == pytest.approx(1 / 2.23162, rel=1e-5)
    assert life_factor({0: 50.0}, {}, {0: 12.0}) is None


def test_availability_leaves_out_when_the_watch_was_off_and_counts_what_was_lost(
    week: Week,
) -> None:
    sensors = {each.id: each for each in week.sensors}
    lost, whole = sensors["poe-switch-air"], sensors["hall"]
    running = 7 * 24 * 60 - 6 * 60
    assert lost.availability == pytest.approx(1 - 430 / running, abs=1e-6)
    assert (lost.gaps, lost.longest_gap_s) == (1, 430 * 60.0)
    assert lost.faults == {"silent": 1}
    assert (whole.availability, whole.gaps, whole.faults) == (1.0, 0, {})
    assert whole.readings == running * 6
    # That it is too damp is no fault of the sensor's.
    assert sensors["cabinet-humidity"].faults == {}


@pytest.mark.parametrize(
    ("minutes", "gaps"),
    [([], [10]), ([0, 1, 2, 3, 4, 5, 6, 7, 8, 9], []), ([1, 2, 5, 6, 7, 8], [1, 2, 1])],
)
def test_gaps_are_runs_of_minutes_without_a_reading(minutes: list[int], gaps: list[int]) -> None:
    buckets = [Bucket(minute * MINUTE_MS, 6, 20.0, 20.0, 20.0) for minute in minutes]
    assert heard(buckets, MINUTE_MS, [(0, 600_000)]) == (1 - sum(gaps) / 10, gaps)
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
    told = [
        transition(f"c{n}", n * 60_000, *states, subject="site", condition="clock-step")
        for n in range(4)
        for states in (
            (AlarmState.UNACKNOWLEDGED, AlarmState.NORMAL),
            (AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED),
        )
    ]
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


def test_an_alarm_lasted_from_its_first_sign_to_its_end_and_no_moment_counts_twice() -> None:
    begun = story.FRIDAY_EVENING
    since = {"since": to_rfc3339(begun - 3 * MINUTE_MS)}
    steps = (
        (0, AlarmState.UNACKNOWLEDGED, AlarmState.NORMAL),
        (5, AlarmState.ACKNOWLEDGED, AlarmState.UNACKNOWLEDGED),
        # Put out of sight for a while, it goes on: its first sign stays that of before.
        (10, AlarmState.SUPPRESSED, AlarmState.ACKNOWLEDGED),
        (15, AlarmState.ACKNOWLEDGED, AlarmState.SUPPRESSED),
        (20, AlarmState.NORMAL, AlarmState.ACKNOWLEDGED),
    )
    history = [
        replace(transition("x", begun + at * MINUTE_MS, state, previous), values=since)
        for at, state, previous in steps
    ]
    (alarm,) = alarms_of([history], {}, (story.MONDAY, story.SUNDAY_NIGHT))
    assert (alarm.began, alarm.raised_utc_ms) == (begun - 3 * MINUTE_MS, begun)
    assert alarm.stood_s == 23 * 60.0
    assert alarm.ended_utc_ms == begun + 20 * MINUTE_MS
    # One that still lasts, up to the week's end.
    (alarm,) = alarms_of([history[:1]], {}, (story.MONDAY, begun + 60 * MINUTE_MS))
    assert alarm.stood_s == 63 * 60.0


@pytest.mark.parametrize("tier", list(Tier))
def test_nothing_is_told_of_before_the_watch_was_started(tier: Tier, tmp_path: Path) -> None:
    # Started amid a minute and a quarter of an hour, and hottest at once.
    started = story.TUESDAY_EVENING + 37 * MINUTE_MS + 20_000
    gear = GEAR[0]
    config = load_config(story.configure(tmp_path, [gear], 2525))
    migrate(config.store.url)
    truth = Truth(np.arange(started // MINUTE_MS, started // MINUTE_MS + 60) * MINUTE_MS)
    falling = np.linspace(60.0, 40.0, 60)[:, None] + np.zeros((1, 6))
    for figure, values in (
        ("temperature_c", falling),
        ("rise_k", falling - 20.0),
        ("margin_k", gear.threshold_c - falling),
    ):
        truth.samples[gear.id, figure] = values
    with Store.open(config.store.url) as store:
        start = {"offset_ms": 0, "boot_ms": started, "ran_until_ms": None, "version": "0"}
        entries: list[Reading | Entry] = [
            Entry(started, EntryKind.CONFIG, {"config": config.as_json()}),
            Entry(started, EntryKind.START, start),
        ]
        store.commit(Batch(started + 60 * MINUTE_MS, 0, entries))
        # Where there are minutes there are quarters, too; not the other way round.
        story.write_tiers(store, truth, {tier, Tier.QUARTERS})
        week = WeekMaker(store, None, started + 2 * HOUR_MS).make(W47)
    (device,) = week.devices
    until = started + (60_000 if tier is Tier.MINUTES else 900_000)
    ends = until // tier.width_ms * tier.width_ms
    assert (device.margin_utc_ms, device.margin_until_utc_ms) == (started, ends)
    shown = next(each for each in summary_of(week).lead if "threshold" in each)
    words = "about Tue 17 Nov 20:37" if tier is Tier.MINUTES else "between 20:37 and 20:45"
    assert words in shown
    if tier is Tier.QUARTERS:
        assert device.temperature is not None
        assert device.temperature.highest_utc_ms == started


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


def test_figures_come_back_from_the_store_as_they_were_and_foreign_ones_do_not(week: Week) -> None:
    assert Week.from_json(week.as_json()) == week
    assert Week.from_json(week.as_json() | {"version": 99}) is None
    assert Week.from_json({"version": week.version}) is None
    # Frozen before messages that can't be read were counted, and sensors had names.
    older = week.as_json()
    for each in older["sensors"]:
        del each["unreadable"], each["name"]
    for each in older["alarms"]:
        del each["began_utc_ms"]
    for each in older["devices"]:
        del each["margin_until_utc_ms"], each["learnt"], each["temperature"]["highest_until_utc_ms"]
    known = Week.from_json(older)
    assert known is not None
    assert [each.unreadable for each in known.sensors] == [0] * len(week.sensors)
    assert [each.began for each in known.alarms] == [each.raised_utc_ms for each in week.alarms]
    # They are worded by the widths that their figures have.
    assert any("about" in each for made in (known, week) for each in summary_of(made).lead)


@pytest.fixture
def url(fortnight: Fortnight, tmp_path: Path) -> str:
    """The fortnight's store in a folder of its own, to be written to."""
    shutil.copytree(fortnight.path.parent, tmp_path / "copy")
    return f"sqlite:///{tmp_path}/copy/watch.db"


def test_a_frozen_week_is_given_as_it_was_whatever_the_store_holds_now(
    url: str, week: Week
) -> None:
    with Store.open(url) as store:
        store.commit(Batch(story.NOW, 0, weeks=[ClosedWeek(W47.name, 1, week.as_json())]))
        with store._database.writing() as connection:
            connection.execute(delete(schema.minute_block))
            connection.execute(delete(schema.quarter_block))
            connection.execute(delete(schema.transition))
    with Store.open(url, read_only=True) as store:
        maker = WeekMaker(store, None, LATER)
        assert maker.frozen_or_made(W47) == week
        assert maker.make(W47) != week
        assert store.weeks() == [W47.name]


def test_nothing_writes_over_a_frozen_week(url: str, week: Week) -> None:
    with Store.open(url) as store:
        for utc_ms, site in ((1, "first"), (2, "second")):
            figures = replace(week, site=site).as_json()
            store.commit(Batch(story.NOW, 0, weeks=[ClosedWeek(W47.name, utc_ms, figures)]))
        frozen = store.week(W47.name)
    assert frozen is not None
    assert (frozen.utc_ms, frozen.figures["site"]) == (1, "first")


def test_a_week_made_again_while_its_minutes_are_there_has_the_same_figures(
    url: str, week: Week
) -> None:
    with Store.open(url, read_only=True) as store:
        again = WeekMaker(store, None, LATER).make(W47)
    # What is true of the present only is not known any more.
    watch = replace(
        week.watch, store_bytes=None, free_bytes=None, growth_bytes_per_day=None, days_left=None
    )
    devices = [replace(device, drift=None) for device in week.devices]
    assert again == replace(week, made_utc_ms=LATER, watch=watch, devices=devices)


def test_where_the_minutes_are_gone_percentiles_are_of_quarters_and_say_so(
    url: str, week: Week
) -> None:
    with Store.open(url) as store, store._database.writing() as connection:
        connection.execute(delete(schema.minute_block))
    with Store.open(url, read_only=True) as store:
        coarse = WeekMaker(store, None, LATER).make(W47)
    assert not coarse.minutes
    for fine, found in zip(week.devices, coarse.devices, strict=True):
        assert fine.temperature is not None
        assert found.temperature is not None
        assert found.temperature.mean == pytest.approx(fine.temperature.mean, abs=0.05)
        assert found.temperature.highest == fine.temperature.highest
    assert [each.readings for each in coarse.sensors] == [each.readings for each in week.sensors]


def test_the_present_week_is_told_so_far(url: str) -> None:
    with Store.open(url, read_only=True) as store:
        maker = WeekMaker(store, None, story.NOW)
        running = maker.make(W47.after())
    assert not running.is_over
    assert running.watch.uptime == pytest.approx(1.0)
    assert running.devices[0].temperature is not None
