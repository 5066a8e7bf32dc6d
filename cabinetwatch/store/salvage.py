"""Carrying over what can be read of a store that was set aside, into the new one.

    python -m cabinetwatch.store.salvage begin|rest URL

In two goes, each in a process of its own. `begin` fills the new store, before anything else is
written to it, in one transaction with all that a watch needs to go on where it was: outbox, alarms,
journal, the engine's state and what it was told since. `rest` brings the readings and tiers, in
short transactions beside the watch. A note beside the store says what is still to be done; until it
is gone nothing is condensed or pruned, and both can be done again after a kill without a double.
"""

import json
import os
import shutil
import sqlite3
import sys
import time
import zlib
from collections.abc import Callable, Iterable, Iterator
from contextlib import closing, suppress
from itertools import islice
from pathlib import Path
from types import SimpleNamespace
from typing import Any, NamedTuple

from cabinetwatch.errors import StoreError
from cabinetwatch.store import schema
from cabinetwatch.store.block import decode
from cabinetwatch.store.database import PAGE_BYTES, connect, translated
from cabinetwatch.store.outbox import posted
from cabinetwatch.store.pages import ORPHAN, Pages, Row
from cabinetwatch.store.place import (
    UNREADABLE,
    Salvage,
    database_path,
    exit_status,
    pending_salvage,
)
from cabinetwatch.store.renames import Rename, Renames, is_of_sensor
from cabinetwatch.store.tier_block import TierBlock
from cabinetwatch.store.tiers import DAY_MS, Tier
from cabinetwatch.store.window import messages_of
from cabinetwatch.times import to_rfc3339
from cabinetwatch.watch.entry import EntryKind
from cabinetwatch.watch.transition import Transition

_LARGE = ("block", "minute_block", "quarter_block")
_TELLING = ("block", "minute_block", "quarter_block", "journal", "transition", "notice", "sensor")
"""Tables whose rows say by themselves that they are of it."""
_ROWS_AT_ONCE = 256
_REST = 2
"""A transaction is followed by so many times its own length of rest."""
_CHECK_S = 20.0
_CHECK_STEPS = 100_000
_MOST_TOLD_AGAIN = 2_000
"""Blocks that a watch without a saved state is told again: some hours."""
_SPARE_BYTES = 16_000_000


class Lost(NamedTuple):
    """What could not be carried over: how many inputs, and between which instants (UTC in ms)."""

    inputs: int
    from_utc_ms: int | None
    to_utc_ms: int | None


