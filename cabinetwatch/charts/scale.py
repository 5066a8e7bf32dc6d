"""Scales: which figures and which times stand along the edges of a picture. Pure."""

import math
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from typing import NamedTuple
from zoneinfo import ZoneInfo

from cabinetwatch.times import to_datetime

_MOST_LETTERS = 32
"""Of all labels together that fit beside each other below a picture as wide as a phone."""


class Tick(NamedTuple):
    """A place on a scale and what is written there."""

    at: float
    text: str


def value_ticks(low: float, high: float, most: int = 6) -> list[Tick]:
    """Give round figures from at or below `low` to at or above `high`, the least that cover both.

    >>> [tick.text for tick in value_ticks(21.3, 46.0)]
    ['20', '30', '40', '50']
    """
    step = _round_step((high - low) / (most - 1))
    first, last = math.floor(low / step + 1e-9), math.ceil(high / step - 1e-9)
    decimals = max(0, -math.floor(math.log10(step) + 1e-9))
    return [
        Tick(number * step, f"{number * step:z.{decimals}f}") for number in range(first, last + 1)
    ]


def _round_step(least: float) -> float:
    """Give the smallest of 1, 2 and 5 times a power of ten that is not below `least`."""
    power = 10.0 ** math.floor(math.log10(least))
    return next(factor * power for factor in (1.0, 2.0, 5.0, 10.0) if factor * power >= least)


def time_ticks(from_utc_ms: int, to_utc_ms: int, timezone: str) -> list[Tick]:
    """Give round local times within a span, with the words for them, as many as fit."""
    zone = ZoneInfo(timezone)
    start = to_datetime(from_utc_ms).astimezone(zone)
    for steps, form in _STEPS:
        ticks: list[Tick] = []
        for local in steps(start):
            # Instants are compared, not what the clock on the wall shows: that repeats an hour.
            at = local.timestamp() * 1000
            if at > to_utc_ms or not _fit(ticks):
                break
            # Of an hour that is skipped the clock shows the next, which may come by itself, too.
            if at >= from_utc_ms and (not ticks or at > ticks[-1].at):
                ticks.append(Tick(at, _written(to_datetime(round(at)).astimezone(zone), form)))
        if _fit(ticks):
            return ticks
    return []


def _fit(ticks: list[Tick]) -> bool:
    return sum(len(tick.text) for tick in ticks) <= _MOST_LETTERS


_Steps = Callable[[datetime], Iterator[datetime]]


def _hours(step: int) -> _Steps:
    """Whole hours of the local clock that are multiples of `step`; days change with its changes."""

    def steps(start: datetime) -> Iterator[datetime]:
        midnight = start.replace(hour=0, minute=0, second=0, microsecond=0)
        while True:
            for hour in range(0, 24, step):
                yield midnight.replace(hour=hour)
            midnight += timedelta(days=1)

    return steps


def _minutes(step: int) -> _Steps:
    """Minutes of the clock that are multiples of `step`, a divisor of the hour."""

    def steps(start: datetime) -> Iterator[datetime]:
        at = start.replace(minute=0, second=0, microsecond=0)
        while True:
            yield at
            at = (at.astimezone(UTC) + timedelta(minutes=step)).astimezone(start.tzinfo)

    return steps


def _days(step: int) -> _Steps:
    """Local midnights, every so many days; for whole weeks those of Mondays."""

    def steps(start: datetime) -> Iterator[datetime]:
        midnight = start.replace(hour=0, minute=0, second=0, microsecond=0)
        if step % 7 == 0:
            midnight -= timedelta(days=midnight.weekday())
        while True:
            yield midnight
            midnight += timedelta(days=step)

    return steps


def _months(step: int) -> _Steps:
    """First days of months."""

    def steps(start: datetime) -> Iterator[datetime]:
        first = start.replace(day=1, hour=0, minute=0, second=0, microsecond=0)
        while True:
            yield first
            month = first.month - 1 + step
            first = first.replace(year=first.year + month // 12, month=month % 12 + 1)

    return steps


_STEPS: tuple[tuple[_Steps, str], ...] = (
    *((_minutes(step), "%H:%M") for step in (1, 2, 5, 10, 15, 30)),
    *((_hours(step), "%H:%M") for step in (1, 2, 3, 6, 12)),
    (_days(1), "%a %-d"),
    (_days(2), "%a %-d"),
    *((_days(step), "%-d %b") for step in (7, 14, 21, 28)),
    *((_months(step), "%b %Y") for step in (1, 2, 3, 6, 12)),
)


def _written(local: datetime, form: str) -> str:
    if form == "%H:%M" and local.hour == local.minute == 0:
        form = "%a"
    return local.strftime(form)
