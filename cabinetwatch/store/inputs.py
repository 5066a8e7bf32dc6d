"""Reading back what the engine was told: blocks and journal, in their exact order."""

from collections.abc import Iterable, Iterator, Sequence
from itertools import chain, islice
from typing import Any, NamedTuple

from sqlalchemy import Connection, Row, func, select

from cabinetwatch.store.block import decode
from cabinetwatch.store.database import Database
from cabinetwatch.store.place import DamagedRecordError, report_damage
from cabinetwatch.store.renames import read_renames
from cabinetwatch.store.schema import block, clock_offset, journal, sensor, upkeep
from cabinetwatch.watch.entry import Entry, EntryKind
from cabinetwatch.watch.reading import Reading

# Blocks fetched by one short transaction: a long one would keep the log from being emptied while
# somebody reads a year.
_BLOCKS_AT_ONCE = 64

_KINDS = frozenset(kind.value for kind in EntryKind)
"""What another version may have written beside these is passed over."""

Input = tuple[int, Reading | Entry]
"""Something the engine was told, with its number in the sequence."""


class Stretch(NamedTuple):
    """Readings between which the engine was told nothing else.

    `first_seq` is the number of the first; `offset_ms` gives UTC when added to their times.
    """

    first_seq: int
    offset_ms: int
    readings: Iterator[Reading]


def last_seq(connection: Connection) -> int:
    """Give the number of the last input, 0 when there is none."""
    in_blocks = (
        select(block.c.first_seq + block.c.length - 1).order_by(block.c.first_seq.desc()).limit(1)
    )
    in_journal = select(func.max(journal.c.seq))
    return max(connection.scalar(in_blocks) or 0, connection.scalar(in_journal) or 0)


def last_of_kind(connection: Connection, kind: EntryKind) -> int:
    """Give the number of the newest journal entry of a kind, 0 when there is none."""
    newest = select(func.max(journal.c.seq)).where(journal.c.kind == kind.value)
    return connection.scalar(newest) or 0


def last_known_t(connection: Connection) -> int | None:
    """Give the watch time known when the newest block was written; None without any."""
    newest = select(block.c.known_t_ms).order_by(block.c.first_seq.desc()).limit(1)
    known_t: int | None = connection.scalar(newest)
    return known_t


def sensor_names(connection: Connection) -> dict[int, str]:
    """Give the name of each sensor ever stored, by its number: the one it had then."""
    return {row.number: row.name for row in connection.execute(select(sensor))}


def read_inputs(database: Database, after_seq: int) -> Iterator[Input]:
    """Give everything the engine was told after input number `after_seq`, in order.

    Sensors have the names that they had then. What is committed while this runs is not included.
    """
    return chain.from_iterable(_pieces(database, after_seq))


def read_entries(connection: Connection, kinds: Sequence[EntryKind]) -> list[tuple[int, Entry]]:
    """Give the journal's entries of these kinds, or all when none is named, with their numbers.

    Sensors are named in them as they are called today. One that is not whole is left out: the
    engine alone is told of it, and says so.
    """
    query = select(journal).order_by(journal.c.seq)
    if kinds:
        query = query.where(journal.c.kind.in_([kind.value for kind in kinds]))
    rows = connection.execute(query)
    entries = [_entry(row) for row in rows if row.kind in _KINDS]
    renames = read_renames(connection)
    return [(seq, renames.entry(entry, seq)) for seq, entry in entries if entry.is_whole]


