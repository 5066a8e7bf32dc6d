"""What the engine was told, read back: blocks and journal, offsets and former names applied.

Single readings and the journal stay as they were written, for a replay needs them so. Who asks for
the past reads them under the names of today: see `Renames`. All that is kept by subject and is not
replayed (tiers, alarms, counts, frozen weeks, the outbox) is handed over once, in the transaction
that writes the rename into the journal.
"""

import json
from bisect import bisect_left
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from itertools import chain, islice
from typing import Any, NamedTuple

from sqlalchemy import Column, Connection, Row, delete, func, select, update

from cabinetwatch.config.values import ROLES
from cabinetwatch.store import schema
from cabinetwatch.store.codecs import SENSOR_FIGURE, Tier, TierBlock, decode_block
from cabinetwatch.store.database import Database, upsert
from cabinetwatch.store.place import record_damaged
from cabinetwatch.store.schema import block, clock_offset, journal, sensor, upkeep
from cabinetwatch.watch.conditions import SPECS
from cabinetwatch.watch.events import Entry, EntryKind, Reading

SENSOR_CONDITIONS = tuple(spec.name for spec in SPECS if spec.subject == "sensor")
"""What a sensor's alarms are about; no device has any of them."""

TABLES = {Tier.MINUTES: schema.minute_block, Tier.QUARTERS: schema.quarter_block}

_NAMING = {EntryKind.CONFIG, EntryKind.COMMAND, EntryKind.REFUSED}


# Blocks fetched by one short transaction: a long one would keep the log from being emptied while
# somebody reads a year.
_BLOCKS_AT_ONCE = 512

_KINDS = frozenset(kind.value for kind in EntryKind)
"""What another version may have written beside these is passed over."""

Input = tuple[int, Reading | Entry]
"""Something the engine was told, with its number in the sequence."""


