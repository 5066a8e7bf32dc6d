"""Letting go of what is older than its keeping time, and how much room the rest takes.

A trial is judged from single readings. Its report is asked for later than those are kept, and a
trial may last longer. So pruning goes past the blocks of its measured phases, and they stay as long
as minutes do.

Old is what is old on watch time *and* in UTC: a clock that was years ahead for an hour, or a start
in 1970, makes nothing old. Never let go: what a warm start needs, what is not in the tiers yet, the
newest block of readings, and the newest journal entry of each kind.

All of it goes in steps of well under a second, so that whoever writes is never held up for long;
each step is a transaction of its own, so that a kill between two leaves nothing half done.
"""

import os
from collections.abc import Callable, Iterator, Sequence
from itertools import takewhile
from pathlib import Path
from typing import NamedTuple

from sqlalchemy import Connection, Table, delete, func, insert, select, tuple_

from cabinetwatch.config.services import Store as StoreConfig
from cabinetwatch.store.codecs import DAY_MS, Tier
from cabinetwatch.store.database import Database
from cabinetwatch.store.minutes import TABLES, derive, derived_seq, mark, merge_days, pruned_seq
from cabinetwatch.store.records import HOUR_MS
from cabinetwatch.store.schema import (
    block,
    journal,
    notice,
    saved_state,
    size_sample,
    transition,
    unreadable_hour,
)
from cabinetwatch.store.schema import (
    command as command_table,
)
from cabinetwatch.watch.events import AlarmState, EntryKind
from cabinetwatch.watch.trials import MEASURED, TrialBook

LONGEST_SPARED_MS = 7 * DAY_MS
"""Most that is spared of one phase, from its begin: one that was forgotten must not fill the disk.
Our choice; no cabinet needs a week to settle."""

_DEEDS = ("trial-begin", "trial-phase", "trial-end")


class Protected(NamedTuple):
    """A phase of a trial, from one watch time up to another (ms)."""

    from_t: int
    to_t: int

    def overlaps(self, from_t: int, to_t: int) -> bool:
        """Whether something that lasted from one watch time to another lies partly within."""
        return from_t <= self.to_t and to_t >= self.from_t


def spared_phases(connection: Connection, now_t: int) -> list[Protected]:
    """Give the measured phases of all trials that the journal tells of; an open one lasts on."""
    book = TrialBook()
    for t, command in _told(connection):
        # The book is told watch time here, and every device is known: what the watch refused for
        # another reason is refused here too.
        try:
            book.take(command, {str(command.get("device")): None}, t)
        except ValueError:
            continue
    return list(_phases(book, now_t))


def _told(connection: Connection) -> Iterator[tuple[int, dict[str, object]]]:
    what = func.json_extract(journal.c.data, "$.command")
    query = (
        select(journal.c.t_ms, journal.c.data)
        .where(journal.c.kind == EntryKind.COMMAND.value, what.in_(_DEEDS))
        .order_by(journal.c.seq)
    )
    for row in connection.execute(query):
        yield row.t_ms, row.data


def _phases(book: TrialBook, now_t: int) -> Iterator[Protected]:
    for trial in book.trials.values():
        for name in MEASURED:
            interval = trial.interval(name)
            if interval is not None:
                from_t, to_t = interval
                until_t = now_t if to_t is None else to_t
                yield Protected(from_t, min(until_t, from_t + LONGEST_SPARED_MS))


_ROWS_AT_ONCE = 200
_COMMANDS_KEPT = 1000


class Keeping(NamedTuple):
    """How long single readings, minutes and quarter-hours are kept (ms)."""

    raw_ms: int
    minutes_ms: int
    quarters_ms: int

    @classmethod
    def of(cls, config: StoreConfig) -> "Keeping":
        """Give what the configuration says."""
        return cls(
            config.keep_raw_days * DAY_MS,
            config.keep_minutes_days * DAY_MS,
            config.keep_quarters_days * DAY_MS,
        )


