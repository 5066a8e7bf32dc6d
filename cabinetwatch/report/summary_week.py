"""Weeks: which are due, the figures of one as they are frozen, and when the watch ran.

What is due follows from what the store holds, so that it does not matter when, or how often,
anybody asks: after a power cut over the due time, after a step of the clock, twice in a minute.

A `Week` is stored as JSON for good: what it gains needs a default, what it has must stay, or
`VERSION` goes up and those frozen before are no longer shown. Temperatures are in degC,
differences in K, instants in UTC ms; None is unknown.

Pure, and imported by the daemon.
"""

import re
from collections.abc import Collection, Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from pydantic import TypeAdapter, ValidationError

from cabinetwatch.text import from_datetime, to_datetime
from cabinetwatch.watch.events import Entry, EntryKind

WEEK_MS = 7 * 86_400_000
DAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")

CLOSES_AFTER_MS = 600_000
"""A week is frozen this long after its end: what was on its way then is in the store by now."""

_FIRST_TRUE_YEAR = 2024
"""No clock that is set shows an earlier one: a machine without a battery wakes in 1970."""

_MOST_LATE = 4
"""Weeks back that a summary is still worth sending for."""

_FAR_MS = 60_000
"""A clock that was put on by as much was wrong."""

Span = tuple[int, int]
"""From one instant up to another, UTC in ms."""


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
        match = re.fullmatch(r"([0-9]{4})-W([0-9]{2})", text)
        if match is not None:
            week = cls(int(match[1]), int(match[2]))
            # The calendar's first year has no room for a week before, its last for one after.
            with suppress(ValueError):
                if 1 < week.year < 9999 and week.monday:
                    return week
        raise ValueError(f"{text!r} is no week of ISO 8601; write it like 2026-W47")

    @classmethod
    def of(cls, utc_ms: int, zone: ZoneInfo) -> "IsoWeek":
        """Give the week that an instant falls into by the site's clocks."""
        return cls(*to_datetime(utc_ms).astimezone(zone).isocalendar()[:2])

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
        return IsoWeek(*(self.monday - timedelta(days=7)).isocalendar()[:2])

    def after(self) -> "IsoWeek":
        """Give the week after."""
        return IsoWeek(*(self.monday + timedelta(days=7)).isocalendar()[:2])

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
    """Give the closed weeks in which the watch ran and that are not frozen yet, oldest first."""
    return [
        week
        for week in weeks_lived(spans, zone)
        if week not in frozen and week.ends_utc_ms(zone) + CLOSES_AFTER_MS <= now_utc_ms
    ]


def week_to_mail(
    now_utc_ms: int, spans: Sequence[Span], told: Collection[IsoWeek], when: When
) -> IsoWeek | None:
    """Give the week whose summary is due and was not written yet; the oldest, if there are several.

    The first summary ever is of the newest week that is due: nobody wants a year of them at
    once. A week in which the watch did not run at all has none; the next one tells of the gap.
    `told` are the weeks whose summary was written, whatever became of it.
    """
    newest = earliest = IsoWeek.of(now_utc_ms, when.zone).before()
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


VERSION = 1


@dataclass(frozen=True, slots=True)
class Spread:
    """A figure over the week: mean and 95th percentile of its minute means, and the extremes.

    The highest lies between two instants; weeks frozen before know the first alone.
    """

    mean: float
    percentile_95: float
    lowest: float
    highest: float
    highest_utc_ms: int
    highest_until_utc_ms: int | None = None


@dataclass(frozen=True, slots=True)
class DriftWeek:
    """The trend of the rise as it stood when the week closed; see `thermal.drift`.

    `exhausted_in_days`: when the hot-day margin is used up at this pace.
    """

    significant: bool | None
    climb_per_week: float | None
    exhausted_in_days: float | None