def read_stretches(
    database: Database, from_utc_ms: int | None, to_utc_ms: int | None
) -> Iterator[Stretch]:
    """Give the stretches that have readings in an interval of UTC, in order of arrival.

    Sensors are named as they are called today.
    """
    with database.reading() as connection:
        last = last_seq(connection)
        cursor = _first_candidate(connection, from_utc_ms) - 1
    query = select(block).order_by(block.c.first_seq).limit(_BLOCKS_AT_ONCE)
    if from_utc_ms is not None:
        query = query.where(block.c.t_max_ms + block.c.offset_ms >= from_utc_ms)
    if to_utc_ms is not None:
        query = query.where(block.c.t_min_ms + block.c.offset_ms < to_utc_ms)
    while cursor < last:
        with database.reading() as connection:
            after = block.c.first_seq > cursor, block.c.first_seq <= last
            rows = connection.execute(query.where(*after)).all()
            names, renames = sensor_names(connection), read_renames(connection)
        if not rows:
            return
        for row in rows:
            called = renames.names(names, row.first_seq)
            yield Stretch(row.first_seq, row.offset_ms, _decoded(database, row, called))
        cursor = rows[-1].first_seq


def _pieces(database: Database, after_seq: int) -> Iterator[Iterable[Input]]:
    with database.reading() as connection:
        last = last_seq(connection)
    cursor = after_seq
    while cursor < last:
        with database.reading() as connection:
            rows = connection.execute(_blocks_after(cursor, last)).all()
            full = len(rows) == _BLOCKS_AT_ONCE
            end = rows[-1].first_seq + rows[-1].length - 1 if full else last
            between = journal.c.seq > cursor, journal.c.seq <= end
            entries = connection.execute(select(journal).where(*between)).all()
            names = sensor_names(connection)
        starts: dict[int, Row[Any] | None] = {row.first_seq: row for row in rows}
        told = {row.seq: _entry(row) for row in entries if row.kind in _KINDS}
        for seq in sorted(starts.keys() | told.keys()):
            row = starts.get(seq)
            if row is None:
                yield (told[seq],)
                continue
            skipped = max(0, cursor + 1 - seq)
            yield enumerate(islice(_decoded(database, row, names), skipped, None), seq + skipped)
        cursor = end


def _blocks_after(cursor: int, last: int) -> Any:
    begins_before = (
        select(func.coalesce(func.max(block.c.first_seq), 0))
        .where(block.c.first_seq <= cursor + 1)
        .scalar_subquery()
    )
    # What pruning spared of a trial is no part of the whole that can be replayed.
    pruned = func.coalesce(select(upkeep.c.pruned_seq).scalar_subquery(), 0)
    return (
        select(block.c.first_seq, block.c.length, block.c.data)
        .where(
            block.c.first_seq > pruned,
            block.c.first_seq >= begins_before,
            block.c.first_seq + block.c.length > cursor + 1,
            block.c.first_seq <= last,
        )
        .order_by(block.c.first_seq)
        .limit(_BLOCKS_AT_ONCE)
    )


def _first_candidate(connection: Connection, from_utc_ms: int | None) -> int:
    """Find where readings at or after an instant of UTC can first stand, by halving.

    No reading is later than the watch time known when its block was written, and that never falls.
    """
    most_offset = connection.scalar(select(func.max(clock_offset.c.offset_ms)))
    if from_utc_ms is None or most_offset is None:
        return 1
    low, high = 1, connection.scalar(select(func.max(block.c.first_seq))) or 1
    while low < high:
        middle = (low + high) // 2
        row = connection.execute(
            select(block.c.first_seq, block.c.known_t_ms)
            .where(block.c.first_seq <= middle)
            .order_by(block.c.first_seq.desc())
            .limit(1)
        ).first()
        if row is None or row.known_t_ms + most_offset < from_utc_ms:
            low = middle + 1
        else:
            high = row.first_seq
    return low


def _decoded(database: Database, row: Row[Any], names: dict[int, str]) -> Iterator[Reading]:
    try:
        return decode(row.data, names)
    except ValueError as error:
        damage = DamagedRecordError(f"The store {database.path} is damaged: {error}", database.path)
        report_damage(database.path, damage)
        raise damage from error


def _entry(row: Row[Any]) -> tuple[int, Entry]:
    return row.seq, Entry(row.t_ms, EntryKind(row.kind), row.data)
