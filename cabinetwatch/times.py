"""Instants and durations as text: RFC 3339, ISO 8601 intervals, "2h", "3 min 20 s"."""

import re
from datetime import UTC, datetime

_DURATION = re.compile(r"(\d+(?:\.\d+)?)([smhd])")
_SECONDS = {"s": 1, "m": 60, "h": 3600, "d": 86400}
_RFC3339 = re.compile(r"\d{4}-\d{2}-\d{2}[Tt ]\d{2}:\d{2}:\d{2}(?:\.\d+)?(?:[Zz]|[+-]\d{2}:\d{2})")

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)

# 0001-01-02 and 9999-12-31: a day from the calendar's ends, so that every instant between them has
# a date in every time zone.
_EARLIEST_MS = -62_135_510_400_000
_LATEST_MS = 253_402_214_400_000


def to_datetime(utc_ms: int) -> datetime:
    """Give the aware UTC datetime of an instant in milliseconds since 1970."""
    seconds, milliseconds = divmod(utc_ms, 1000)
    return datetime.fromtimestamp(seconds, UTC).replace(microsecond=milliseconds * 1000)


def from_datetime(moment: datetime) -> int:
    """Give the milliseconds since 1970 of an aware datetime, rounded down.

    Raises:
        ValueError: it lies so near to an end of the calendar that some time zone has no date for
            it.
    """
    delta = moment - EPOCH
    utc_ms = (delta.days * 86400 + delta.seconds) * 1000 + delta.microseconds // 1000
    if not _EARLIEST_MS <= utc_ms < _LATEST_MS:
        raise ValueError(f"{moment.isoformat()} lies at the end of the calendar")
    return utc_ms


def to_rfc3339(utc_ms: int) -> str:
    """Write an instant as RFC 3339 in UTC with milliseconds, e.g. 2026-07-01T12:00:03.000Z."""
    return to_datetime(utc_ms).replace(tzinfo=None).isoformat(timespec="milliseconds") + "Z"


def from_rfc3339(text: str) -> int:
    """Read an RFC 3339 instant with its offset from UTC.

    Returns:
        Milliseconds since 1970, UTC.

    Raises:
        ValueError: the text is no RFC 3339 date-time, or lies at the end of the calendar.
    """
    sentence = (
        f"{text!r} is no RFC 3339 time; write it like 2026-07-01T12:00:00Z, with Z or an offset"
    )
    if not _RFC3339.fullmatch(text):
        raise ValueError(sentence)
    try:
        return from_datetime(datetime.fromisoformat(text.upper()))
    except ValueError:  # the thirtieth of February
        raise ValueError(sentence) from None


def from_instant(value: str | float) -> int:
    """Read an instant as recordings write it: RFC 3339 text, or seconds since 1970.

    Raises:
        ValueError: neither of the two.
    """
    if isinstance(value, str):
        return from_rfc3339(value)
    if isinstance(value, bool) or not _EARLIEST_MS <= value * 1000 < _LATEST_MS:
        raise ValueError(f"{value!r} is no time in seconds since 1970")
    return round(value * 1000)


def parse_duration(text: str) -> float:
    """Read a duration such as 90s, 15m, 2h or 7d.

    Returns:
        Seconds, above zero.

    Raises:
        ValueError: not a number with s, m, h or d, or not above zero.
    """
    match = _DURATION.fullmatch(text.strip())
    if match is None or float(match[1]) <= 0:
        raise ValueError(f"{text!r} is no duration; write a number with s, m, h or d, such as 2h")
    return float(match[1]) * _SECONDS[match[2]]


def describe_duration(seconds: float) -> str:
    """Say a duration the way a person would: "45 s", "3 min 20 s", "2 h 5 min", "3 d 4 h"."""
    total = max(0, round(seconds))
    if total < 60:
        return f"{total} s"
    minutes, rest_s = divmod(total, 60)
    if minutes < 10 and rest_s:
        return f"{minutes} min {rest_s} s"
    minutes = round(total / 60)
    if minutes < 60:
        return f"{minutes} min"
    hours, rest_min = divmod(minutes, 60)
    if hours < 24:
        return f"{hours} h {rest_min} min" if rest_min else f"{hours} h"
    days, rest_h = divmod(round(minutes / 60), 24)
    return f"{days} d {rest_h} h" if rest_h else f"{days} d"