@dataclass(frozen=True, slots=True)
class DeviceWeek:
    """A device's week.

    `settled_rise_k` and `normal_rise_k` are means over the time it was on, as are those of last
    week; hot-day margins likewise. `margin_k` is the least of the week, between `margin_utc_ms` and
    `margin_until_utc_ms`; weeks frozen before know the first alone. `learnt` says what was learnt
    of it in the week.
    `life_factor` is how much more slowly it aged than it would have with its normal rise: below 1
    is a shorter life (Arrhenius, 0.7 eV). `known` is the part of the week with a temperature.
    """

    id: str
    name: str
    temperature: Spread | None
    rise: Spread | None
    ambient_c: float | None
    settled_rise_k: float | None
    settled_rise_last_week_k: float | None
    normal_rise_k: float | None
    margin_k: float | None
    margin_utc_ms: int | None
    hot_day_margin_k: float | None
    hot_day_margin_last_week_k: float | None
    life_factor: float | None
    off_fraction: float | None
    known: float
    drift: DriftWeek | None
    margin_until_utc_ms: int | None = None
    learnt: str = ""


@dataclass(frozen=True, slots=True)
class SensorWeek:
    """A sensor's week.

    `availability` is the part of the time in which the watch ran that the sensor was heard in, by
    stretches of `heard_every_s`; None for one that promises no interval, or if the watch never ran.
    `faults` counts how often each of its own conditions was raised. `unreadable` counts the
    messages that it could not be read from; weeks frozen before that was counted have none. `name`
    is empty for a sensor without one.
    """

    id: str
    quantity: str
    readings: int
    heard_every_s: float | None
    availability: float | None
    gaps: int
    longest_gap_s: float
    faults: dict[str, int]
    unreadable: int = 0
    name: str = ""

    @property
    def called(self) -> str:
        """What people call it."""
        return self.name or self.id


@dataclass(frozen=True, slots=True)
class AlarmWeek:
    """One occurrence of an alarm that was seen in the week.

    `raises` are those within the week. It began at the first sign, `began_utc_ms` (weeks frozen
    before know the raise alone); `stood_s` is how long it lasted from then until it ended or the
    week did, without the pauses between. `acknowledged_s` is how long after the raise somebody
    acknowledged it. `state` is that at the week's end. `returned_t` is the watch time of the
    return, of one that is `returned`.
    """

    id: str
    subject: str
    name: str
    condition: str
    says: str
    priority: str
    raised_utc_ms: int
    ended_utc_ms: int | None
    raises: int
    stood_s: float
    acknowledged_s: float | None
    state: str
    returned_t: int | None
    text: str
    likely: str
    response: str
    began_utc_ms: int | None = None

    @property
    def began(self) -> int:
        """When it began, UTC in ms."""
        return self.raised_utc_ms if self.began_utc_ms is None else self.began_utc_ms


@dataclass(frozen=True, slots=True)
class Busy:
    """An alarm with its raises in the week and its share of all."""

    name: str
    says: str
    condition: str
    raises: int
    share: float


@dataclass(frozen=True, slots=True)
class Chatter:
    """An alarm that comes and goes, and what would quieten it."""

    name: str
    says: str
    condition: str
    raises: int
    most_in_an_hour: int
    recommendation: str


@dataclass(frozen=True, slots=True)
class AlarmMeasures:
    """The measures of ISA-18.2 over the week.

    `stale` names the alarms that had stood for more than a day when it ended.
    """

    raises: int
    per_day: float
    most_in_ten_minutes: int
    by_priority: dict[str, int]
    busiest: list[Busy]
    chattering: list[Chatter]
    stale: list[str]


@dataclass(frozen=True, slots=True)
class Hidden:
    """An alarm, or a subject, that somebody had taken out of sight when the week ended."""

    subject: str
    name: str
    conditions: list[str]
    state: str
    text: str


