"""When to wait, to try and to tell again."""

from datetime import datetime, time
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cabinetwatch.notify.delivery import retry_delay_ms
from cabinetwatch.notify.plan import QuietHours, next_repeat_t
from cabinetwatch.text import from_datetime, from_rfc3339

DUBLIN = ZoneInfo("Europe/Dublin")
NIGHT = QuietHours(time(22, 30), time(6, 30), DUBLIN)
DAY_MS = 86_400_000


def local(text: str) -> int:
    return from_datetime(datetime.fromisoformat(text).replace(tzinfo=DUBLIN))


@pytest.mark.parametrize(
    ("moment", "quiet"),
    [
        ("2026-07-01 22:29:59", False),
        ("2026-07-01 22:30:00", True),
        ("2026-07-02 00:00:00", True),
        ("2026-07-02 06:29:59", True),
        ("2026-07-02 06:30:00", False),
        ("2026-01-15 22:30:00", True),
        ("2026-01-15 12:00:00", False),
    ],
)
def test_a_span_over_midnight_starts_within_and_ends_without(moment: str, quiet: bool) -> None:
    assert NIGHT.quiet_at(local(moment)) is quiet


def test_a_span_within_a_day_is_quiet_between_its_times_only() -> None:
    siesta = QuietHours(time(13), time(15), DUBLIN)
    assert [siesta.quiet_at(local(f"2026-07-01 {hour}:00")) for hour in (12, 13, 14, 15, 23)] == [
        False,
        True,
        True,
        False,
        False,
    ]


def test_quiet_ends_by_the_wall_clock_of_the_site_in_summer_and_winter() -> None:
    assert NIGHT.quiet_until(local("2026-07-01 23:00")) == local("2026-07-02 06:30")
    assert NIGHT.quiet_until(local("2026-01-15 23:00")) == local("2026-01-16 06:30")
    assert NIGHT.quiet_until(local("2026-07-01 12:00")) is None


def test_the_night_in_which_the_clocks_go_forward_is_an_hour_shorter() -> None:
    # Ireland's summer time began on 29 March 2026 at 01:00 UTC (last Sunday of March,
    # Directive 2000/84/EC).
    began = local("2026-03-28 22:30")
    assert NIGHT.quiet_until(began) == local("2026-03-29 06:30") == began + 7 * 3_600_000


def test_the_night_in_which_the_clocks_go_back_is_an_hour_longer() -> None:
    # And ends on the last Sunday of October at 01:00 UTC.
    began = local("2026-10-24 22:30")
    assert NIGHT.quiet_until(began) == local("2026-10-25 06:30") == began + 9 * 3_600_000


def test_an_end_within_the_skipped_hour_is_not_waited_for() -> None:
    hours = QuietHours(time(0, 30), time(1, 30), DUBLIN)
    # 01:00 UTC is 02:00 local: 01:30 never showed.
    assert hours.quiet_until(from_rfc3339("2026-03-29T00:45:00Z")) == from_rfc3339(
        "2026-03-29T01:00:00Z"
    )


def test_an_hour_that_comes_twice_is_quiet_twice() -> None:
    hours = QuietHours(time(1), time(1, 30), DUBLIN)
    first, second = from_rfc3339("2026-10-25T00:15:00Z"), from_rfc3339("2026-10-25T01:15:00Z")
    assert hours.quiet_until(first) == from_rfc3339("2026-10-25T00:30:00Z")
    assert hours.quiet_until(second) == from_rfc3339("2026-10-25T01:30:00Z")


@given(
    start=st.times().map(lambda each: each.replace(second=0, microsecond=0)),
    length_min=st.integers(1, 24 * 60 - 1),
    utc_ms=st.integers(from_rfc3339("2025-01-01T00:00:00Z"), from_rfc3339("2028-01-01T00:00:00Z")),
    zone=st.sampled_from(["Europe/Dublin", "UTC", "Australia/Lord_Howe", "America/St_Johns"]),
)
def test_quiet_ends_at_an_instant_that_is_not_quiet_after_one_that_is(
    start: time, length_min: int, utc_ms: int, zone: str
) -> None:
    end_min = (start.hour * 60 + start.minute + length_min) % (24 * 60)
    hours = QuietHours(start, time(*divmod(end_min, 60)), ZoneInfo(zone))
    end = hours.quiet_until(utc_ms)
    assert (end is not None) == hours.quiet_at(utc_ms)
    if end is not None:
        assert utc_ms < end <= utc_ms + 26 * 3_600_000
        assert not hours.quiet_at(end)
        assert hours.quiet_at(end - 1)


def test_retries_wait_ten_seconds_doubling_to_five_minutes() -> None:
    assert [retry_delay_ms(failures) / 1000 for failures in range(1, 9)] == [
        10,
        20,
        40,
        80,
        160,
        300,
        300,
        300,
    ]
    assert retry_delay_ms(10**6) == 300_000


def test_repeats_come_at_doubling_intervals_up_to_a_day() -> None:
    due_t, dues_h = 0, []
    for _ in range(8):
        due_t = next_repeat_t(0, due_t, 3600)
        dues_h.append(due_t / 3_600_000)
    assert dues_h == [1, 3, 7, 15, 31, 55, 79, 103]


def test_repeats_at_the_shortest_interval_there_can_be_are_a_millisecond_apart() -> None:
    assert [next_repeat_t(0, after_t, 1e-9) for after_t in (0, 1, 5)] == [1, 3, 7]


@given(
    raised_t=st.integers(0, 10**13),
    waited_ms=st.integers(0, 400 * DAY_MS),
    repeat_s=st.floats(0.5, 3 * 86_400),
)
def test_the_next_repeat_is_the_first_of_the_series_after_the_instant(
    raised_t: int, waited_ms: int, repeat_s: float
) -> None:
    after_t = raised_t + waited_ms
    due_t = next_repeat_t(raised_t, after_t, repeat_s)
    interval_ms = round(repeat_s * 1000)
    longest_ms = max(interval_ms, DAY_MS)
    series_t = raised_t + interval_ms
    while series_t <= after_t:
        interval_ms = min(2 * interval_ms, longest_ms)
        series_t += interval_ms
    assert due_t == series_t
