"""The one injected clock, watch time, and instants and durations as text."""

import re
import time
from datetime import UTC, datetime
from typing import Protocol

_BOOT_CLOCK = getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC)


class Clock(Protocol):
    """What the daemon and the simulation take for time."""

    def monotonic_ms(self) -> int:
        """Milliseconds on a clock that never steps; its zero has no meaning."""
        ...

    def utc_ms(self) -> int:
        """Milliseconds since 1970 as the wall clock shows them; may step either way."""
        ...

    def since_boot_ms(self) -> int:
        """Milliseconds since the machine started."""
        ...

    def real_s(self, watch_s: float) -> float:
        """Seconds to really wait so that `watch_s` pass on this clock."""
        ...

    def life_ms(self) -> int:
        """Milliseconds of life, whatever passes on this clock: a process that hangs misses them."""
        ...


class SystemClock:
    """The machine's own clocks, at their own rate."""

    def monotonic_ms(self) -> int:
        """Milliseconds since boot, a suspended machine's sleep included."""
        return time.clock_gettime_ns(_BOOT_CLOCK) // 1_000_000

    def utc_ms(self) -> int:
        """Milliseconds since 1970."""
        return time.time_ns() // 1_000_000

    def since_boot_ms(self) -> int:
        """Milliseconds since the machine started."""
        return self.monotonic_ms()

    def real_s(self, watch_s: float) -> float:
        """At rate one a second is a second."""
        return watch_s

    def life_ms(self) -> int:
        """The monotonic clock is that of life."""
        return self.monotonic_ms()


class RatedClock:
    """A clock that runs `rate` times faster than life from a given instant (demo and soak only)."""

    def __init__(self, rate: float, start_utc_ms: int) -> None:
        self._rate = rate
        self._start_utc_ms = start_utc_ms
        self._started_ns = time.monotonic_ns()

    def monotonic_ms(self) -> int:
        """Milliseconds, sped up, since the clock was made, after a day of pretended uptime."""
        return 86_400_000 + self._elapsed_ms()

    def utc_ms(self) -> int:
        """The start instant plus the sped-up time since."""
        return self._start_utc_ms + self._elapsed_ms()

    def since_boot_ms(self) -> int:
        """The machine of a simulation has been up for a day."""
        return self.monotonic_ms()

    def real_s(self, watch_s: float) -> float:
        """Seconds to really wait for `watch_s` of this clock."""
        return watch_s / self._rate

    def life_ms(self) -> int:
        """The machine's own clock."""
        return SystemClock().monotonic_ms()

    def _elapsed_ms(self) -> int:
        return int((time.monotonic_ns() - self._started_ns) * self._rate) // 1_000_000


class WatchTime:
    """Watch time: a time line of milliseconds that no step of the wall clock can bend.

    It runs with the monotonic clock. At a start it is set to the wall clock's UTC, unless that
    lies before `not_before_ms`, the last instant the store knows (a machine without a battery
    clock wakes in 1970): then it goes on from there. `offset_ms` is what must be added to watch
    time to get UTC; only `remeasure` changes it.
    """

    # The clock discipline slews errors below 128 ms (ntpd's step threshold, from memory), so a
    # smaller difference is the scatter of reading two clocks one after the other.
    STEP_MS = 100

    def __init__(self, clock: Clock, not_before_ms: int | None = None) -> None:
        self._clock = clock
        utc_ms, monotonic_ms = clock.utc_ms(), clock.monotonic_ms()
        start_ms = utc_ms if not_before_ms is None else max(utc_ms, not_before_ms + 1)
        self._base_ms = start_ms - monotonic_ms
        self.offset_ms = utc_ms - start_ms

    def now_ms(self) -> int:
        """Watch time now."""
        return self._clock.monotonic_ms() + self._base_ms

    def boot_ms(self) -> int:
        """Watch time at which the machine started."""
        return self.now_ms() - self._clock.since_boot_ms()

    def utc_ms(self, watch_ms: int) -> int:
        """UTC of an instant of watch time, by the offset in force."""
        return watch_ms + self.offset_ms

    def remeasure(self) -> int | None:
        """Compare both clocks; take and return the new offset if the wall clock stepped."""
        offset_ms = self._clock.utc_ms() - self.now_ms()
        if abs(offset_ms - self.offset_ms) < self.STEP_MS:
            return None
        self.offset_ms = offset_ms
        return offset_ms


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