@dataclass(frozen=True, slots=True)
class WatchWeek:
    """How the watch itself did.

    `is_first`: it never ran before this week. `uptime` is the part of the week in which it ran.
    `crashes` are the starts after an end without good order: a power cut, a kill. A notice is late
    that took over five minutes beside quiet hours. The store's room is None for a week that was
    made long after its end.
    """

    is_first: bool
    uptime: float
    longest_off_s: float
    longest_off_utc_ms: int | None
    readings: int
    starts: int
    crashes: int
    clock_steps: int
    largest_step_s: float
    broker_losses: int
    broker_lost_s: float
    store_faults: int
    readings_lost: int
    notices_delivered: int
    notices_late: int
    notices_failed: int
    notices_waiting: int
    store_bytes: int | None
    free_bytes: int | None
    growth_bytes_per_day: float | None
    days_left: float | None


@dataclass(frozen=True, slots=True)
class Remark:
    """What somebody noted or did."""

    utc_ms: int
    text: str


@dataclass(frozen=True, slots=True)
class Week:
    """All figures of a week. `minutes`: percentiles are of minutes; else of quarter-hours."""

    version: int
    week: str
    site: str
    timezone: str
    from_utc_ms: int
    to_utc_ms: int
    made_utc_ms: int
    minutes: bool
    devices: list[DeviceWeek]
    sensors: list[SensorWeek]
    alarms: list[AlarmWeek]
    measures: AlarmMeasures
    hidden: list[Hidden]
    watch: WatchWeek
    remarks: list[Remark]

    @property
    def is_over(self) -> bool:
        """Whether all of the week is in it."""
        return self.made_utc_ms >= self.to_utc_ms

    def as_json(self) -> dict[str, Any]:
        """Give the form that is stored."""
        made: dict[str, Any] = _ADAPTER.dump_python(self, mode="json")
        return made

    @classmethod
    def from_json(cls, stored: Mapping[str, Any]) -> "Week | None":
        """Give back what was stored; None if it is of a version that is not known."""
        if stored.get("version") != VERSION:
            return None
        try:
            return _ADAPTER.validate_python(dict(stored))
        except ValidationError:
            return None


_ADAPTER = TypeAdapter(Week)


KINDS = (
    EntryKind.START,
    EntryKind.STOP,
    EntryKind.OFFSET,
    EntryKind.CONNECT,
    EntryKind.DISCONNECT,
    EntryKind.STORE,
)
"""The entries that a history is made of."""


class History:
    """The life of the watch; instants are UTC in ms, by the clock as it was then.

    `starts` has for each start whether the run before had ended in good order (None: it is the
    first). `steps` has by how many seconds the clock was put on. `store_faults` are the instants
    at which writing began to fail, `lost` the readings given up, told when it worked again.
    """

    def __init__(self) -> None:
        self.spans: list[Span] = []
        self.connected: list[Span] = []
        self.starts: list[tuple[int, bool | None]] = []
        self.steps: list[tuple[int, float]] = []
        self.disconnects: list[int] = []
        self.store_faults: list[int] = []
        self.lost: list[tuple[int, int]] = []
        # Watch time, up to where the journal was taken.
        self._offset_ms = 0
        self._running_since: int | None = None
        self._connected_since: int | None = None
        self._stopped_t: int | None = None

    def take(self, entry: Entry) -> None:
        """Take the next entry of the journal."""
        t, utc_ms = entry.t, entry.t + self._offset_ms
        if entry.kind is EntryKind.START:
            self._start(entry)
        elif entry.kind is EntryKind.STOP:
            self.end(t)
            self._stopped_t = t
        elif entry.kind is EntryKind.OFFSET:
            self._step(t, int(entry.data["offset_ms"]))
        elif entry.kind is EntryKind.CONNECT:
            self._connected_since = t
        elif entry.kind is EntryKind.DISCONNECT:
            # First attempts that fail are reported as such, too: only a connection can be lost.
            if self._connected_since is not None:
                self.disconnects.append(utc_ms)
            self._disconnect(t)
        elif entry.kind is EntryKind.STORE and entry.data["ok"]:
            self.lost.append((utc_ms, int(entry.data.get("lost", 0))))
        elif entry.kind is EntryKind.STORE:
            self.store_faults.append(utc_ms)

    def end(self, t: int) -> None:
        """Take note that the watch ran up to here."""
        self._disconnect(t)
        if self._running_since is not None:
            self.spans.append(self._span(self._running_since, t))
        self._running_since = None

    def _start(self, entry: Entry) -> None:
        ran_until, cut_off_since = entry.data.get("ran_until_ms"), self._running_since
        if cut_off_since is not None:
            self.end(max(cut_off_since, int(ran_until or entry.t)))
        self._offset_ms = int(entry.data["offset_ms"])
        in_order = None if ran_until is None else cut_off_since is None
        if not entry.data.get("reloaded"):
            self.starts.append((entry.t + self._offset_ms, in_order))
        elif self._stopped_t is not None:
            # The same process went on: no restart, and nothing was missed meanwhile.
            self.spans.append(self._span(self._stopped_t, entry.t))
        self._running_since, self._stopped_t = entry.t, None

    def _step(self, t: int, offset_ms: int) -> None:
        running, connected = self._running_since, self._connected_since
        self.end(t)
        self.steps.append((t + offset_ms, (offset_ms - self._offset_ms) / 1000))
        self._offset_ms = offset_ms
        self._running_since = None if running is None else t
        self._connected_since = None if connected is None else t

    def _disconnect(self, t: int) -> None:
        if self._connected_since is not None:
            self.connected.append(self._span(self._connected_since, t))
        self._connected_since = None

    def _span(self, from_t: int, to_t: int) -> Span:
        return from_t + self._offset_ms, max(from_t, to_t) + self._offset_ms


