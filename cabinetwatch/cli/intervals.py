"""ISO 8601 intervals as arguments: START/END, START/DURATION or DURATION/END."""

import re
from collections.abc import Callable
from datetime import UTC, datetime, time, timedelta, tzinfo
from typing import TypeVar
from zoneinfo import ZoneInfo

from cabinetwatch.errors import UsageError
from cabinetwatch.times import from_datetime

_T = TypeVar("_T")
_DURATION = re.compile(
    r"P(?:(\d+(?:\.\d+)?)W)?(?:(\d+(?:\.\d+)?)D)?"
    r"(?:T(?:(\d+(?:\.\d+)?)H)?(?:(\d+(?:\.\d+)?)M)?(?:(\d+(?:\.\d+)?)S)?)?"
)


def read_interval(option: str, text: str, timezone: str) -> tuple[int, int]:
    """Read an interval of ISO 8601 (5.5.1 of ISO 8601-1:2019, from memory).

    A time without an offset is in the time zone of the site; an end may leave out what it shares
    with the start: its date, and its offset. Hours are hours, also where the clocks change; a day
    is from one time of day to the same on the next.

    Args:
        option: the option it stands behind, for the sentence of an error.
        text: such as 2026-07-01T18:00Z/20:00, or 2026-07-01T18:00/PT2H.
        timezone: of the site.

    Returns:
        From and up to before, UTC in ms; the end needn't lie after the start.

    Raises:
        UsageError: it is no such interval.
    """
    first, slash, second = text.strip().replace("--", "/").partition("/")
    zone = ZoneInfo(timezone)
    try:
        start, end = _ends(first, second if slash else "", zone)
        return from_datetime(start), from_datetime(end)
    except (ValueError, OverflowError) as error:
        raise UsageError(
            f"{option} {text}: this is no ISO 8601 interval ({error}); write it like"
            " 2026-07-01T18:00:00Z/2026-07-01T20:00:00Z or 2026-07-01T18:00:00Z/PT2H"
        ) from None


def _ends(first: str, second: str, zone: tzinfo) -> tuple[datetime, datetime]:
    if first.startswith("P"):
        end = _instant(second, zone)
        return _after(end, first, -1), end
    start = _instant(first, zone)
    if second.startswith("P"):
        return start, _after(start, second, 1)
    return start, _end(second, start)


def _after(moment: datetime, duration: str, sign: int) -> datetime:
    """Give the time a duration after another, or before it with a sign of -1."""
    days, hours = _duration(duration)
    # Within one time zone the sum of a datetime and a span is what the clocks on the wall show.
    return (moment + sign * days).astimezone(UTC) + sign * hours


def _instant(text: str, zone: tzinfo | None) -> datetime:
    if "T" not in text.upper():
        raise ValueError(f"{text or 'nothing'} has no time of day")
    moment = _parsed(datetime.fromisoformat, text)
    return moment if moment.tzinfo is not None else moment.replace(tzinfo=zone)


def _end(text: str, start: datetime) -> datetime:
    if "T" in text.upper():
        return _instant(text, start.tzinfo)
    moment = _parsed(time.fromisoformat, text)
    whole = datetime.combine(start.date(), moment)
    return whole if whole.tzinfo is not None else whole.replace(tzinfo=start.tzinfo)


def _parsed(parse: Callable[[str], _T], text: str) -> _T:
    try:
        return parse(text)
    except ValueError:
        raise ValueError(f"{text or 'nothing'} is no time") from None


def _duration(text: str) -> tuple[timedelta, timedelta]:
    """Give the days of a duration, and what is shorter."""
    match = _DURATION.fullmatch(text)
    if match is None or not any(match.groups()):
        raise ValueError(f"{text} is no duration of weeks, days, hours, minutes or seconds")
    weeks, days, hours, minutes, seconds = (float(each or 0) for each in match.groups())
    return (
        timedelta(weeks=weeks, days=days),
        timedelta(hours=hours, minutes=minutes, seconds=seconds),
    )
