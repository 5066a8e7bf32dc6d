"""What is due, each week once, at the site's own time; and the life of the watch by its journal."""

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cabinetwatch.report.summary_week import (
    DAYS,
    IsoWeek,
    When,
    between,
    history_of,
    instant,
    length_s,
    settled_since_t,
    week_to_mail,
    weeks_lived,
    weeks_to_freeze,
    within,
)
from cabinetwatch.watch.events import Entry, EntryKind

HOUR_MS = 3_600_000
YEARS_MS = 56 * 365 * 86_400_000
DUBLIN = ZoneInfo("Europe/Dublin")
ZONES = [ZoneInfo(name) for name in ("Europe/Dublin", "Australia/Lord_Howe", "America/Santiago")]
MONDAY_MORNING = When("monday", time(7), DUBLIN)


def utc(text: str) -> int:
    return round(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp() * 1000)


@given(st.dates(date(2024, 1, 1), date(2060, 12, 31)))
def test_a_week_is_named_as_iso_8601_has_it_and_read_back(day: date) -> None:
    week = IsoWeek.of(instant(day, time(12), DUBLIN), DUBLIN)
    assert week.name == day.strftime("%G-W%V")
    assert IsoWeek.parse(week.name) == week
    assert week.before().after() == week == week.after().before()
    assert week.before() < week < week.after()


@pytest.mark.parametrize(
    "text",
    ["2026-W54", "2026-W00", "2026W47", "26-W47", "2025-W53", "0001-W01", "9999-W01", "", "x"],
)
def test_what_names_no_week_is_refused_with_a_sentence(text: str) -> None:
    with pytest.raises(ValueError, match="is no week of ISO 8601; write it like 2026-W47"):
        IsoWeek.parse(text)


def test_a_week_in_which_the_clocks_change_has_an_hour_less_or_more() -> None:
    # Summer time in the European Union: directive 2000/84/EC, last Sundays of March and October.
    spring, autumn = IsoWeek.parse("2026-W13"), IsoWeek.parse("2026-W43")
    for week, hours in ((spring, 167), (autumn, 169), (IsoWeek.parse("2026-W30"), 168)):
        length = week.ends_utc_ms(DUBLIN) - week.begins_utc_ms(DUBLIN)
        assert length == hours * HOUR_MS


@pytest.mark.parametrize(
    ("week", "day", "at", "due"),
    [
        # Monday at seven on either side of both changes.
        ("2026-W12", "monday", "07:00", "2026-03-23T07:00"),
        ("2026-W13", "monday", "07:00", "2026-03-30T06:00"),
        ("2026-W42", "monday", "07:00", "2026-10-19T06:00"),
        ("2026-W43", "monday", "07:00", "2026-10-26T07:00"),
        # Half past one on the Sunday of the change is skipped in March, and comes by an hour late.
        ("2026-W12", "sunday", "01:30", "2026-03-29T01:30"),
        # In October it comes twice, and is meant the first time.
        ("2026-W42", "sunday", "01:30", "2026-10-25T00:30"),
        # Not before the week has closed.
        ("2026-W42", "monday", "00:00", "2026-10-18T23:10"),
    ],
)
def test_a_summary_is_due_by_the_clock_on_the_wall(week: str, day: str, at: str, due: str) -> None:
    when = When(day, time.fromisoformat(at), DUBLIN)
    assert when.due_utc_ms(IsoWeek.parse(week)) == utc(due)


@given(
    zone=st.sampled_from(ZONES),
    day=st.sampled_from(DAYS),
    at=st.times().map(lambda each: each.replace(second=0, microsecond=0, tzinfo=None, fold=0)),
    year=st.integers(2025, 2035),
    looks=st.lists(st.integers(1, 60 * 60), min_size=200, max_size=200),
)
def test_whenever_one_looks_each_week_is_mailed_once_in_order_and_never_early(
    zone: ZoneInfo, day: str, at: time, year: int, looks: list[int]
) -> None:
    when = When(day, at, zone)
    began = instant(date(year, 1, 8), time(0), zone)
    now = began
    told: list[IsoWeek] = []
    for minutes in looks:
        now += minutes * 60_000
        while (week := week_to_mail(now, [(began, now)], told, when)) is not None:
            assert week not in told
            assert when.due_utc_ms(week) <= now
            assert not told or week == told[-1].after()
            told.append(week)
    lived = weeks_lived([(began, now)], zone)
    due = [week for week in lived if when.due_utc_ms(week) <= now]
    # At most the very first ones are left out, which were over before anybody looked.
    assert told == due[-len(told) :] if told else len(due) <= 1


