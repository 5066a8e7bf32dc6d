"""Committing: a batch becomes rows, and the rows one transaction."""

import zlib
from collections import deque
from collections.abc import Sequence
from itertools import groupby
from typing import Any, cast

from sqlalchemy import Connection, Table, insert, select
from sqlalchemy.dialects import sqlite

from cabinetwatch.store import schema
from cabinetwatch.store.codecs import encode_block
from cabinetwatch.store.database import Database
from cabinetwatch.store.inputs import hand_over, last_known_t, last_seq, sensor_names
from cabinetwatch.store.minutes import write_figures
from cabinetwatch.store.records import (
    Batch,
    Heartbeat,
    RepeatRing,
    newest_heartbeat,
    write_notices,
    write_outcomes,
    write_results,
    write_transitions,
    write_unreadable,
    write_weeks,
)
from cabinetwatch.watch.events import Entry, EntryKind, Reading

_MOST_READINGS = 8192  # in one block: what a reader must unpack at once


class Writer:
    """Numbers the inputs and writes batches; knows between commits what the last one left."""

    def __init__(self, database: Database, window_messages: int) -> None:
        """Pick up where the last commit ended.

        Args:
            database: opened for writing, the lock held.
            window_messages: how many messages the broker may have unacknowledged.
        """
        self._database = database
        with database.reading() as connection:
            self._marks = newest_heartbeat(connection)
            self._seq = last_seq(connection)
            self._known_t = last_known_t(connection)
            self._numbers = {name: number for number, name in sensor_names(connection).items()}
            self._offsets = set(connection.scalars(select(schema.clock_offset.c.offset_ms)))
            self._ring = RepeatRing(connection, window_messages)

    @property
    def seq(self) -> int:
        """The number of the last input that was committed."""
        return self._seq

    def commit(self, batch: Batch) -> None:
        """Write the whole batch in one transaction.

        Raises:
            StoreError: nothing was written, and the same batch can be committed later.
        """
        rows = _Rows(self._seq, self._marks, self._known_t, self._numbers)
        rows.add(batch)
        with self._database.writing() as connection:
            rows.write(connection, self._offsets)
            write_transitions(connection, batch.transitions)
            write_notices(connection, batch.notices)
            write_outcomes(connection, batch.outcomes)
            write_results(connection, batch.handled)
            write_figures(connection, batch.advanced_to, batch.figures)
            write_unreadable(connection, batch.unreadable)
            write_weeks(connection, batch.weeks)
            for item in batch.inputs:
                if isinstance(item, Entry) and item.kind is EntryKind.RENAME and item.is_whole:
                    hand_over(connection, item.data["old"], item.data["new"])
            if batch.state is not None:
                _write_state(connection, rows.seq, batch.advanced_to, batch.state)
            forget = any(_loses_session(item) for item in batch.inputs)
            slots = self._ring.write(connection, batch.window, forget=forget)
        self._adopt(rows, slots)

    def _adopt(self, rows: "_Rows", slots: "deque[tuple[int, int]]") -> None:
        self._seq, self._marks, self._known_t = rows.seq, rows.marks, rows.known_t
        self._numbers.update(rows.new_numbers)
        self._offsets |= rows.offsets
        self._ring.adopt(slots)


