"""Keeping the store in order: readings condensed to tiers, old rows let go, room measured.

How, and what is never let go, is in the package's docstring. A trial is judged from single
readings, and its report is asked for later than those are kept: pruning goes past the blocks of its
measured phases, and they stay as long as minutes do.
"""

import logging
import os
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from functools import partial
from itertools import groupby, islice, takewhile
from operator import lt
from pathlib import Path
from statistics import linear_regression
from typing import Any, NamedTuple

from sqlalchemy import (
    ColumnElement,
    Connection,
    Row,
    Table,
    delete,
    func,
    insert,
    select,
    tuple_,
    update,
)

from cabinetwatch.config.services import Store as StoreConfig
from cabinetwatch.store import schema
from cabinetwatch.store.codecs import (
    DAY_MS,
    SENSOR_FIGURE,
    Bucket,
    FigureMinute,
    Gatherer,
    Tier,
    TierBlock,
    condense,
    decode_block,
    decode_figures,
    encode_tier_block,
)
from cabinetwatch.store.database import Database, upsert
from cabinetwatch.store.inputs import TABLES, offsets_from, read_renames, sensor_names
from cabinetwatch.store.place import UNREADABLE
from cabinetwatch.store.records import HOUR_MS
from cabinetwatch.store.schema import block, figure_minute, journal
from cabinetwatch.text import to_rfc3339
from cabinetwatch.watch.events import AlarmState, EntryKind, Quality
from cabinetwatch.watch.trials import MEASURED, TrialBook

_log = logging.getLogger(__name__)

LONGEST_PROTECTED_MS = 7 * DAY_MS
"""Most that is protected of one phase, from its begin: one that was forgotten must not fill the
disk. Our choice; no cabinet needs a week to settle."""
SAMPLE_EVERY_MS = 3 * 3_600_000
SPARE_PAGES = 2048
"""Pages without content that stay in the file: the next readings fill them within a day."""
_PAGES_AT_ONCE = 128
# A day is merged once it is well over, so that what comes a little late need not be merged again.
_DAY_IS_OVER_MS = 2 * 3_600_000
_BLOCKS_AT_ONCE = 64
_READINGS_AT_ONCE = 16_384
"""What is unpacked in one go: less than a tenth of a second."""
_MOST_MINUTES = 20_000
"""Held in memory before they are written: a few MB."""
_LONGEST_SPAN_MS = DAY_MS // 4
"""Written together are only parts of one age, so that they are let go in time."""
_SUBJECTS_AT_ONCE = 8
_STEP_S = 0.1
"""A step merges no further subject after so long: others want to write."""
_ROWS_AT_ONCE = 200
_COMMANDS_KEPT = 1000
_SAMPLES_KEPT_MS = 8 * DAY_MS
_LEAST_SPAN_MS = 12 * 3_600_000


class Keeping(NamedTuple):
    """How long single readings, minutes and quarter-hours are kept (ms)."""

    raw_ms: int
    minutes_ms: int
    quarters_ms: int

    @classmethod
    def of(cls, config: StoreConfig) -> "Keeping":
        """Give what the configuration says."""
        days = config.keep_raw_days, config.keep_minutes_days, config.keep_quarters_days
        return cls(*(each * DAY_MS for each in days))


class Now(NamedTuple):
    """An instant as watch time and in UTC (ms)."""

    t: int
    utc_ms: int

    def is_past(self, t: int, utc_ms: int, keep_ms: int) -> bool:
        """Whether what was written at `t`, and is of `utc_ms`, has been kept long enough."""
        watch_age, utc_age = self.t - t, self.utc_ms - utc_ms
        return (watch_age if utc_age < 0 else min(watch_age, utc_age)) > keep_ms