@given(st.integers(0, 300))
def test_a_power_cut_over_the_due_time_makes_it_late_and_not_lost(hours: int) -> None:
    cut = utc("2026-11-22T20:00")
    back = cut + hours * HOUR_MS
    spans = [(utc("2026-11-02T00:00"), cut), (back, back)]
    told = [IsoWeek.parse("2026-W45"), IsoWeek.parse("2026-W46")]
    due = week_to_mail(back, spans, told, MONDAY_MORNING)
    w47 = IsoWeek.parse("2026-W47")
    assert due == (w47 if back >= MONDAY_MORNING.due_utc_ms(w47) else None)


def test_a_clock_that_wakes_in_1970_and_jumps_makes_nothing_due_but_what_is() -> None:
    told = [IsoWeek.parse("2026-W46")]
    lived = (utc("2026-11-02T00:00"), utc("2026-11-22T20:00"))
    wrong = (20_000, 90_000)
    assert week_to_mail(90_000, [lived, wrong], told, MONDAY_MORNING) is None
    assert weeks_to_freeze(90_000, [lived, wrong], [], DUBLIN) == []
    now = utc("2026-11-24T02:00")
    right = (now - 60_000, now)
    assert week_to_mail(now, [lived, wrong, right], told, MONDAY_MORNING) == (2026, 47)
    frozen = weeks_to_freeze(now, [lived, wrong, right], told, DUBLIN)
    assert frozen == [(2026, 45), (2026, 47)]
    # A new watch has nothing to tell of.
    assert week_to_mail(now, [wrong, right], [], MONDAY_MORNING) is None
    assert weeks_to_freeze(now, [wrong, right], [], DUBLIN) == []


def test_a_clock_that_was_ahead_for_a_moment_blocks_nothing_afterwards() -> None:
    began = utc("2026-11-02T00:00")
    ahead = (utc("2071-01-01T00:00"), utc("2071-01-01T00:03"))
    now = utc("2026-11-23T09:00")
    assert week_to_mail(ahead[1], [(began, now), ahead], [], MONDAY_MORNING) is None
    assert week_to_mail(now, [(began, now), ahead], [], MONDAY_MORNING) == (2026, 47)


def test_the_first_summary_ever_is_of_the_newest_week_only() -> None:
    began, now = utc("2025-01-01T00:00"), utc("2026-11-23T09:00")
    assert week_to_mail(now, [(began, now)], [], MONDAY_MORNING) == (2026, 47)
    assert week_to_mail(now, [(began, now)], [IsoWeek(2026, 47)], MONDAY_MORNING) is None


def test_the_first_summary_comes_late_too_where_the_machine_was_off_when_it_was_due() -> None:
    # Due on Sunday at noon; the machine is off from Sunday to Monday.
    sunday = When("sunday", time(12), DUBLIN)
    spans = [
        (utc("2026-11-09T00:00"), utc("2026-11-15T10:00")),
        (utc("2026-11-16T07:00"), utc("2026-11-22T10:00")),
        (utc("2026-11-23T07:00"), utc("2026-11-23T07:01")),
    ]
    assert week_to_mail(utc("2026-11-23T07:01"), spans, [], sunday) == (2026, 46)


def test_a_week_without_the_watch_has_no_summary_and_those_before_are_told_late() -> None:
    spans = [
        (utc("2026-10-01T00:00"), utc("2026-11-04T00:00")),
        (utc("2026-11-20T00:00"), utc("2026-11-23T09:00")),
    ]
    told = [IsoWeek.parse("2026-W44")]
    weeks = []
    while week := week_to_mail(utc("2026-11-23T09:00"), spans, told, MONDAY_MORNING):
        told.append(week)
        weeks.append(week.name)
    assert weeks == ["2026-W45", "2026-W47"]


