"""Scales: round figures and round local times, also over the changes of summer time."""

import math
from datetime import UTC, datetime
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cabinetwatch.report.picture import Tick, Timeline, spread, time_ticks, value_ticks

HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS


def ticks_between(from_ms: int, to_ms: int, timezone: str) -> list[Tick]:
    return time_ticks(Timeline(from_ms, to_ms, timezone))


def utc(text: str) -> int:
    return round(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp() * 1000)


@given(st.floats(-50, 150), st.floats(0.5, 200))
def test_value_ticks_are_few_round_and_cover_the_figures(low: float, height: float) -> None:
    ticks = value_ticks(low, low + height)
    assert ticks[0].at <= low + 1e-6
    assert ticks[-1].at >= low + height - 1e-6
    assert 2 <= len(ticks) <= 7
    step = ticks[1].at - ticks[0].at
    mantissa = step / 10 ** math.floor(math.log10(step) + 1e-9)
    assert min(abs(mantissa - each) for each in (1, 2, 5)) < 1e-6
    assert [float(tick.text) for tick in ticks] == pytest.approx([tick.at for tick in ticks])


@pytest.mark.parametrize(
    ("hours", "texts"),
    [
        (6, ["08:00", "09:00", "10:00", "11:00", "12:00", "13:00"]),
        (24, ["18:00", "Wed", "06:00", "12:00"]),
        (7 * 24, ["Fri 26", "Sun 28", "Tue 30"]),
        (90 * 24, ["20 Apr", "11 May", "1 Jun", "22 Jun"]),
    ],
)
def test_time_ticks_are_round_local_times(hours: int, texts: list[str]) -> None:
    # Dublin's summer time is an hour ahead of UTC.
    end = utc("2026-07-01T12:30:00")
    ticks = ticks_between(end - hours * HOUR_MS, end, "Europe/Dublin")
    assert [tick.text for tick in ticks] == texts


def test_only_midnight_itself_is_written_as_its_day() -> None:
    # Dublin's summer time is an hour ahead of UTC. 6 July 2026 is a Monday.
    ticks = ticks_between(utc("2026-07-05T22:40:00"), utc("2026-07-05T23:50:00"), "Europe/Dublin")
    texts = [tick.text for tick in ticks]
    assert texts.count("Mon") == 1
    assert {"23:50", "00:10"} & set(texts) or {"23:45", "00:15"} & set(texts), texts


@pytest.mark.parametrize(
    ("change", "hours_between"), [("2026-03-29T12:00:00", 23), ("2026-10-25T12:00:00", 25)]
)
def test_midnights_stay_midnights_over_a_change_of_summer_time(
    change: str, hours_between: int
) -> None:
    # The European Union's changes of 2026: the last Sundays of March and October (Directive
    # 2000/84/EC).
    middle = utc(change)
    ticks = ticks_between(middle - 36 * HOUR_MS, middle + 36 * HOUR_MS, "Europe/Dublin")
    days = {tick.text: tick.at for tick in ticks if len(tick.text) == 3}
    assert days["Mon"] - days["Sun"] == hours_between * HOUR_MS


@pytest.mark.parametrize(
    ("end", "texts"),
    [
        # Berlin's clocks go from two to three, and from three to two (the same directive).
        ("2026-03-29T05:00:00", ["Sun", "03:00", "04:00", "06:00"]),
        ("2026-03-29T04:30:00", ["Sun", "01:00", "03:00", "04:00", "05:00", "06:00"]),
        ("2026-10-25T04:00:00", ["Sun", "01:00", "02:00", "03:00", "04:00", "05:00"]),
    ],
)
def test_no_time_is_written_that_the_clocks_did_not_show(end: str, texts: list[str]) -> None:
    to_ms = utc(end)
    ticks = ticks_between(to_ms - 6 * HOUR_MS, to_ms, "Europe/Berlin")
    assert [tick.text for tick in ticks] == texts


@given(
    st.integers(0, 4_000_000_000_000),
    st.integers(HOUR_MS, 4000 * DAY_MS),
    st.sampled_from(["UTC", "Europe/Dublin", "Asia/Kolkata", "Australia/Lord_Howe"]),
)
def test_time_ticks_rise_within_the_span_and_fit(start: int, span: int, timezone: str) -> None:
    ticks = ticks_between(start, start + span, timezone)
    places = [tick.at for tick in ticks]
    assert places == sorted(set(places))
    assert all(start <= place <= start + span for place in places)
    assert sum(len(tick.text) for tick in ticks) <= 32


@given(st.lists(st.floats(0, 200), max_size=8))
def test_labels_never_touch_keep_their_order_and_stay_where_they_have_room(
    places: list[float],
) -> None:
    moved = spread(places, 14.0, 0.0, 200.0)
    order = sorted(range(len(places)), key=lambda number: places[number])
    heights = [moved[number] for number in order]
    assert all(after - before >= 14.0 - 1e-6 for before, after in pairwise(heights))
    assert all(-1e-6 <= height <= 200.0 + 1e-6 for height in moved)
    assert spread([20.0 * step for step in order], 14.0, 0.0, 200.0) == [
        20.0 * step for step in order
    ]