class _Rows:
    """The inputs of a batch as rows of blocks and journal, numbered."""

    def __init__(
        self, seq: int, marks: Heartbeat | None, known_t: int | None, numbers: dict[str, int]
    ) -> None:
        self.seq = seq
        self.marks = marks
        self.known_t = known_t
        self.new_numbers: dict[str, int] = {}
        self.offsets: set[int] = set()
        self._numbers = numbers
        self._blocks: list[dict[str, Any]] = []
        self._entries: list[dict[str, Any]] = []

    def add(self, batch: Batch) -> None:
        """Cut the inputs into stretches of readings and journal entries."""
        offset_ms = self._first_offset(batch)
        lived_t = max(batch.advanced_to, self.marks.t if self.marks else batch.advanced_to)
        for is_entry, items in groupby(batch.inputs, lambda item: isinstance(item, Entry)):
            if is_entry:
                for entry in cast("Sequence[Entry]", items):
                    offset_ms = _offset_told(entry, offset_ms)
                    lived_t = max(lived_t, entry.t)
                    self._add_entry(entry)
                continue
            readings = cast("list[Reading]", list(items))
            for start in range(0, len(readings), _MOST_READINGS):
                part = readings[start : start + _MOST_READINGS]
                lived_t = max(lived_t, *(reading.t for reading in part))
                self.known_t = lived_t if self.known_t is None else max(self.known_t, lived_t)
                self._add_block(part, self.known_t, offset_ms)
        if batch.foreign and self.marks is not None:
            lived_t = self.marks.t
        self.marks = Heartbeat(self.seq, lived_t, batch.offset_ms)

    def write(self, connection: Connection, known_offsets: set[int]) -> None:
        """Insert all rows."""
        sensors = [{"name": name, "number": number} for name, number in self.new_numbers.items()]
        offsets = [{"offset_ms": offset} for offset in self.offsets - known_offsets]
        _insert(connection, schema.sensor, sensors)
        _insert(connection, schema.clock_offset, offsets)
        _insert(connection, schema.block, self._blocks)
        _insert(connection, schema.journal, self._entries)
        if self.marks is not None and not self._last_block_says(self.marks):
            values = {
                "seq": self.marks.seq,
                "t_ms": self.marks.t,
                "offset_ms": self.marks.offset_ms,
            }
            row = sqlite.insert(schema.heartbeat).values(id=1, **values)
            connection.execute(row.on_conflict_do_update(index_elements=["id"], set_=values))

    def _first_offset(self, batch: Batch) -> int:
        """Give the offset of readings before an entry in this very batch changes it."""
        changes = any(isinstance(item, Entry) and _tells_offset(item) for item in batch.inputs)
        return self.marks.offset_ms if changes and self.marks is not None else batch.offset_ms

    def _add_entry(self, entry: Entry) -> None:
        self.seq += 1
        row = {"seq": self.seq, "t_ms": entry.t, "kind": entry.kind.value, "data": dict(entry.data)}
        self._entries.append(row)

    def _add_block(self, readings: list[Reading], known_t: int, offset_ms: int) -> None:
        times = [reading.t for reading in readings]
        self._blocks.append(
            {
                "first_seq": self.seq + 1,
                "length": len(readings),
                "t_min_ms": min(times),
                "t_max_ms": max(times),
                "known_t_ms": known_t,
                "offset_ms": offset_ms,
                "data": encode_block(readings, self._number_of),
            }
        )
        self.offsets.add(offset_ms)
        self.seq += len(readings)

    def _last_block_says(self, marks: Heartbeat) -> bool:
        """Whether a block tells how far the watch has come, so that no row need be touched."""
        if not self._blocks:
            return False
        last = self._blocks[-1]
        end = last["first_seq"] + last["length"] - 1
        return bool(Heartbeat(end, last["known_t_ms"], last["offset_ms"]) == marks)

    def _number_of(self, name: str) -> int:
        if name in self._numbers:
            return self._numbers[name]
        fresh = len(self._numbers) + len(self.new_numbers) + 1
        return self.new_numbers.setdefault(name, fresh)


def _insert(connection: Connection, table: Table, rows: list[dict[str, Any]]) -> None:
    if rows:
        connection.execute(insert(table), rows)


def _write_state(connection: Connection, seq: int, t: int, state: bytes) -> None:
    values = {"seq": seq, "t_ms": t, "data": zlib.compress(state)}
    row = sqlite.insert(schema.saved_state).values(id=1, **values)
    connection.execute(row.on_conflict_do_update(index_elements=["id"], set_=values))


def _tells_offset(entry: Entry) -> bool:
    return entry.kind in {EntryKind.START, EntryKind.OFFSET} and "offset_ms" in entry.data


def _offset_told(entry: Entry, before: int) -> int:
    return int(entry.data["offset_ms"]) if _tells_offset(entry) else before


def _loses_session(item: Reading | Entry) -> bool:
    return (
        isinstance(item, Entry)
        and item.kind is EntryKind.CONNECT
        and not item.data.get("session_present", False)
    )