class Now(NamedTuple):
    """An instant as watch time and in UTC (ms)."""

    t: int
    utc_ms: int

    def is_past(self, t: int, utc_ms: int, keep_ms: int) -> bool:
        """Whether what was written at `t`, and is of `utc_ms`, has been kept long enough."""
        watch_age, utc_age = self.t - t, self.utc_ms - utc_ms
        return (watch_age if utc_age < 0 else min(watch_age, utc_age)) > keep_ms


Step = Callable[[Connection, Now, Keeping], int]


def prune(database: Database, now: Now, keeping: Keeping) -> Iterator[int]:
    """Let go of all that is old; each step is one short transaction and gives its rows."""
    for step in (
        _readings,
        _spared,
        _entries,
        _minutes,
        _quarters,
        _transitions,
        _notices,
        _unreadable,
        _commands,
    ):
        rows = _ROWS_AT_ONCE
        while rows >= _ROWS_AT_ONCE:
            with database.writing() as connection:
                rows = step(connection, now, keeping)
            yield rows


def _readings(connection: Connection, now: Now, keeping: Keeping) -> int:
    needed_from = min(derived_seq(connection), _saved_seq(connection)) + 1
    newest = connection.scalar(select(func.max(block.c.first_seq))) or 0
    oldest_first = (
        select(
            block.c.first_seq,
            block.c.length,
            block.c.t_min_ms,
            block.c.known_t_ms,
            block.c.offset_ms,
        )
        .where(block.c.first_seq > pruned_seq(connection))
        .order_by(block.c.first_seq)
        .limit(_ROWS_AT_ONCE)
    )
    old = list(
        takewhile(
            lambda row: (
                row.first_seq + row.length <= needed_from
                and row.first_seq < newest
                and now.is_past(row.known_t_ms, row.known_t_ms + row.offset_ms, keeping.raw_ms)
            ),
            connection.execute(oldest_first),
        )
    )
    if old:
        phases = spared_phases(connection, now.t)
        doomed = [
            row.first_seq
            for row in old
            if not any(phase.overlaps(row.t_min_ms, row.known_t_ms) for phase in phases)
        ]
        connection.execute(delete(block).where(block.c.first_seq.in_(doomed)))
        mark(connection, pruned_seq=old[-1].first_seq + old[-1].length - 1)
    return len(old)


def _spared(connection: Connection, now: Now, keeping: Keeping) -> int:
    """Let go of the single readings of trials that are older than minutes are kept."""
    oldest_first = (
        select(block.c.first_seq, block.c.known_t_ms, block.c.offset_ms)
        .where(block.c.first_seq <= pruned_seq(connection))
        .order_by(block.c.first_seq)
        .limit(_ROWS_AT_ONCE)
    )
    old = [
        row.first_seq
        for row in takewhile(
            lambda row: now.is_past(
                row.known_t_ms, row.known_t_ms + row.offset_ms, keeping.minutes_ms
            ),
            connection.execute(oldest_first),
        )
    ]
    connection.execute(delete(block).where(block.c.first_seq.in_(old)))
    return len(old)


def _entries(connection: Connection, now: Now, keeping: Keeping) -> int:
    """Let go of journal entries; configurations stay as long as there are quarters of their time.

    Those after the first reading that is left, or needed for a warm start, are part of a replay.
    """
    first_reading = connection.scalar(
        select(func.min(block.c.first_seq)).where(block.c.first_seq > pruned_seq(connection))
    )
    saved = _saved_seq(connection)
    before = saved + 1 if first_reading is None else min(first_reading, saved + 1)
    newest = select(func.max(journal.c.seq)).where(journal.c.seq < before).group_by(journal.c.kind)
    doomed = []
    for is_config, keep_ms in ((False, keeping.minutes_ms), (True, keeping.quarters_ms)):
        of_kind = (journal.c.kind == EntryKind.CONFIG.value) == is_config
        oldest_first = (
            select(journal.c.seq, journal.c.t_ms)
            .where(
                of_kind,
                # A handful; they say whose all that is older is.
                journal.c.kind != EntryKind.RENAME.value,
                journal.c.seq < before,
                journal.c.seq.not_in(newest),
            )
            .order_by(journal.c.seq)
            .limit(_ROWS_AT_ONCE)
        )
        # An entry has no UTC of its own; watch time is that of UTC at a start.
        doomed += [
            row.seq
            for row in connection.execute(oldest_first)
            if now.is_past(row.t_ms, row.t_ms, keep_ms)
        ]
    connection.execute(delete(journal).where(journal.c.seq.in_(doomed)))
    return len(doomed)