class Stretch(NamedTuple):
    """Readings between which the engine was told nothing else: configuration and clock stay so.

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
    entries = [_entry(row) for row in connection.execute(query) if row.kind in _KINDS]
    renames = read_renames(connection)
    return [(seq, renames.entry(entry, seq)) for seq, entry in entries if entry.is_whole]


def read_stretches(
    database: Database, from_utc_ms: int | None, to_utc_ms: int | None
) -> Iterator[Stretch]:
    """Give the stretches with readings in an interval of UTC, in order, under today's names."""
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
    # What pruning protected of a trial is no part of the whole that can be replayed.
    pruned = func.coalesce(select(upkeep.c.pruned_seq).scalar_subquery(), 0)
    return (
        select(block.c.first_seq, block.c.length, block.c.data)
        .where(
            # One bound, not two: SQLite searches by one and would walk to the other row by row.
            block.c.first_seq >= func.max(pruned + 1, begins_before),
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
        return decode_block(row.data, names)
    except ValueError as error:
        raise record_damaged(database.path, error) from error


def _entry(row: Row[Any]) -> tuple[int, Entry]:
    return row.seq, Entry(row.t_ms, EntryKind(row.kind), row.data)


class Rename(NamedTuple):
    """What was sensor `old` before input number `seq` is `new` since."""

    seq: int
    old: str
    new: str


class Renames:
    """All renames of a store, in their order: they say what a name of then is called today."""

    def __init__(self, renames: Iterable[Rename] = ()) -> None:
        self._renames = tuple(renames)

    def __iter__(self) -> Iterator[Rename]:
        """Go through them, the oldest first."""
        return iter(self._renames)

    def today(self, name: str, seq: int) -> str:
        """Give what the sensor is called today that was called so at input number `seq`."""
        for rename in self._renames:
            if rename.seq > seq and rename.old == name:
                name = rename.new
        return name

    def names(self, numbered: dict[int, str], seq: int) -> dict[int, str]:
        """Give the names of sensors by their numbers as `today` does."""
        if not self._renames or self._renames[-1].seq <= seq:
            return numbered
        return {number: self.today(name, seq) for number, name in numbered.items()}

    def entry(self, entry: Entry, seq: int) -> Entry:
        """Give a whole journal entry as if sensors had been called then as they are today."""
        if entry.kind not in _NAMING or not self._renames or self._renames[-1].seq <= seq:
            return entry
        data = dict(entry.data)
        if entry.kind is EntryKind.CONFIG:
            data["config"] = self._config(data["config"], seq)
        elif isinstance(data.get("subject"), str):
            data["subject"] = self.today(data["subject"], seq)
        return Entry(entry.t, entry.kind, data)

    def _config(self, config: Mapping[str, Any], seq: int) -> dict[str, Any]:
        def called(value: Any) -> Any:
            if isinstance(value, list):
                return [called(each) for each in value]
            return self.today(value, seq) if isinstance(value, str) else value

        # The row of another hand may hold anything.
        sensors = {self.today(name, seq): each for name, each in _table(config, "sensors").items()}
        devices = {
            name: {**device, **{role: called(device[role]) for role in ROLES if role in device}}
            for name, device in _table(config, "devices").items()
            if isinstance(device, Mapping)
        }
        return {**config, "sensors": sensors, "devices": devices}


def read_renames(connection: Connection) -> Renames:
    """Give the renames that the journal tells of."""
    of_kind = select(journal).where(journal.c.kind == EntryKind.RENAME.value)
    entries = map(_entry, connection.execute(of_kind.order_by(journal.c.seq)))
    return Renames(
        Rename(seq, entry.data["old"], entry.data["new"])
        for seq, entry in entries
        if entry.is_whole
    )


class Wanted(NamedTuple):
    """What becomes of the renames that a configuration asks for.

    `due` are still to be done, as (old, new). `remarks` are sentences about those that can't be.
    """

    due: list[tuple[str, str]]
    remarks: list[str]


def judge_wanted(connection: Connection, wanted: Sequence[tuple[str, str]]) -> Wanted:
    """Look which renames, each as (old, new), are still to be done."""
    if not wanted:
        return Wanted([], [])
    renames, together = read_renames(connection), _known_together(connection)
    known = {name for names in together for name in names}
    due, remarks = [], []
    for old, new in wanted:
        table = f'[sensors.{new}] renamed_from = "{old}"'
        if old not in known:
            became = [renames.today(old, each.seq - 1) for each in renames if each.old == old]
            if new in became:
                continue
            become = f" any more: it became {became[-1]}" if became else ""
            remarks.append(
                f"{table}: nothing is known of a sensor {old}{become}; correct the ID, or leave the"
                " key out"
            )
        elif any({old, new} <= names for names in together):
            remarks.append(
                f"{table}: both were in use at the same time, so their histories stay apart; leave"
                " the key out"
            )
        else:
            due.append((old, new))
    return Wanted(due, remarks)


def _known_together(connection: Connection) -> list[set[str]]:
    """Give the sensors of each configuration that ever was, under the names of today.

    Those that only an import has brought stand by themselves.
    """
    kinds = [EntryKind.CONFIG.value, EntryKind.RENAME.value]
    rows = connection.execute(
        select(journal).where(journal.c.kind.in_(kinds)).order_by(journal.c.seq)
    )
    together: list[set[str]] = []
    ever: set[str] = set()
    for _, entry in map(_entry, rows):
        if not entry.is_whole:
            continue
        if entry.kind is EntryKind.CONFIG:
            sensors = set(_table(entry.data["config"], "sensors"))
            together.append(sensors)
            ever |= sensors
            continue
        old, new = entry.data["old"], entry.data["new"]
        ever |= {old, new}
        together = [names - {old} | {new} if old in names else names for names in together]
    imported = set(connection.scalars(select(sensor.c.name))) - ever
    return together + [{name} for name in imported]


def _table(config: Mapping[str, Any], name: str) -> Mapping[str, Any]:
    table = config.get(name)
    return table if isinstance(table, Mapping) else {}


def sensors_of_today(connection: Connection) -> list[str]:
    """Give the names of all sensors that ever had a reading, as they are today."""
    renames = read_renames(connection)
    names = set(connection.scalars(select(sensor.c.name)))
    today = {renames.today(name, 0) for name in names}
    if any(renames):
        # An ID that is free again may be in use by another sensor.
        known = {name for each in _known_together(connection) for name in each}
        today |= names & known
    return sorted(today)


def hand_over(connection: Connection, old: str, new: str) -> None:
    """Let all that is kept of sensor `old`, and is not replayed, be of `new`."""
    _hand_over_counts(connection, old, new)
    for tier, table in TABLES.items():
        # Blocks that lie side by side for a day merge when they are read.
        for row in connection.execute(select(table).where(table.c.subject == old)).all():
            with suppress(ValueError):  # a damaged one goes along, and is told where it is read
                if not is_of_sensor(row.data, tier):
                    continue
            of_row = update(table).where(table.c.number == row.number)
            connection.execute(of_row.values(subject=new))
    told = schema.transition
    connection.execute(
        update(told)
        .where(told.c.subject == old, told.c.condition.in_(SENSOR_CONDITIONS))
        .values(subject=new, record=func.json_set(told.c.record, "$.subject", new))
    )

    def renamed(parts: Any, key: str = "subject") -> list[Any]:
        return [each | {key: new} if _is_about(each, old, key) else each for each in parts]

    def renamed_week(figures: Any) -> Any:
        parts = {name: renamed(figures.get(name, [])) for name in ("alarms", "hidden")}
        sensors = renamed(figures.get("sensors", []), "id")
        return figures | {"sensors": sensors} | {name: part for name, part in parts.items() if part}

    _change_json(connection, schema.notice.c.transitions, old, renamed)
    _change_json(connection, schema.week.c.figures, old, renamed_week)
    asked = schema.command
    for row in connection.execute(select(asked).where(asked.c.result.is_(None))).all():
        if isinstance(row.command, dict) and row.command.get("subject") == old:
            command = row.command | {"subject": new}
            connection.execute(update(asked).where(asked.c.id == row.id).values(command=command))


def _is_about(record: Mapping[str, Any], sensor: str, key: str) -> bool:
    """Whether a record with a `subject` tells of a sensor, and not of a device of the same ID."""
    if key != "subject":
        return bool(record[key] == sensor)
    conditions = record.get("conditions", [record.get("condition")])
    return record[key] == sensor and set(conditions) <= set(SENSOR_CONDITIONS)


def _change_json(
    connection: Connection, column: Column[Any], old: str, change: Callable[[Any], Any]
) -> None:
    """Change what a column of JSON says of a sensor; rows that don't name it stay untouched."""
    (key,) = column.table.primary_key.columns
    naming = func.instr(column, json.dumps(old)) > 0
    for row in connection.execute(select(key, column).where(naming)).all():
        changed = update(column.table).where(key == row[0]).values({column.name: change(row[1])})
        connection.execute(changed)


def _hand_over_counts(connection: Connection, old: str, new: str) -> None:
    """Add the messages that could not be read to those of the new ID; its run and last count."""
    for table, count in ((schema.unreadable, "total"), (schema.unreadable_hour, "messages")):
        keys = table.primary_key.columns.keys()
        for row in connection.execute(select(table).where(table.c.sensor == old)).mappings().all():
            values = {**row, "sensor": new}
            key = {name: values.pop(name) for name in keys}
            upsert(connection, table, key, values, {count: table.c[count] + row[count]})
        connection.execute(delete(table).where(table.c.sensor == old))


def is_of_sensor(data: bytes, tier: Tier) -> bool:
    """Whether a block of a tier holds a sensor's values, and not a device's figures.

    Raises:
        ValueError: it is damaged.
    """
    return SENSOR_FIGURE in TierBlock(data, tier.width_ms).figures


class OffsetsInForce:
    """The offset of each sensor at each input; a sensor left out has none.

    Args:
        configs: the CONFIG entries of the journal with their numbers, in order.
        before: a configuration as JSON, whose offsets count before the first of them.
    """

    def __init__(
        self, configs: Iterable[tuple[int, Entry]], before: Mapping[str, Any] | None = None
    ) -> None:
        self._seqs: list[int] = []
        self._offsets = [_offsets_of(before or {})]
        for seq, entry in configs:
            self._seqs.append(seq)
            self._offsets.append(_offsets_of(entry.data["config"]))

    def at(self, seq: int) -> Mapping[str, float]:
        """Give the offsets in force at input number `seq`."""
        return self._offsets[bisect_left(self._seqs, seq)]


def _offsets_of(config: Mapping[str, Any]) -> dict[str, float]:
    return {
        name: sensor["offset"]
        for name, sensor in _table(config, "sensors").items()
        if isinstance(sensor, Mapping) and sensor.get("offset")
    }


def offsets_from(connection: Connection, seq: int, renames: Renames) -> OffsetsInForce:
    """Give the offsets in force from input number `seq` on, under the names of today."""
    is_config = journal.c.kind == EntryKind.CONFIG.value
    in_force = select(func.max(journal.c.seq)).where(is_config, journal.c.seq <= seq)
    first = connection.scalar(in_force) or 0
    rows = connection.execute(
        select(journal).where(is_config, journal.c.seq >= first).order_by(journal.c.seq)
    )
    entries = [entry for entry in map(_entry, rows) if entry[1].is_whole]
    return OffsetsInForce((seq, renames.entry(entry, seq)) for seq, entry in entries)
