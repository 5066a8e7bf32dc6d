"""The simulated fortnight: its dates, its events, and that it is the same each time."""

import tomllib
from datetime import UTC, datetime
from itertools import islice

import pytest

from cabinetwatch.demo import story as fortnight
from cabinetwatch.demo.cabinet import Cabinet
from cabinetwatch.demo.story import fortnight_configuration_text
from cabinetwatch.text import from_datetime, to_datetime

DAY_MS = 86_400_000


def at(text: str) -> int:
    """Milliseconds since 1970 of an instant in UTC."""
    return from_datetime(datetime.fromisoformat(text).replace(tzinfo=UTC))


@pytest.mark.parametrize(
    ("now", "start", "end"),
    [
        ("2026-01-14T12:00", "2025-12-29T00:00", "2026-01-12T07:00"),  # a Wednesday
        ("2026-01-12T06:59", "2025-12-22T00:00", "2026-01-05T07:00"),  # a minute too early
        ("2026-01-12T07:00", "2025-12-29T00:00", "2026-01-12T07:00"),  # on the minute
        # Dublin's clocks went forward on 2026-03-29 at 01:00 UTC.
        ("2026-03-30T12:00", "2026-03-16T00:00", "2026-03-30T06:00"),
        ("2026-04-08T12:00", "2026-03-23T00:00", "2026-04-06T06:00"),
    ],
)
def test_it_is_the_last_two_weeks_that_are_over_by_the_household_clock(
    now: str, start: str, end: str
) -> None:
    ends = fortnight.fortnight_end_utc_ms(at(now))
    assert to_datetime(ends) == to_datetime(at(end))
    assert to_datetime(fortnight.fortnight_start_utc_ms(ends)) == to_datetime(at(start))


def test_the_same_fortnight_comes_out_whenever_it_is_asked_for() -> None:
    first = list(islice(fortnight.moments(0, DAY_MS), 100))
    assert first == list(islice(fortnight.moments(0, DAY_MS), 100))
    assert [moment.utc_ms for moment in first[:2]] == [60_000, 120_000]


def pass_time(cabinet: Cabinet, seconds: float) -> None:
    cabinet.elapsed_s += seconds


def test_every_event_happens_in_its_order_and_the_first_says_that_all_is_simulated(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # Who does what when hangs on time alone.
    monkeypatch.setattr(fortnight, "MOMENT_S", 600)
    monkeypatch.setattr(Cabinet, "advance", pass_time)
    actions = [each for moment in fortnight.moments(0, 14 * DAY_MS) for each in moment.actions]
    assert actions[0].command["text"] == fortnight.SIMULATED
    assert len(actions) == sum(event.action is not None for event in fortnight._EVENTS)


def test_its_probes_are_the_sensors_of_its_configuration_which_mails_nobody() -> None:
    config = tomllib.loads(fortnight_configuration_text())
    (moment,) = islice(fortnight.moments(0, DAY_MS), 1)
    assert config["sensors"].keys() == moment.values.keys()
    assert {each["interval_s"] for each in config["sensors"].values()} == {fortnight.MOMENT_S}
    assert config["notify"] == {"mqtt": {"enabled": False}}
    assert "simulated" in config["site"]["name"]