def _minutes(connection: Connection, now: Now, keeping: Keeping) -> int:
    return _tier(connection, Tier.MINUTES, now, keeping.minutes_ms)


def _quarters(connection: Connection, now: Now, keeping: Keeping) -> int:
    return _tier(connection, Tier.QUARTERS, now, keeping.quarters_ms)


def _tier(connection: Connection, tier: Tier, now: Now, keep_ms: int) -> int:
    table = TABLES[tier]
    oldest_first = (
        select(table.c.number, table.c.t_ms, table.c.day)
        .order_by(table.c.number)
        .limit(_ROWS_AT_ONCE)
    )
    old = [
        row.number
        for row in takewhile(
            lambda row: now.is_past(row.t_ms, (row.day + 1) * DAY_MS, keep_ms),
            connection.execute(oldest_first),
        )
    ]
    connection.execute(delete(table).where(table.c.number.in_(old)))
    return len(old)


def _transitions(connection: Connection, now: Now, keeping: Keeping) -> int:
    """Let go of old occurrences, but not of the newest of each alarm, nor of one that stands."""
    newest = select(func.max(transition.c.id)).group_by(
        transition.c.subject, transition.c.condition
    )
    needed = select(transition.c.alarm_id).where(transition.c.id.in_(newest))
    watch_t = func.json_extract(transition.c.record, "$.t")
    oldest_first = (
        select(transition.c.id, transition.c.utc_ms, watch_t.label("t_ms"))
        .where(transition.c.alarm_id.not_in(needed))
        .order_by(transition.c.id)
        .limit(_ROWS_AT_ONCE)
    )
    old = [
        row.id
        for row in takewhile(
            lambda row: now.is_past(row.t_ms, row.utc_ms, keeping.minutes_ms),
            connection.execute(oldest_first),
        )
    ]
    connection.execute(delete(transition).where(transition.c.id.in_(old)))
    return len(old)


def _notices(connection: Connection, now: Now, keeping: Keeping) -> int:
    """Let go of old notices that are done with; those since the oldest standing alarm stay."""
    last = select(func.max(transition.c.id)).group_by(transition.c.subject, transition.c.condition)
    standing_since = connection.scalar(
        select(func.min(transition.c.utc_ms)).where(
            transition.c.id.in_(last), transition.c.state != AlarmState.NORMAL.value
        )
    )
    until = now.utc_ms if standing_since is None else standing_since
    done = notice.c.status.is_not(None), notice.c.status != "waiting", notice.c.utc_ms < until
    oldest_first = (
        select(notice.c.number, notice.c.t_ms, notice.c.utc_ms)
        .where(*done)
        .order_by(notice.c.number)
        .limit(_ROWS_AT_ONCE)
    )
    old = [
        row.number
        for row in takewhile(
            lambda row: now.is_past(row.t_ms, row.utc_ms, keeping.minutes_ms),
            connection.execute(oldest_first),
        )
    ]
    connection.execute(delete(notice).where(notice.c.number.in_(old)))
    return len(old)


