"""Text that people read: safe to print, counted, rounded, instants and durations; and errors."""

import re
from datetime import UTC, datetime
from typing import overload


class CabinetwatchError(Exception):
    """Base of every error that the command line prints as a sentence instead of a traceback."""


class UsageError(CabinetwatchError):
    """Wrong use: a bad argument, an unknown ID or subject (exit status 2)."""


class ConfigError(CabinetwatchError):
    """The configuration can't be used; `problems` holds one sentence for each fault found."""

    def __init__(self, problems: list[str]) -> None:
        super().__init__("\n".join(problems))
        self.problems = problems


class StoreError(CabinetwatchError):
    """The store could not be opened, read or written."""


def counted(count: int, word: str) -> str:
    """Write how many of something there are.

    >>> counted(1, "sensor"), counted(2, "sensor"), counted(0, "sensor")
    ('1 sensor', '2 sensors', '0 sensors')
    """
    return f"{count} {word}{'' if count == 1 else 's'}"


@overload
def rounded(value: float, digits: int) -> float: ...


@overload
def rounded(value: float | None, digits: int) -> float | None: ...


def rounded(value: float | None, digits: int) -> float | None:
    """Round a figure for programs to read; nothing is minus zero, and what is unknown stays so.

    What people read is written with the option z of Python's format, which does the same.

    >>> rounded(-0.04, 1), rounded(-0.06, 1)
    (0.0, -0.1)
    """
    return None if value is None else round(value, digits) + 0.0


_USERINFO = re.compile(r"(://[^\s:/?#@]*):[^\s]*@")
_SECRET_PARAMETER = re.compile(r"(?i)([?&;][\w.-]*(?:pass|pwd|secret|token|key)[\w.-]*=)[^\s&;#]+")


def without_secrets(text: str) -> str:
    """Put stars in the place of what a URL in a text keeps secret (RFC 3986, 7.5).

    That is the password before the host, and every parameter that is called one.

    >>> without_secrets("db://me:se@cr/et@host/x?sslpassword=y&mode=z")
    'db://me:***@host/x?sslpassword=***&mode=z'
    """
    return _SECRET_PARAMETER.sub(r"\1***", _USERINFO.sub(r"\1:***@", text))


def printable(text: str) -> str:
    r"""Escape everything that could move a cursor, end a line or turn text around.

    Control, format, surrogate and unassigned characters, and white space other than the plain
    and the no-break blank, become escapes such as \n, \x1b or \u202e; a backslash stays as it is.

    >>> printable("warm\x1b[2J")
    'warm\\x1b[2J'
    """
    if text.isprintable():
        return text
    return "".join(
        letter if letter.isprintable() or letter == NBSP else _escaped(letter) for letter in text
    )


def _escaped(letter: str) -> str:
    return letter.encode("unicode_escape").decode("ascii")


NBSP, MINUS = "\u00a0", "\u2212"
_BEFORE_UNIT = re.compile(
    r"(?<=\d) (?=(?:K(?:/\w+)?|°[CF]|W|%(?:RH)?|rpm|dB(?:\(A\))?|V|A|Ω|ohm|eV|Pa|[mM]B|GB"
    r"|m[³3]/[sh]|ft[³3]/min|kg/m[³3]|s|min|h|d|m)(?![\w/]))"
)
_NEGATIVE = re.compile(r"(?<![\w.-])-(?=\d)")


def typeset(text: str) -> str:
    """Set a text for people: no number parts from its unit, and negative ones have a minus sign.

    JSON, CSV and what is copied into a configuration keep hyphen and plain blanks.

    >>> typeset("-0.5 K on 2026-07-01") == "\u22120.5\u00a0K on 2026-07-01"
    True
    """
    return _NEGATIVE.sub(MINUS, _BEFORE_UNIT.sub(NBSP, text))


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