class Salvager:
    """Carries rows from the store that was set aside into the new one at `path`."""

    def __init__(self, path: Path, salvage: Salvage) -> None:
        self._path = path
        self._salvage = salvage
        with_log = _owns_log(salvage.aside)
        self._old = Pages(salvage.aside, _page_bytes(salvage.aside), with_log=with_log)
        self._new = connect(path, "rw")
        self._columns = {
            name: [row[1:3] for row in self._new.execute(f'PRAGMA table_info("{name}")')]
            for name in schema.metadata.tables
        }
        query = "SELECT name, rootpage FROM sqlite_master WHERE type = 'table'"
        # Made by the same steps: where the old list is gone, the new one says where things are.
        roots = dict(self._new.execute(query).fetchall()) | self._old.roots()
        self._roots = {name: roots[name] for name in self._columns if name in roots}
        self._names: dict[int, str] = {}
        # All before were carried out on what is carried over.
        query = "SELECT seq, data FROM journal WHERE kind = 'rename' AND seq > ? ORDER BY seq"
        since = self._new.execute(query, (salvage.last_seq or 0,))
        self._renames = [
            Rename(seq, told["old"], told["new"])
            for seq, told in ((seq, json.loads(data)) for seq, data in since)
        ]
        self._checks: dict[str, Callable[[dict[str, Any]], object]] = {
            "block": self._check_block,
            "minute_block": lambda row: _check_tier(row, Tier.MINUTES),
            "quarter_block": lambda row: _check_tier(row, Tier.QUARTERS),
            "journal": lambda row: EntryKind(row["kind"]),
            "transition": lambda row: Transition.from_record(row["record"]),
            "notice": lambda row: posted(SimpleNamespace(**row)),
            "saved_state": lambda row: zlib.decompress(row["data"]),
            "figure_minute": lambda row: zlib.decompress(row["data"]),
            "repeat_window": lambda row: messages_of(row["data"]),
        }

    def close(self) -> None:
        """Close all files."""
        self._old.close()
        self._new.close()

    def begin(self) -> int:
        """Carry over what a watch goes on from; give the number of the last input.

        Nothing is done to a store that something has been written to.
        """
        wanted = {root: name for name, root in self._roots.items() if name not in _LARGE}
        found: dict[str, list[Row]] = {}
        for root, row in self._old.rows({ORPHAN, *wanted}):
            name = wanted.get(root) or self._table_of(row)
            if name is not None and name not in _LARGE:
                found.setdefault(name, []).append(row)
        self._new.execute("BEGIN IMMEDIATE")
        if not self._last_seq() and not self._first("SELECT 1 FROM notice"):
            self._insert("sensor", found.pop("sensor", []))
            self._name_sensors()
            for name, rows in found.items():
                self._insert(name, rows)
            if not self._first("SELECT 1 FROM saved_state"):
                self._insert("block", islice(self._blocks_from(1), _MOST_TOLD_AGAIN))
            else:
                after = self._first("SELECT seq FROM saved_state")
                self._insert("block", self._blocks_from(after))
            if not self._first("SELECT 1 FROM upkeep"):
                # Better some minutes are missing in the pictures than that readings count twice.
                self._new.execute("INSERT INTO upkeep VALUES (1, ?, 0)", (self._last_seq(),))
        self._new.execute("COMMIT")
        return self._last_seq()

    def rest(self) -> None:
        """Carry over readings and tiers.

        Raises:
            StoreError: there is no room for them.
        """
        self._names = dict(self._new.execute("SELECT number, name FROM sensor").fetchall())
        room = shutil.disk_usage(self._path.parent).free
        needed = self._salvage.aside.stat().st_size + _SPARE_BYTES
        if room < needed:
            raise StoreError(
                f"The readings of {self._salvage.aside} can't be carried over: that needs"
                f" {needed / 1e6:z.0f} MB of room and there are {room / 1e6:z.0f} MB; make room,"
                " and start the watch again"
            )
        wanted = {self._roots[name]: name for name in _LARGE if name in self._roots}
        rows = self._old.rows({ORPHAN, *wanted})
        while some := list(islice(rows, _ROWS_AT_ONCE)):
            began = time.monotonic()
            self._new.execute("BEGIN IMMEDIATE")
            for root, row in some:
                name = wanted.get(root) or self._table_of(row)
                if name in _LARGE:
                    self._insert(name, [self._of_today(name, row)])
            self._new.execute("COMMIT")
            time.sleep(_REST * (time.monotonic() - began))

    def _of_today(self, name: str, row: Row) -> Row:
        """Give a block of a tier to the ID that its sensor was given while it was still missing."""
        tier = _TIERS.get(name)
        if tier is None or not self._renames:
            return row
        names = [column for column, _ in self._columns[name]]
        place = names.index("subject")
        with suppress(ValueError, IndexError):
            subject, data = row[place], row[names.index("data")]
            if isinstance(subject, str) and isinstance(data, bytes) and is_of_sensor(data, tier):
                row[place] = Renames(self._renames).today(subject, 0)
        return row

    def lost(self) -> Lost:
        """Find the numbers of inputs that are missing, and between which instants they were."""
        pruned = self._first("SELECT pruned_seq FROM upkeep") or 0
        following, count = pruned + 1, 0
        before: int | None = None
        first: int | None = None
        last: int | None = None
        rows = self._new.execute(
            "SELECT first_seq, length, t_min_ms + offset_ms, t_max_ms + offset_ms FROM block"
            " WHERE first_seq BETWEEN ? AND ?"
            " UNION ALL SELECT seq, 1, NULL, NULL FROM journal WHERE seq BETWEEN ? AND ?"
            " ORDER BY 1",
            (pruned + 1, self._salvage.last_seq) * 2,
        )
        gap_open = False
        for number, length, since, until in rows:
            if number > following:
                count += number - following
                first = before if first is None else first
                gap_open = True
            if since is not None:
                last = since if gap_open else last
                gap_open = False
                before = until
            following = max(following, number + length)
        return Lost(count, first, last)

    def readings(self) -> int:
        """Count the readings that were carried over."""
        query = "SELECT sum(length) FROM block WHERE first_seq <= ?"
        return self._first(query, self._salvage.last_seq or 0) or 0

    def _blocks_from(self, seq: int) -> Iterator[Row]:
        """Give the newest blocks: those from a number on, and the last one."""
        root = self._roots.get("block")
        if root is None:
            return
        with suppress(ValueError, IndexError):
            yield from self._old.rows_from(root, seq)
            return
        for found, row in self._old.rows({ORPHAN, root}):
            if found == root or self._table_of(row) == "block":
                number, length, *_ = row
                if isinstance(number, int) and isinstance(length, int) and number + length > seq:
                    yield row

    def _table_of(self, row: Row) -> str | None:
        """Tell by its content which table a row is of; None where that can't be told."""
        for name in _TELLING:
            if len(row) == len(self._columns[name]) and self._is_sound(name, row):
                return name
        return None

    def _insert(self, name: str, rows: Iterable[Row]) -> None:
        """Write the rows of a table that make sense and are not there yet."""
        columns = self._columns[name]
        marks = ", ".join("?" * len(columns))
        statement = f'INSERT OR IGNORE INTO "{name}" VALUES ({marks})'  # noqa: S608 - our own name
        for found in rows:
            # A column that came with a later version of the schema stands at the end.
            row = found + [None] * (len(columns) - len(found))
            if len(row) == len(columns) and self._is_sound(name, row):
                self._new.execute(statement, row)

    def _is_sound(self, name: str, row: Row) -> bool:
        columns = self._columns[name]
        for (_, kind), value in zip(columns, row, strict=True):
            if value is not None and not isinstance(value, _TYPES.get(kind, (str,))):
                return False
        check = self._checks.get(name)
        try:
            # As its reader will take it apart.
            read = {
                column: json.loads(value) if kind == "JSON" and isinstance(value, str) else value
                for (column, kind), value in zip(columns, row, strict=True)
            }
            if check is not None:
                check(read)
        except UNREADABLE:
            return False
        return True

    def _check_block(self, row: dict[str, Any]) -> None:
        if sum(1 for _ in decode(row["data"], self._names)) != row["length"]:
            raise ValueError("it holds another number of readings")

    def _name_sensors(self) -> None:
        """Give each sensor whose name can't be read one, so that its number is not used again."""
        known = dict(self._new.execute("SELECT number, name FROM sensor").fetchall())
        for number in range(1, max(known, default=0)):
            if number not in known:
                known[number] = f"unknown-{number}"
                row = (number, known[number])
                self._new.execute("INSERT OR IGNORE INTO sensor VALUES (?, ?)", row)
        self._names = known

    def _last_seq(self) -> int:
        blocks = self._first("SELECT max(first_seq + length - 1) FROM block")
        return max(blocks or 0, self._first("SELECT max(seq) FROM journal") or 0)

    def _first(self, query: str, *values: int) -> Any:
        row = self._new.execute(query, values).fetchone()
        return None if row is None else row[0]


