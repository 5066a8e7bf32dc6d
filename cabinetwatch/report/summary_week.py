"""ISO weeks of a site: their names, and when they begin and end by its clocks. Pure."""

import re
from datetime import UTC, date, datetime, time, timedelta
from typing import NamedTuple
from zoneinfo import ZoneInfo

from cabinetwatch.times import from_datetime, to_datetime

_NAME = re.compile(r"([0-9]{4})-W([0-9]{2})")


class IsoWeek(NamedTuple):
    """A week of ISO 8601: it begins on a Monday, and the first one holds January 4.

    Weeks sort by time.
    """

    year: int
    number: int

    @classmethod
    def parse(cls, text: str) -> "IsoWeek":
        """Read a name such as 2026-W47.

        Raises:
            ValueError: it names no week.
        """
        match = _NAME.fullmatch(text)
        if match is not None:
            week = cls(int(match[1]), int(match[2]))
            try:
                # The calendar's first year has no room for a week before, its last for one after.
                if 1 < week.year < 9999 and week.monday:
                    return week
            except ValueError:
                pass
        raise ValueError(f"{text!r} is no week of ISO 8601; write it like 2026-W47")

    @classmethod
    def of(cls, utc_ms: int, zone: ZoneInfo) -> "IsoWeek":
        """Give the week that an instant falls into by the site's clocks."""
        return cls._of_day(to_datetime(utc_ms).astimezone(zone).date())

    @classmethod
    def _of_day(cls, day: date) -> "IsoWeek":
        year, number, _ = day.isocalendar()
        return cls(year, number)

    @property
    def name(self) -> str:
        """Give its name, such as 2026-W47."""
        return f"{self.year:04d}-W{self.number:02d}"

    @property
    def monday(self) -> date:
        """Give its first day.

        Raises:
            ValueError: the year has no such week.
        """
        return date.fromisocalendar(self.year, self.number, 1)

    def before(self) -> "IsoWeek":
        """Give the week before."""
        return self._of_day(self.monday - timedelta(days=7))

    def after(self) -> "IsoWeek":
        """Give the week after."""
        return self._of_day(self.monday + timedelta(days=7))

    def begins_utc_ms(self, zone: ZoneInfo) -> int:
        """Give the instant of its first midnight."""
        return instant(self.monday, time(0), zone)

    def ends_utc_ms(self, zone: ZoneInfo) -> int:
        """Give the instant at which the week after begins."""
        return self.after().begins_utc_ms(zone)


def instant(day: date, clock_time: time, zone: ZoneInfo) -> int:
    """Give the instant (UTC in ms) at which the site's clocks show a time of day.

    A time that comes twice is meant the first time. One that is skipped comes by as much later as
    the clocks are put forward by.
    """
    # Of a skipped time the first fold has the offset before the change, which is just that.
    local = datetime.combine(day, clock_time, zone)
    return from_datetime(local.astimezone(UTC))