def _unreadable(connection: Connection, now: Now, keeping: Keeping) -> int:
    """Let go of the hours in which messages could not be read; the totals stay."""
    table = unreadable_hour
    oldest_first = select(table).order_by(table.c.hour, table.c.sensor).limit(_ROWS_AT_ONCE)
    old = [
        (row.hour, row.sensor)
        for row in takewhile(
            lambda row: now.is_past(row.t_ms, (row.hour + 1) * HOUR_MS, keeping.minutes_ms),
            connection.execute(oldest_first),
        )
    ]
    connection.execute(delete(table).where(tuple_(table.c.hour, table.c.sensor).in_(old)))
    return len(old)


def _commands(connection: Connection, now: Now, keeping: Keeping) -> int:
    """Let go of commands that were answered; the journal tells what was done."""
    del now, keeping
    newest = connection.scalar(select(func.max(command_table.c.id))) or 0
    answered = (
        select(command_table.c.id)
        .where(command_table.c.result.is_not(None), command_table.c.id <= newest - _COMMANDS_KEPT)
        .order_by(command_table.c.id)
        .limit(_ROWS_AT_ONCE)
    )
    old = connection.scalars(answered).all()
    connection.execute(delete(command_table).where(command_table.c.id.in_(old)))
    return len(old)


def _saved_seq(connection: Connection) -> int:
    """Give the last input that the saved state knows: a warm start reads on from there."""
    return connection.scalar(select(saved_state.c.seq)) or 0


SAMPLE_EVERY_MS = 3 * 3_600_000
_SAMPLES_KEPT_MS = 8 * DAY_MS
_LEAST_SPAN_MS = 12 * 3_600_000


class Room(NamedTuple):
    """The store's room on its disk.

    `bytes` are those of its files, `free_bytes` those that it can still fill: of the disk, and
    within the file. `growth_bytes_per_day` is None in the first half day; `days_left` also when
    nothing grows. The oldest instants (UTC in ms) are None where there is nothing.
    """

    bytes: int
    free_bytes: int
    growth_bytes_per_day: float | None
    days_left: float | None
    oldest_raw_utc_ms: int | None
    oldest_minutes_utc_ms: int | None
    oldest_quarters_utc_ms: int | None


Sample = tuple[int, int]
"""Watch time (ms), and the bytes then in use."""


def growth_bytes_per_day(samples: Sequence[Sample]) -> float | None:
    """Give how fast the store grows, from samples in order of time; None if they span too little.

    The slope of the line of least squares: one odd sample doesn't spoil it.
    """
    if not samples or samples[-1][0] - samples[0][0] < _LEAST_SPAN_MS:
        return None
    mean_day = sum(t for t, _ in samples) / len(samples) / DAY_MS
    mean_used = sum(used for _, used in samples) / len(samples)
    days = [t / DAY_MS - mean_day for t, _ in samples]
    covariance = sum(day * (used - mean_used) for day, (_, used) in zip(days, samples, strict=True))
    return covariance / sum(day * day for day in days)


def days_left(free_bytes: int, growth: float | None) -> float | None:
    """Give the days until the room is used up, if it goes on like this; None if it doesn't grow."""
    if growth is None or growth <= 0.0:
        return None
    return max(0, free_bytes) / growth


def take_sample(connection: Connection, t: int) -> None:
    """Note how much is in use, if it is time; forget what is too old to tell the present growth."""
    newest = connection.scalar(select(size_sample.c.t_ms).order_by(size_sample.c.t_ms.desc()))
    if newest is not None and t - newest < SAMPLE_EVERY_MS:
        return
    used, _ = _pages(connection)
    connection.execute(delete(size_sample).where(size_sample.c.t_ms < t - _SAMPLES_KEPT_MS))
    connection.execute(insert(size_sample).values(t_ms=t, bytes=used))