def _check_tier(row: dict[str, Any], tier: Tier) -> None:
    block = TierBlock(row["data"], tier.width_ms)
    first = next((buckets[0] for each in block.figures if (buckets := block.buckets(each))), None)
    if first is not None and first.utc_ms // DAY_MS != row["day"]:
        raise ValueError("it is of another day, or another tier")


_TIERS = {"minute_block": Tier.MINUTES, "quarter_block": Tier.QUARTERS}
_TYPES: dict[str, tuple[type, ...]] = {
    "INTEGER": (int,),
    "BIGINT": (int,),
    "BOOLEAN": (int,),
    "BLOB": (bytes,),
}


def _page_bytes(aside: Path) -> int:
    """Give the page size that the file says, or its log, or else ours."""
    log = aside.with_name(aside.name + "-wal")
    for path, at, size in ((aside, 16, 2), (log, 8, 4)):
        if path.exists():
            with path.open("rb") as file:
                found = int.from_bytes(file.read(at + size)[at:], "big")
            if found in {1024, 2048, 4096, 8192, 16384, 32768}:
                return found
    return PAGE_BYTES


def _owns_log(aside: Path) -> bool:
    """Tell whether the log beside the file is its own.

    It is not when the file is whole without it and not with it: so it is after a kill and a backup
    that was copied over the store by hand.
    """
    has_log = aside.with_name(aside.name + "-wal").exists()
    return has_log and (_is_whole(aside, "ro") or not _is_whole(aside, "ro&immutable=1"))


def _is_whole(aside: Path, mode: str) -> bool:
    until = time.monotonic() + _CHECK_S
    try:
        with closing(connect(aside, mode)) as connection:
            connection.set_progress_handler(lambda: time.monotonic() > until, _CHECK_STEPS)
            return bool(connection.execute("PRAGMA quick_check").fetchone()[0] == "ok")
    except sqlite3.Error:
        return False


def main(arguments: list[str]) -> int:
    """Run as a program: `begin URL` or `rest URL`.

    Returns:
        0, with what was done as JSON on standard output; 2, or that of the error (`exit_status`),
        with one sentence on standard error.
    """
    if len(arguments) != 2 or arguments[0] not in {"begin", "rest"}:
        print("usage: python -m cabinetwatch.store.salvage begin|rest URL", file=sys.stderr)
        return 2
    path = database_path(arguments[1])
    salvage = pending_salvage(path)
    if salvage is None:
        print("{}")
        return 0
    try:
        with translated(path), closing(Salvager(path, salvage)) as salvager:
            if arguments[0] == "begin":
                out: dict[str, Any] = {"last_seq": salvager.begin()}
            else:
                os.nice(10)
                salvager.rest()
                out = {"readings": salvager.readings(), "lost": _as_json(salvager.lost())}
    except (StoreError, OSError) as error:
        print(error, file=sys.stderr)
        return exit_status(error) if isinstance(error, StoreError) else 2
    print(json.dumps(out))
    return 0


def _as_json(lost: Lost) -> dict[str, Any]:
    return {
        "inputs": lost.inputs,
        "from": None if lost.from_utc_ms is None else to_rfc3339(lost.from_utc_ms),
        "to": None if lost.to_utc_ms is None else to_rfc3339(lost.to_utc_ms),
    }


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
