"""ISO 8601 intervals on the command line."""

from types import SimpleNamespace
from typing import cast

import pytest

from cabinetwatch.cli.terminal import interval
from cabinetwatch.config.model import Config
from cabinetwatch.text import UsageError, from_rfc3339


def read_interval(text: str, timezone: str) -> tuple[int, int]:
    config = cast("Config", SimpleNamespace(site=SimpleNamespace(timezone=timezone)))
    first, last = interval("--before").read(text, config)
    return first, last


START, END = from_rfc3339("2026-07-01T18:00:00Z"), from_rfc3339("2026-07-01T20:00:00Z")


@pytest.mark.parametrize(
    "text",
    [
        "2026-07-01T18:00:00Z/2026-07-01T20:00:00Z",
        "2026-07-01T18:00Z/2026-07-01T20:00Z",
        "2026-07-01T20:00:00+02:00/2026-07-01T22:00:00+02:00",
        "2026-07-01T20:00:00+02:00/2026-07-01T22:00:00",
        "20260701T180000Z/20260701T200000Z",
        "2026-07-01T18:00:00Z/PT2H",
        "2026-07-01T18:00:00Z/PT120M",
        "PT2H/2026-07-01T20:00:00Z",
        "2026-07-01T18:00Z/20:00",
        "2026-07-01T18:00:00.000Z--2026-07-01T20:00:00.000Z",
        # Dublin keeps UTC + 1 in July.
        "2026-07-01T19:00/2026-07-01T21:00",
        "2026-07-01T19:00/PT2H",
    ],
)
def test_every_form_gives_the_same_interval(text: str) -> None:
    assert read_interval(text, "Europe/Dublin") == (START, END)


def test_days_and_weeks_are_durations() -> None:
    _, end = read_interval("2026-07-01T18:00:00Z/P1W1DT1H", "UTC")
    assert end - START == (8 * 24 + 1) * 3_600_000


@pytest.mark.parametrize(
    ("text", "hours"),
    [
        # Dublin's clocks go from one to two on 29 March, and from two to one on 25 October 2026
        # (directive 2000/84/EC).
        ("2026-03-29T00:00/PT3H", 3),
        ("PT3H/2026-03-29T03:00", 3),
        ("2026-03-29T00:00/P1D", 23),
        ("2026-10-25T00:00/PT3H", 3),
        ("2026-10-25T00:00/P1D", 25),
        ("P1DT1H/2026-10-26T00:00", 26),
    ],
)
def test_hours_are_hours_and_days_are_days_where_the_clocks_change(text: str, hours: int) -> None:
    start, end = read_interval(text, "Europe/Dublin")
    assert end - start == hours * 3_600_000


@pytest.mark.parametrize(
    "text",
    [
        "",
        "/",
        "yesterday/today",
        "2026-07-01T18:00:00Z",
        "2026-07-01/2026-07-02",
        "2026-07-01T18:00:00Z/P",
        "2026-07-01T18:00:00Z/2h",
        "PT2H/PT2H",
        "2026-02-30T18:00:00Z/PT2H",
        "2026-07-01T18:00:00Z/PT2H/PT2H",
        "9999-12-31T23:00:00Z/P999999W",
        "2026-07-01T18:00:00Z/P99999999999D",
        "0001-01-01T00:00:00+10:00/PT2H",
    ],
)
def test_anything_else_is_refused_in_a_sentence_that_shows_how(text: str) -> None:
    with pytest.raises(UsageError, match=r"--before .*write it like") as refused:
        read_interval(text, "UTC")
    assert len(str(refused.value).splitlines()) == 1
