"""When to try, to wait and to tell again. Pure arithmetic: no clock, no queue."""

from dataclasses import dataclass
from datetime import time
from zoneinfo import ZoneInfo

from cabinetwatch.times import to_datetime

FIRST_RETRY_S = 10.0
LONGEST_RETRY_S = 300.0
LONGEST_REPEAT_S = 86_400.0

_MINUTE_MS = 60_000
_MINUTES_SEARCHED = 2 * 24 * 60
"""Two days of minutes hold the end of any quiet span, whatever the clocks are changed by."""


@dataclass(frozen=True, slots=True)
class QuietHours:
    """A span of each day, by the wall clock of the site, in which what can wait waits.

    The start lies within, the end without. A span whose end is the earlier runs over midnight.
    Where the clocks are put forward or back, what the wall clock shows decides: an hour that is
    skipped is not waited for, one that comes twice is quiet twice.
    """

    start: time
    end: time
    timezone: ZoneInfo

    def quiet_at(self, utc_ms: int) -> bool:
        """Whether the wall clock of the site stands within the span."""
        local = to_datetime(utc_ms).astimezone(self.timezone).time()
        if self.start < self.end:
            return self.start <= local < self.end
        return local >= self.start or local < self.end

    def quiet_until(self, utc_ms: int) -> int | None:
        """When the quiet in which this instant lies ends (UTC, ms); None when it is not quiet."""
        if not self.quiet_at(utc_ms):
            return None
        minute_ms = utc_ms - utc_ms % _MINUTE_MS
        for _ in range(_MINUTES_SEARCHED):
            minute_ms += _MINUTE_MS
            if not self.quiet_at(minute_ms):
                return minute_ms
        raise AssertionError("a quiet span shorter than a day ends within two")


def retry_delay_ms(failures: int) -> int:
    """Give the wait after the given number of failures in a row: 10 s, doubling to 5 min."""
    delay_s: float = FIRST_RETRY_S
    for _ in range(1, failures):
        delay_s = min(2 * delay_s, LONGEST_RETRY_S)
        if delay_s == LONGEST_RETRY_S:
            break
    return round(delay_s * 1000)


def next_repeat_t(raised_t: int, after_t: int, repeat_s: float) -> int:
    """Give the first instant after `after_t` at which a standing alarm is to be told again.

    The first repeat comes `repeat_s` after the raise, the following at doubling intervals up to a
    day. All from the raise on, so that a restart finds the same instants.

    Args:
        raised_t: Watch time of the raise (ms).
        after_t: Watch time (ms) up to which everything has been told or is past.
        repeat_s: The first interval, above zero.

    Returns:
        Watch time in ms.
    """
    interval_ms = round(repeat_s * 1000)
    longest_ms = max(interval_ms, round(LONGEST_REPEAT_S * 1000))
    due_t = raised_t + interval_ms
    while due_t <= after_t and interval_ms < longest_ms:
        interval_ms = min(2 * interval_ms, longest_ms)
        due_t += interval_ms
    if due_t <= after_t:
        due_t += ((after_t - due_t) // interval_ms + 1) * interval_ms
    return due_t
