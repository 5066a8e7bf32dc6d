"""Which weeks are to be frozen and which summary is to be mailed now. Pure: told the time.

Everything follows from what the store holds, so that it does not matter when, or how often, anybody
asks: after a power cut over the due time, after a step of the clock, twice in a minute.
"""

from collections.abc import Collection, Sequence
from datetime import time, timedelta
from typing import NamedTuple
from zoneinfo import ZoneInfo

from cabinetwatch.report.summary_week import IsoWeek, instant

DAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")

CLOSES_AFTER_MS = 600_000
"""A week is frozen this long after its end: what was on its way then is in the store by now."""

_FIRST_TRUE_YEAR = 2024
"""No clock that is set shows an earlier one: a machine without a battery wakes in 1970."""

_MOST_LATE = 4
"""Weeks back that a summary is still worth sending for."""

Span = tuple[int, int]
"""From one instant up to another, UTC in ms."""


class When(NamedTuple):
    """When the summary of a week is due: the first such day and time after the week has closed."""

    day: str
    time: time
    zone: ZoneInfo

    def due_utc_ms(self, week: IsoWeek) -> int:
        """Give the instant at which the summary of a week is due, not before the week closes."""
        day = week.after().monday + timedelta(days=DAYS.index(self.day))
        return max(
            instant(day, self.time, self.zone), week.ends_utc_ms(self.zone) + CLOSES_AFTER_MS
        )


def weeks_to_freeze(
    now_utc_ms: int, spans: Sequence[Span], frozen: Collection[IsoWeek], zone: ZoneInfo
) -> list[IsoWeek]:
    """Give the closed weeks that have no figures yet, oldest first.

    Args:
        now_utc_ms: by the wall clock.
        spans: in which the watch ran; a week without any has nothing to freeze.
        frozen: the weeks that have their figures.
        zone: of the site.
    """
    lived = weeks_lived(spans, zone)
    return [
        week
        for week in lived
        if week not in frozen and week.ends_utc_ms(zone) + CLOSES_AFTER_MS <= now_utc_ms
    ]


def week_to_mail(
    now_utc_ms: int, spans: Sequence[Span], told: Collection[IsoWeek], when: When
) -> IsoWeek | None:
    """Give the week whose summary is due and was not written yet; the oldest, if there are several.

    The first summary ever is of the newest week that is due: nobody wants a year of them at
    once. A week in which the watch did not run at all has none; the next one tells of the gap.

    Args:
        now_utc_ms: by the wall clock.
        spans: in which the watch ran.
        told: the weeks whose summary was written, whatever became of it.
        when: it is due.
    """
    newest = IsoWeek.of(now_utc_ms, when.zone).before()
    earliest = newest
    for _ in range(_MOST_LATE - 1):
        earliest = earliest.before()
    before = [week for week in told if week < newest]
    first = newest if newest in told else earliest
    since = max(before).after() if before else first
    due = [
        week
        for week in weeks_lived(spans, when.zone)
        if max(since, earliest) <= week <= newest
        and week not in told
        and when.due_utc_ms(week) <= now_utc_ms
    ]
    if not due:
        return None
    return due[0] if before else due[-1]


def weeks_lived(spans: Sequence[Span], zone: ZoneInfo) -> list[IsoWeek]:
    """Give the weeks in which the watch ran at any time, by a clock that was set, in order."""
    lived: set[IsoWeek] = set()
    for from_utc_ms, to_utc_ms in spans:
        week, last = IsoWeek.of(from_utc_ms, zone), IsoWeek.of(max(from_utc_ms, to_utc_ms), zone)
        while week <= last:
            lived.add(week)
            week = week.after()
    return sorted(week for week in lived if week.year >= _FIRST_TRUE_YEAR)