def measure(connection: Connection, path: Path) -> Room:
    """Give the store's room now."""
    used, free_inside = _pages(connection)
    disk = os.statvfs(path)
    free = disk.f_bavail * disk.f_frsize + free_inside
    rows = connection.execute(select(size_sample).order_by(size_sample.c.t_ms)).all()
    growth = growth_bytes_per_day([(row.t_ms, row.bytes) for row in rows])
    log = path.with_name(path.name + "-wal")
    return Room(
        bytes=used + free_inside + (log.stat().st_size if log.exists() else 0),
        free_bytes=free,
        growth_bytes_per_day=growth,
        days_left=days_left(free, growth),
        oldest_raw_utc_ms=_oldest_raw(connection),
        oldest_minutes_utc_ms=_oldest(connection, TABLES[Tier.MINUTES]),
        oldest_quarters_utc_ms=_oldest(connection, TABLES[Tier.QUARTERS]),
    )


def raw_gone_before(connection: Connection) -> int | None:
    """Give the instant (UTC in ms, a whole minute) before which readings were let go.

    Of what was measured before it, only the minutes are whole. None when nothing was let go.
    """
    pruned = pruned_seq(connection)
    if not pruned:
        return None
    # What was spared of a trial lies before it, in pieces.
    row = connection.execute(
        select(block.c.known_t_ms, block.c.offset_ms)
        .where(block.c.first_seq > pruned)
        .order_by(block.c.first_seq)
        .limit(1)
    ).first()
    # No reading is later than the watch time known when it was written.
    return None if row is None else -(-(row.known_t_ms + row.offset_ms) // 60_000) * 60_000


def free_pages(connection: Connection) -> int:
    """Give the pages of the file that hold nothing."""
    return int(connection.exec_driver_sql("PRAGMA freelist_count").scalar_one())


def give_back(connection: Connection, pages: int) -> None:
    """Give pages that hold nothing back to the file system, from the end of the file."""
    # It frees a page with each row that it gives, and sqlite3 reads but the first of rows that have
    # no columns: a statement a page is what works.
    for _ in range(pages):
        connection.exec_driver_sql("PRAGMA incremental_vacuum(1)")


def _pages(connection: Connection) -> tuple[int, int]:
    """Give the bytes in use, and those free within the file."""
    size = int(connection.exec_driver_sql("PRAGMA page_size").scalar_one())
    count = int(connection.exec_driver_sql("PRAGMA page_count").scalar_one())
    free = free_pages(connection)
    return (count - free) * size, free * size


def _oldest_raw(connection: Connection) -> int | None:
    row = connection.execute(
        select(block.c.t_min_ms, block.c.offset_ms)
        .where(block.c.first_seq > pruned_seq(connection))
        .order_by(block.c.first_seq)
        .limit(1)
    ).first()
    return None if row is None else int(row.t_min_ms + row.offset_ms)


def _oldest(connection: Connection, table: Table) -> int | None:
    """Give the beginning of the oldest day of a tier."""
    day = connection.scalar(select(func.min(table.c.day)))
    return None if day is None else int(day) * DAY_MS


SPARE_PAGES = 2048
"""Pages without content that stay in the file: the next readings fill them within a day."""

_PAGES_AT_ONCE = 128
# A day is merged once it is well over, so that what comes a little late need not be merged again.
_DAY_IS_OVER_MS = 2 * 3_600_000


def tidy(database: Database, now: Now) -> Iterator[None]:
    """Bring the tiers up to what is committed, and note the size."""
    yield from derive(database)
    yield from merge_days(database, (now.utc_ms - _DAY_IS_OVER_MS) // DAY_MS)
    with database.writing() as connection:
        take_sample(connection, now.t)
    yield


def clear(
    database: Database, now: Now, keeping: Keeping, spare_pages: int = SPARE_PAGES
) -> Iterator[int]:
    """Let go of what is older than its keeping time; each step gives the rows it let go."""
    yield from prune(database, now, keeping)
    free = spare_pages + 1
    while free > spare_pages:
        with database.writing() as connection:
            before = free_pages(connection)
            if before > spare_pages:
                give_back(connection, min(_PAGES_AT_ONCE, before - spare_pages))
            free = free_pages(connection)
        yield 0
        if free >= before:
            return