def test_another_day_in_the_configuration_tells_no_week_twice() -> None:
    began, now = utc("2026-10-01T00:00"), utc("2026-11-27T09:00")
    friday = When("friday", time(8), DUBLIN)
    assert week_to_mail(now, [(began, now)], [IsoWeek(2026, 47)], friday) is None
    later = now + timedelta(days=7) // timedelta(milliseconds=1)
    assert week_to_mail(later, [(began, later)], [IsoWeek(2026, 47)], friday) == (2026, 48)


def start(t: int, ran_until: int | None, offset_ms: int = 0) -> Entry:
    return Entry(t, EntryKind.START, {"offset_ms": offset_ms, "ran_until_ms": ran_until})


def offset(t: int, offset_ms: int) -> Entry:
    return Entry(t, EntryKind.OFFSET, {"offset_ms": offset_ms})


def test_a_run_ends_where_the_next_start_says_it_had_come_to() -> None:
    entries = [start(0, None), start(100, 60), Entry(150, EntryKind.STOP), start(200, 150)]
    history = history_of(entries, 250)
    assert history.spans == [(0, 60), (100, 150), (200, 250)]
    # The first start has nothing before it, the second follows a cut, the third a clean stop.
    assert history.starts == [(0, None), (100, False), (200, True)]


def test_a_configuration_that_was_read_again_is_no_restart_and_leaves_no_gap() -> None:
    again = Entry(110, EntryKind.START, {**start(110, 105).data, "reloaded": True})
    entries = [start(0, None), Entry(105, EntryKind.STOP), again, start(300, 200)]
    history = history_of(entries, 400)
    assert history.starts == [(0, None), (300, False)]
    assert within(history.spans, 0, 400) == [(0, 200), (300, 400)]


def test_a_step_of_the_clock_cuts_a_run_in_two_and_lengthens_neither() -> None:
    entries = [start(1_000, None), offset(61_000, YEARS_MS)]
    history = history_of(entries, 121_000)
    assert history.spans == [(1_000, 61_000), (61_000 + YEARS_MS, 121_000 + YEARS_MS)]
    assert length_s(history.spans) == 120.0
    assert history.steps == [(61_000 + YEARS_MS, YEARS_MS / 1000)]


def test_an_hour_that_comes_twice_counts_once() -> None:
    entries = [start(0, None), offset(7_200_000, -3_600_000)]
    spans = history_of(entries, 10_800_000).spans
    assert length_s(within(spans, 0, 7_200_000)) == 7_200.0


def test_what_was_lost_is_a_connection_and_not_an_attempt() -> None:
    gone = {"reason": "gone"}
    entries = [
        start(0, None),
        Entry(10, EntryKind.DISCONNECT, gone),
        Entry(20, EntryKind.CONNECT, {}),
        Entry(50, EntryKind.DISCONNECT, gone),
        Entry(60, EntryKind.DISCONNECT, gone),
        Entry(80, EntryKind.CONNECT, {}),
    ]
    history = history_of(entries, 100)
    assert history.disconnects == [50]
    assert history.connected == [(20, 50), (80, 100)]


def test_a_far_step_or_a_start_unsettles_and_a_small_step_does_not() -> None:
    assert settled_since_t([], 0) is None
    assert settled_since_t([start(5, None), offset(50, 2_000)], 2_000) == 5
    assert settled_since_t([start(5, None), offset(50, 61_000)], 61_000) == 50
    assert (
        settled_since_t([start(5, None), offset(50, 61_000), start(70, 60, 61_000)], 61_000) == 70
    )
    # The clock was set, and the store does not have that yet.
    assert settled_since_t([start(5, None)], 61_000) is None


def test_spans_and_what_is_between_them_make_up_the_whole() -> None:
    spans = within([(5, 10), (8, 20), (40, 90)], 0, 50)
    assert (spans, between(spans, 0, 50)) == ([(5, 20), (40, 50)], [(0, 5), (20, 40)])
    assert between([], 0, 50) == [(0, 50)]