def history_of(entries: Iterable[Entry], last_t: int | None) -> History:
    """Give the life of the watch from entries of KINDS, up to how far it has come (watch ms)."""
    history = History()
    for entry in entries:
        history.take(entry)
    if last_t is not None:
        history.end(last_t)
    return history


def settled_since_t(entries: Iterable[Entry], present_ms: int) -> int | None:
    """Give since when (watch ms) the present run has gone on with a clock that was not stepped far.

    None: there was no start, or the offset that is `present_ms` now was stepped to and that has yet
    to be written down. A clock that is wrong for a moment must not close a week.
    """
    since: int | None = None
    offset_ms = 0
    for entry in entries:
        if entry.kind in {EntryKind.START, EntryKind.OFFSET}:
            before, offset_ms = offset_ms, int(entry.data["offset_ms"])
            if entry.kind is EntryKind.START or abs(offset_ms - before) >= _FAR_MS:
                since = entry.t
    return None if abs(present_ms - offset_ms) >= _FAR_MS else since


def within(spans: Iterable[Span], from_utc_ms: int, to_utc_ms: int) -> list[Span]:
    """Give what lies of spans within an interval, joined where they touch, in order.

    After the clock was put back an instant may lie in two of them.

    >>> within([(0, 40), (30, 60), (80, 90)], 10, 85)
    [(10, 60), (80, 85)]
    """
    joined: list[Span] = []
    for start, end in sorted(spans):
        start, end = max(start, from_utc_ms), min(end, to_utc_ms)  # noqa: PLW2901
        if start >= end:
            continue
        if joined and start <= joined[-1][1]:
            joined[-1] = joined[-1][0], max(joined[-1][1], end)
        else:
            joined.append((start, end))
    return joined


def between(spans: Sequence[Span], from_utc_ms: int, to_utc_ms: int) -> list[Span]:
    """Give what an interval has left beside spans that `within` gave for it.

    >>> between([(10, 60), (80, 85)], 10, 85)
    [(60, 80)]
    """
    edges = [from_utc_ms, *(edge for span in spans for edge in span), to_utc_ms]
    return [(start, end) for start, end in zip(edges[::2], edges[1::2], strict=True) if start < end]


def length_s(spans: Iterable[Span]) -> float:
    """Give the length of spans together, in seconds."""
    return sum(end - start for start, end in spans) / 1000
