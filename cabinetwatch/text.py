"""Text that people read: safe to print, counted, rounded, temperatures, instants; and errors."""

import re
from datetime import UTC, datetime, timedelta
from enum import StrEnum
from typing import overload
from zoneinfo import ZoneInfo


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


NBSP = "\N{NO-BREAK SPACE}"
"""Between a number and its unit in what people read."""

_MINUS = "\N{MINUS SIGN}"
_LONGEST = 1e9
"""Figures beyond are written with an exponent: 200 digits are no sentence."""


def measure(value: float, decimals: int, unit: str, *, sign: bool = False) -> str:
    """Write a number for people, with its unit: inseparable, with a true minus, never minus zero.

    >>> measure(-8.94, 1, "K") == f"{_MINUS}8.9{NBSP}K"
    True
    """
    form = f"z.{decimals}f" if abs(value) < _LONGEST else "z.3g"
    number = f"{value:{'+' * sign}{form}}"
    return f"{number.replace('-', _MINUS)}{NBSP}{unit}"


class TemperatureUnit(StrEnum):
    """In which unit people read temperatures and their differences, called as SenML calls it.

    Whatever is kept, judged or given to programs stays in degC and K. The unit is part of the
    configuration, and is handed down with it to whoever writes a sentence, as the time zone is. It
    is no global: threads of one process may watch two sites, and a replay has the configuration of
    then beside that of now.
    """

    CELSIUS = "Cel"
    FAHRENHEIT = "degF"

    @property
    def symbol(self) -> str:
        """What stands behind a temperature."""
        return "°C" if self is TemperatureUnit.CELSIUS else "°F"

    @property
    def of_difference(self) -> str:
        """What stands behind a difference: K, or where people have no word for it the degree."""
        return "K" if self is TemperatureUnit.CELSIUS else "°F"

    def from_c(self, value_c: float) -> float:
        """Convert a temperature."""
        return value_c if self is TemperatureUnit.CELSIUS else 1.8 * value_c + 32.0

    def from_k(self, value_k: float) -> float:
        """Convert a difference, or anything in proportion to one."""
        return value_k if self is TemperatureUnit.CELSIUS else 1.8 * value_k

    def temperature(self, value_c: float, decimals: int = 1) -> str:
        r"""Write a temperature for people.

        >>> TemperatureUnit.CELSIUS.temperature(48.3), TemperatureUnit.FAHRENHEIT.temperature(48.3)
        ('48.3\xa0°C', '118.9\xa0°F')
        """
        return measure(self.from_c(value_c), decimals, self.symbol)

    def difference(
        self, value_k: float, decimals: int = 1, *, per: str = "", sign: bool = False
    ) -> str:
        r"""Write a difference of temperatures for people; `per`: of what it is the rate.

        >>> TemperatureUnit.FAHRENHEIT.difference(10.0), TemperatureUnit.CELSIUS.difference(10.0)
        ('18.0\xa0°F', '10.0\xa0K')
        >>> TemperatureUnit.FAHRENHEIT.difference(0.25, 3, per="/W", sign=True)
        '+0.450\xa0°F/W'
        """
        return measure(self.from_k(value_k), decimals, f"{self.of_difference}{per}", sign=sign)


def plain(text: str) -> str:
    """Give a text that people read as programs want it: ordinary blanks and hyphens.

    >>> plain(measure(-8.94, 1, "K"))
    '-8.9 K'
    """
    return text.replace(NBSP, " ").replace(_MINUS, "-")


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
    blank and the one that keeps a number with its unit, become escapes such as \n, \x1b or
    \u202e; a backslash stays as it is.

    >>> printable("warm\x1b[2J")
    'warm\\x1b[2J'
    """
    if text.isprintable():
        return text
    return "".join(
        letter
        if letter.isprintable() or letter == NBSP
        else letter.encode("unicode_escape").decode("ascii")
        for letter in text
    )


_BEFORE_UNIT = re.compile(
    r"(?<=\d) (?=(?:(?:K|°[CF])(?:/\w+)?|W|%(?:RH)?|rpm|dB(?:\(A\))?|V|A|Ω|ohm|eV|Pa|[mM]B|GB"
    r"|m[³3]/[sh]|ft[³3]/min|kg/m[³3]|s|min|h|d|m)(?![\w/]))"
)
_NEGATIVE = re.compile(r"(?<![\w.-])-(?=\d)")


def typeset(text: str) -> str:
    """Set a text for people: no number parts from its unit, and negative ones have a minus sign.

    JSON, CSV and what is copied into a configuration keep hyphen and plain blanks.

    >>> typeset("-0.5 K on 2026-07-01") == "\u22120.5\u00a0K on 2026-07-01"
    True
    """
    return _NEGATIVE.sub(_MINUS, _BEFORE_UNIT.sub(NBSP, text))


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


def local_time(utc_ms: int, timezone: str, form: str = "%Y-%m-%d %H:%M:%S %Z") -> str:
    """Write an instant as the site's clocks show it, e.g. 2026-07-01 13:00:03 IST."""
    return to_datetime(utc_ms).astimezone(ZoneInfo(timezone)).strftime(form)


def beside(utc_ms: int, other_ms: int, timezone: str, form: str = "%H:%M") -> str:
    """Write an instant beside another that is written whole: 20:42, or Sun 29 Nov 20:42."""
    is_one_day = len({local_time(each, timezone, "%F") for each in (utc_ms, other_ms)}) == 1
    return local_time(utc_ms, timezone, form if is_one_day else "%a %-d %b %H:%M")


def from_datetime(moment: datetime) -> int:
    """Give the milliseconds since 1970 of an aware datetime, rounded down.

    Raises:
        ValueError: it lies so near to an end of the calendar that some time zone has no date for
            it.
    """
    utc_ms = (moment - EPOCH) // timedelta(milliseconds=1)
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
    """Say a duration the way a person would: "45 s", "3 min 20 s", "2 h 5 min", "3 d 4 h".

    No number parts from its unit: see `measure`.
    """
    total = max(0, round(seconds))
    minutes = round(total / 60)
    if total < 600:
        parts = (total // 60, "min"), (total % 60, "s")
    elif minutes < 60 * 24:
        parts = (minutes // 60, "h"), (minutes % 60, "min")
    else:
        hours = round(minutes / 60)
        parts = (hours // 24, "d"), (hours % 24, "h")
    written = [f"{number}{NBSP}{unit}" for number, unit in parts if number]
    return " ".join(written) or f"0{NBSP}s"