def tidy(database: Database, now: Now) -> Iterator[None]:
    """Bring the tiers up to what is committed, and note the size."""
    with database.reading() as connection:
        minutes = Minutes(derived_seq(connection))
    more = True
    while more:
        with database.reading() as connection:
            more = minutes.gather(connection)
        enough = minutes.gathered.size > _MOST_MINUTES or minutes.span_ms > _LONGEST_SPAN_MS
        if enough or not more:
            _write_tiers(database, minutes)
            minutes = Minutes(minutes.seq)
        yield
    yield from _merge_days(database, (now.utc_ms - _DAY_IS_OVER_MS) // DAY_MS)
    with database.writing() as connection:
        _take_sample(connection, now.t)
    yield


def clear(
    database: Database, now: Now, keeping: Keeping, spare_pages: int = SPARE_PAGES
) -> Iterator[int]:
    """Let go of what is older than its keeping time; each step gives the rows it let go."""
    for step in _Pruning(now, keeping).steps():
        rows = _ROWS_AT_ONCE
        while rows >= _ROWS_AT_ONCE:
            with database.writing() as connection:
                rows = step(connection)
            yield rows
    free = spare_pages + 1
    while free > spare_pages:
        with database.writing() as connection:
            before = _free_pages(connection)
            # Each statement frees a page with each row that it gives, and sqlite3 reads but the
            # first of rows that have no columns: a statement a page is what works.
            for _ in range(min(_PAGES_AT_ONCE, before - spare_pages)):
                connection.exec_driver_sql("PRAGMA incremental_vacuum(1)")
            free = _free_pages(connection)
        yield 0
        if free >= before:
            return


# Tiers.


class Minutes:
    """The minutes of all readings after some input, gathered a bounded number at a time."""

    def __init__(self, after_seq: int) -> None:
        self.seq = after_seq
        """The last input gathered."""
        self.t: int | None = None
        """The largest watch time known when it was written; None before anything is gathered."""
        self.span_ms = 0
        """From the largest watch time known with the first block to that with the last."""
        self.gathered: Gatherer[str] = Gatherer(Tier.MINUTES.width_ms)

    def gather(self, connection: Connection) -> bool:
        """Take in the next readings; say whether there was any.

        A block that is damaged is left out and told: all that came after must still be condensed.
        """
        rows = connection.execute(
            select(block)
            .where(block.c.first_seq > self.seq)
            .order_by(block.c.first_seq)
            .limit(_BLOCKS_AT_ONCE)
        ).all()
        names, renames = sensor_names(connection), read_renames(connection)
        offsets = offsets_from(connection, self.seq, renames)
        count = 0
        for row in rows:
            self._take(row, renames.names(names, row.first_seq), offsets.at(row.first_seq))
            self.seq = row.first_seq + row.length - 1
            self.span_ms += 0 if self.t is None else row.known_t_ms - self.t
            self.t = row.known_t_ms
            count += row.length
            if count >= _READINGS_AT_ONCE:
                break
        return bool(rows)

    def _take(self, row: Row[Any], names: dict[int, str], offsets: Mapping[str, float]) -> None:
        offset_ms, add = row.offset_ms, self.gathered.add
        try:
            readings = decode_block(row.data, names)
        except ValueError as error:
            _log.error("the readings from number %d on are in no tier: %s", row.first_seq, error)
            return
        for sensor, t, value, quality in readings:
            # The broker's copy of an old value was measured at another time.
            if quality is not Quality.RETAINED:
                add(sensor, t + offset_ms, value + offsets.get(sensor, 0.0))


class WaitingFigures(NamedTuple):
    """The minutes of devices that wait, with the number of the newest row and its watch time."""

    minutes: list[FigureMinute]
    number: int
    t: int


def waiting_figures(connection: Connection) -> WaitingFigures:
    """Give the minutes of devices that are not in the tiers yet, oldest first.

    One that is damaged is left out and reported: all the others must still get there.
    """
    rows = connection.execute(select(figure_minute).order_by(figure_minute.c.number)).all()
    minutes = []
    for row in rows:
        try:
            minutes.append(decode_figures(row.utc_ms, row.data))
        except UNREADABLE as error:
            _log.error("the devices' figures of %s are lost: %s", to_rfc3339(row.utc_ms), error)
    return WaitingFigures(minutes, rows[-1].number if rows else 0, rows[-1].t_ms if rows else 0)


def derived_seq(connection: Connection) -> int:
    """Give the last input whose reading is in the tiers."""
    return connection.scalar(select(schema.upkeep.c.derived_seq)) or 0


def pruned_seq(connection: Connection) -> int:
    """Give the last input whose reading was pruned; 0 when none was."""
    return connection.scalar(select(schema.upkeep.c.pruned_seq)) or 0


def mark(connection: Connection, **marks: int) -> None:
    """Move the upkeep's marks."""
    first = {"derived_seq": 0, "pruned_seq": 0} | marks
    upsert(connection, schema.upkeep, {"id": 1}, first, marks)


def _write_tiers(database: Database, minutes: Minutes) -> None:
    """Write what was gathered, and the devices' minutes that wait, as parts of their days."""
    with database.writing() as connection:
        waiting = waiting_figures(connection)
        if minutes.t is None and not waiting.minutes:
            return
        told: dict[str, dict[str, list[Bucket]]] = {}
        for minute in waiting.minutes:
            for device, figures in minute.devices.items():
                for figure, bucket in figures.items():
                    told.setdefault(device, {}).setdefault(figure, []).append(bucket)
        for sensor in minutes.gathered:
            told.setdefault(sensor, {})[SENSOR_FIGURE] = minutes.gathered.buckets(sensor)
        t = max(minutes.t or 0, waiting.t)
        for subject in sorted(told):
            days: dict[int, dict[str, list[Bucket]]] = {}
            for figure, column in told[subject].items():
                for day, buckets in groupby(column, lambda bucket: bucket.utc_ms // DAY_MS):
                    days.setdefault(day, {}).setdefault(figure, []).extend(buckets)
            for day, columns in sorted(days.items()):
                row = {"subject": subject, "day": day, "t_ms": t, "is_part": True}
                for tier, table in TABLES.items():
                    condensed = {
                        figure: condense(column, tier.width_ms)
                        for figure, column in columns.items()
                    }
                    data = encode_tier_block(condensed, tier.width_ms)
                    connection.execute(insert(table).values(**row, data=data))
        connection.execute(delete(figure_minute).where(figure_minute.c.number <= waiting.number))
        mark(connection, derived_seq=minutes.seq)


def _merge_days(database: Database, before_day: int) -> Iterator[None]:
    """Make one block a subject of each day of UTC before `before_day`; a few of them a step.

    Neighbours share the pages on which their parts lie: merged together, each is written once.
    """
    for tier, table in TABLES.items():
        in_parts = (
            select(table.c.subject, table.c.day)
            .where(table.c.is_part, table.c.day < before_day)
            .group_by(table.c.day, table.c.subject)
            .limit(_SUBJECTS_AT_ONCE)
        )
        more = True
        while more:
            with database.writing() as connection:
                until = time.monotonic() + _STEP_S
                rows = connection.execute(in_parts).all()
                for row in rows:
                    _merge_day(connection, tier, row.subject, row.day)
                    if time.monotonic() > until:
                        break
                more = bool(rows)
            yield


def _merge_day(connection: Connection, tier: Tier, subject: str, day: int) -> None:
    table = TABLES[tier]
    of_day = table.c.subject == subject, table.c.day == day
    rows = connection.execute(select(table).where(*of_day).order_by(table.c.number)).all()
    try:
        blocks = [TierBlock(row.data, tier.width_ms) for row in rows]
    except ValueError as error:
        _log.error("the %s of %s on day %d stay in parts: %s", tier.value, subject, day, error)
        connection.execute(update(table).where(*of_day).values(is_part=False))
        return
    figures = {figure: merged(blocks, figure, tier) for figure in figures_in(blocks)}
    connection.execute(delete(table).where(*of_day))
    whole = {"subject": subject, "day": day, "t_ms": max(row.t_ms for row in rows)}
    data = encode_tier_block(figures, tier.width_ms)
    connection.execute(insert(table).values(**whole, is_part=False, data=data))


def figures_in(blocks: Iterable[TierBlock]) -> list[str]:
    """Give the figures that any of the blocks has, in the order of their first appearance."""
    return list(dict.fromkeys(figure for block in blocks for figure in block.figures))


def merged(blocks: Iterable[TierBlock], figure: str, tier: Tier) -> list[Bucket]:
    """Give a figure's buckets over all the blocks, in order of time and without a double."""
    found = [bucket for block in blocks for bucket in block.buckets(figure)]
    # Days that are merged already, the most by far, come in order and without a double.
    starts = [bucket.utc_ms for bucket in found]
    if all(map(lt, starts, islice(starts, 1, None))):
        return found
    return condense(found, tier.width_ms)


# Pruning.


def _protected_phases(connection: Connection, now_t: int) -> Iterator[tuple[int, int]]:
    """Give from when to when (watch ms) each trial that the journal tells of was measured.

    A phase that is open lasts on.
    """
    book = TrialBook()
    what = func.json_extract(journal.c.data, "$.command")
    commands = "trial-begin", "trial-phase", "trial-end"
    told = select(journal.c.t_ms, journal.c.data).where(
        journal.c.kind == EntryKind.COMMAND.value, what.in_(commands)
    )
    for row in connection.execute(told.order_by(journal.c.seq)):
        # The book is told watch time here, and every device is known: what the watch refused for
        # another reason is refused here too.
        try:
            book.take(row.data, {str(row.data.get("device")): None}, row.t_ms)
        except ValueError:
            continue
    for trial in book.trials.values():
        for name in MEASURED:
            interval = trial.interval(name)
            if interval is not None:
                from_t, to_t = interval
                until_t = now_t if to_t is None else to_t
                yield from_t, min(until_t, from_t + LONGEST_PROTECTED_MS)


Step = Callable[[Connection], int]


class _Pruning:
    """One round of letting go: each step takes the oldest rows of a table, a bounded number."""

    def __init__(self, now: Now, keeping: Keeping) -> None:
        self._now = now
        self._keeping = keeping

    def steps(self) -> tuple[Step, ...]:
        return (
            self._readings,
            self._protected,
            self._entries,
            self._configurations,
            partial(self._tier, schema.minute_block, self._keeping.minutes_ms),
            partial(self._tier, schema.quarter_block, self._keeping.quarters_ms),
            self._transitions,
            self._notices,
            self._unreadable,
            self._commands,
        )

    def _let_go(
        self,
        connection: Connection,
        table: Table,
        t: ColumnElement[int],
        utc_ms: ColumnElement[int],
        keep_ms: int,
        *where: ColumnElement[bool],
    ) -> int:
        """Let go of the oldest rows of a table, in the order of its key, that are old enough."""
        keys = list(table.primary_key.columns)
        oldest = select(t, utc_ms, *keys).where(*where).order_by(*keys).limit(_ROWS_AT_ONCE)
        rows = takewhile(
            lambda row: self._now.is_past(row[0], row[1], keep_ms), connection.execute(oldest)
        )
        old = [tuple(row[2:]) for row in rows]
        doomed = tuple_(*keys).in_(old) if keys[1:] else keys[0].in_([key for (key,) in old])
        connection.execute(delete(table).where(doomed))
        return len(old)

    def _readings(self, connection: Connection) -> int:
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
        old = []
        for row in connection.execute(oldest_first):
            is_needed = row.first_seq + row.length > needed_from or row.first_seq >= newest
            utc_ms = row.known_t_ms + row.offset_ms
            if is_needed or not self._now.is_past(row.known_t_ms, utc_ms, self._keeping.raw_ms):
                break
            old.append(row)
        if old:
            phases = list(_protected_phases(connection, self._now.t))
            doomed = [
                row.first_seq
                for row in old
                if not any(
                    row.t_min_ms <= to_t and row.known_t_ms >= from_t for from_t, to_t in phases
                )
            ]
            connection.execute(delete(block).where(block.c.first_seq.in_(doomed)))
            mark(connection, pruned_seq=old[-1].first_seq + old[-1].length - 1)
        return len(old)

    def _protected(self, connection: Connection) -> int:
        """Let go of the single readings of trials that are older than minutes are kept."""
        known_t, utc_ms = block.c.known_t_ms, block.c.known_t_ms + block.c.offset_ms
        passed = block.c.first_seq <= pruned_seq(connection)
        return self._let_go(connection, block, known_t, utc_ms, self._keeping.minutes_ms, passed)

    def _entries(self, connection: Connection) -> int:
        # A handful of renames stay; they say whose all that is older is.
        kept = journal.c.kind.not_in([EntryKind.CONFIG.value, EntryKind.RENAME.value])
        return self._journal(connection, self._keeping.minutes_ms, kept)

    def _configurations(self, connection: Connection) -> int:
        """Let go of configurations; they stay as long as there are quarters of their time."""
        of_kind = journal.c.kind == EntryKind.CONFIG.value
        return self._journal(connection, self._keeping.quarters_ms, of_kind)

    def _journal(self, connection: Connection, keep_ms: int, of_kind: ColumnElement[bool]) -> int:
        """Let go of journal entries, but not of the newest of each kind.

        Those after the first reading that is left, or needed for a warm start, are part of a
        replay. An entry has no UTC of its own; watch time is that of UTC at a start.
        """
        left = block.c.first_seq > pruned_seq(connection)
        first = connection.scalar(select(func.min(block.c.first_seq)).where(left))
        needed_from = _saved_seq(connection) + 1
        before = journal.c.seq < (needed_from if first is None else min(first, needed_from))
        newest = select(func.max(journal.c.seq)).where(before).group_by(journal.c.kind)
        t, older = journal.c.t_ms, journal.c.seq.not_in(newest)
        return self._let_go(connection, journal, t, t, keep_ms, of_kind, before, older)

    def _tier(self, table: Table, keep_ms: int, connection: Connection) -> int:
        end_utc_ms = (table.c.day + 1) * DAY_MS
        return self._let_go(connection, table, table.c.t_ms, end_utc_ms, keep_ms)

    def _transitions(self, connection: Connection) -> int:
        """Let go of old occurrences, but not of each alarm's newest, nor of one that stands."""
        table = schema.transition
        needed = select(table.c.alarm_id).where(table.c.id.in_(last_of_each_alarm()))
        t, keep_ms = func.json_extract(table.c.record, "$.t"), self._keeping.minutes_ms
        over = table.c.alarm_id.not_in(needed)
        return self._let_go(connection, table, t, table.c.utc_ms, keep_ms, over)

    def _notices(self, connection: Connection) -> int:
        """Let go of old notices that are done with; those since the oldest active alarm stay."""
        table, told = schema.notice, schema.transition
        standing_since = connection.scalar(
            select(func.min(told.c.utc_ms)).where(
                told.c.id.in_(last_of_each_alarm()), told.c.state != AlarmState.NORMAL.value
            )
        )
        return self._let_go(
            connection,
            table,
            table.c.t_ms,
            table.c.utc_ms,
            self._keeping.minutes_ms,
            table.c.status.is_not(None),
            table.c.status != "waiting",
            table.c.utc_ms < (self._now.utc_ms if standing_since is None else standing_since),
        )

    def _unreadable(self, connection: Connection) -> int:
        """Let go of the hours in which messages could not be read; the totals stay."""
        table = schema.unreadable_hour
        end_utc_ms = (table.c.hour + 1) * HOUR_MS
        return self._let_go(connection, table, table.c.t_ms, end_utc_ms, self._keeping.minutes_ms)

    def _commands(self, connection: Connection) -> int:
        """Let go of commands that were answered; the journal tells what was done."""
        table = schema.command
        newest = connection.scalar(select(func.max(table.c.id))) or 0
        answered = table.c.result.is_not(None), table.c.id <= newest - _COMMANDS_KEPT
        oldest = select(table.c.id).where(*answered).order_by(table.c.id).limit(_ROWS_AT_ONCE)
        old = connection.scalars(oldest).all()
        connection.execute(delete(table).where(table.c.id.in_(old)))
        return len(old)


def last_of_each_alarm() -> Any:
    """Select the newest transition of each alarm."""
    table = schema.transition
    return select(func.max(table.c.id)).group_by(table.c.subject, table.c.condition)


def _saved_seq(connection: Connection) -> int:
    """Give the last input that the saved state knows: a warm start reads on from there."""
    return connection.scalar(select(schema.saved_state.c.seq)) or 0


# Room.


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


def growth_bytes_per_day(samples: Sequence[tuple[int, int]]) -> float | None:
    """Give how fast the store grows, from samples of watch time (ms) and bytes, in order of time.

    The slope of the line of least squares: one odd sample doesn't spoil it. None if they span too
    little.
    """
    if not samples or samples[-1][0] - samples[0][0] < _LEAST_SPAN_MS:
        return None
    days, used = zip(*((t / DAY_MS, used) for t, used in samples), strict=True)
    return linear_regression(days, used).slope


def days_left(free_bytes: int, growth: float | None) -> float | None:
    """Give the days until the room is used up, if it goes on like this; None if it doesn't grow."""
    if growth is None or growth <= 0.0:
        return None
    return max(0, free_bytes) / growth


def _take_sample(connection: Connection, t: int) -> None:
    """Note how much is in use, if it is time; forget what is too old to tell the present growth."""
    table = schema.size_sample
    newest = connection.scalar(select(func.max(table.c.t_ms)))
    if newest is not None and t - newest < SAMPLE_EVERY_MS:
        return
    used, _ = _used_and_free(connection)
    connection.execute(delete(table).where(table.c.t_ms < t - _SAMPLES_KEPT_MS))
    connection.execute(insert(table).values(t_ms=t, bytes=used))


def measure(connection: Connection, path: Path) -> Room:
    """Give the store's room now."""
    used, free_inside = _used_and_free(connection)
    disk = os.statvfs(path)
    free = disk.f_bavail * disk.f_frsize + free_inside
    samples = select(schema.size_sample).order_by(schema.size_sample.c.t_ms)
    growth = growth_bytes_per_day([(row.t_ms, row.bytes) for row in connection.execute(samples)])
    log = path.with_name(path.name + "-wal")
    raw = _oldest_raw(connection)
    days = [connection.scalar(select(func.min(table.c.day))) for table in TABLES.values()]
    return Room(
        used + free_inside + (log.stat().st_size if log.exists() else 0),
        free,
        growth,
        days_left(free, growth),
        None if raw is None else raw.t_min_ms + raw.offset_ms,
        *(None if day is None else day * DAY_MS for day in days),
    )


def raw_gone_before(connection: Connection) -> int | None:
    """Give the instant (UTC in ms, a whole minute) before which readings were let go.

    Of what was measured before it, only the minutes are whole. None when nothing was let go.
    """
    raw = _oldest_raw(connection) if pruned_seq(connection) else None
    # No reading is later than the watch time known when it was written.
    return None if raw is None else -(-(raw.known_t_ms + raw.offset_ms) // 60_000) * 60_000


def _oldest_raw(connection: Connection) -> Any:
    """Give the oldest block, but for those of trials: they lie before it, in pieces."""
    oldest = (
        select(block.c.t_min_ms, block.c.known_t_ms, block.c.offset_ms)
        .where(block.c.first_seq > pruned_seq(connection))
        .order_by(block.c.first_seq)
    )
    return connection.execute(oldest.limit(1)).first()


def _free_pages(connection: Connection) -> int:
    return int(connection.exec_driver_sql("PRAGMA freelist_count").scalar_one())


def _used_and_free(connection: Connection) -> tuple[int, int]:
    """Give the bytes in use, and those free within the file."""
    size = int(connection.exec_driver_sql("PRAGMA page_size").scalar_one())
    count = int(connection.exec_driver_sql("PRAGMA page_count").scalar_one())
    free = _free_pages(connection)
    return (count - free) * size, free * size
