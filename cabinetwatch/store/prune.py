"""Letting go of what is older than its keeping time, a few rows at a time.

Old is what is old on watch time *and* in UTC: a clock that was years ahead for an hour, or a start
in 1970, makes nothing old. Never let go: what a warm start needs, what is not in the tiers yet, the
newest block of readings, and the newest journal entry of each kind.
"""

from collections.abc import Callable, Iterator
from itertools import takewhile
from typing import NamedTuple

from sqlalchemy import Connection, delete, func, select, tuple_

from cabinetwatch.config.store import Store as StoreConfig
from cabinetwatch.store.database import Database
from cabinetwatch.store.derive import TABLES, derived_seq, mark, pruned_seq
from cabinetwatch.store.schema import (
    block,
    command,
    journal,
    notice,
    saved_state,
    transition,
    unreadable_hour,
)
from cabinetwatch.store.spared import spared_phases
from cabinetwatch.store.tiers import DAY_MS, Tier
from cabinetwatch.store.unreadable import HOUR_MS
from cabinetwatch.watch.entry import EntryKind
from cabinetwatch.watch.transition import AlarmState

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
    newest = connection.scalar(select(func.max(command.c.id))) or 0
    answered = (
        select(command.c.id)
        .where(command.c.result.is_not(None), command.c.id <= newest - _COMMANDS_KEPT)
        .order_by(command.c.id)
        .limit(_ROWS_AT_ONCE)
    )
    old = connection.scalars(answered).all()
    connection.execute(delete(command).where(command.c.id.in_(old)))
    return len(old)


def _saved_seq(connection: Connection) -> int:
    """Give the last input that the saved state knows: a warm start reads on from there."""
    return connection.scalar(select(saved_state.c.seq)) or 0
