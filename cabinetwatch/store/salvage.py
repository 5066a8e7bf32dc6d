"""Carrying over what can be read of a damaged store: python -m cabinetwatch.store.salvage.

The layout is that of https://www.sqlite.org/fileformat2.html; the numbers in comments name its
sections. A file of ours has a pointer map (1.8), for it can be vacuumed in steps: it says of each
page which one it hangs from. So the rows of a page count although the pages above it are gone, and
those of freed pages, which are old, do not.

In two goes, each a process of its own: `begin URL` and `rest URL`. What each brings, and how a kill
between them is made good, is in the package's docstring.
"""

import json
import os
import shutil
import sys
import time
import zlib
from collections.abc import Callable, Collection, Iterable, Iterator
from contextlib import closing, suppress
from itertools import islice
from pathlib import Path
from struct import Struct, unpack_from
from types import SimpleNamespace
from typing import Any, NamedTuple

from cabinetwatch.store import schema
from cabinetwatch.store.codecs import DAY_MS, Tier, TierBlock, decode_block
from cabinetwatch.store.database import PAGE_BYTES, connect, owns_log, translated
from cabinetwatch.store.inputs import Rename, Renames, is_of_sensor
from cabinetwatch.store.place import (
    UNREADABLE,
    Salvage,
    database_path,
    exit_status,
    pending_salvage,
)
from cabinetwatch.store.records import posted, unpack_window
from cabinetwatch.text import StoreError, to_rfc3339
from cabinetwatch.watch.events import EntryKind, Transition

Value = int | float | str | bytes | None
Row = list[Value]

ORPHAN = 0
"""In place of the root of rows of which nothing says any more what table they are of."""

_ROOT, _BTREE = 1, 5  # 1.8
_KINDS = range(1, 6)
_MOST_ROOTS = 100
_INTERIOR = {0x05, 0x02}  # 1.6: of a table with row numbers, and of one without
_LEAF = {0x0D, 0x0A}
_FRAME = Struct(">6I")  # 4.1
_MOST_DEEP = 40
_PENDING_BYTE = 0x40000000  # 1.4
_SCHEMA_ROOT = 1
_VALUE_BYTES = (0, 1, 2, 3, 4, 6, 8, 8, 0, 0)  # 2.1


class Pages:
    """A database file with, or without, what its log adds to it.

    Not for a file that this process has open as a database: closing it would drop its locks.
    """

    def __init__(self, path: Path, page_bytes: int, *, with_log: bool) -> None:
        self._size = page_bytes
        self._file = path.open("rb")
        log = path.with_name(path.name + "-wal")
        self._log = log.read_bytes() if with_log and log.exists() else b""
        self._in_log = _committed(self._log, page_bytes)
        self.count = max(path.stat().st_size // page_bytes, *self._in_log, 0)
        self._roots: dict[int, int] = {}
        self._maps: dict[int, bytes] = {}
        self._above: dict[int, int] | None = None

    def close(self) -> None:
        """Close the file."""
        self._file.close()

    def roots(self) -> dict[str, int]:
        """Give the root page of each table, as far as the file's own list of them can be read."""
        found = {}
        for _, row in self.rows({_SCHEMA_ROOT}):
            if len(row) == 5 and row[0] == "table" and isinstance(row[3], int):
                found[str(row[1])] = row[3]
        return found

    def rows(self, roots: Collection[int]) -> Iterator[tuple[int, Row]]:
        """Give the rows of the tables with these root pages that can be read, in no order.

        Each comes with its root, or ORPHAN where the pages between are missing. The first column of
        a table whose rows have numbers is that number where it is null.
        """
        for number in range(1, self.count + 1):
            root = self._root_of(number)
            if root is None and self._map_entry(number)[0] == _BTREE:
                root = ORPHAN
            if root is not None and root in roots:
                for row in self._rows_on(number):
                    yield root, row

    def rows_from(self, root: int, least: int) -> Iterator[Row]:
        """Give the rows from a number on by way of the tree, and perhaps some before it.

        Raises:
            ValueError: a page on that way is damaged.
        """
        waiting = [root]
        seen = set()
        while waiting:
            number = waiting.pop()
            page = self._page(number)
            start = 100 if number == 1 else 0
            if number in seen or len(page) < self._size or page[start] not in {0x05, 0x0D}:
                raise ValueError(f"page {number} is none of the table")
            seen.add(number)
            if page[start] == 0x0D:
                yield from self._rows_on(number)
                continue
            # A child holds the rows up to the number beside it; what is right of all, the rest.
            for child, most in self._children(page, start):
                if most is None or most >= least:
                    waiting.append(child)

    def _page(self, number: int) -> bytes:
        if number in self._in_log:
            return self._log[self._in_log[number] :][: self._size]
        self._file.seek((number - 1) * self._size)
        return self._file.read(self._size)

    # Which table a page belongs to.

    def _root_of(self, number: int) -> int | None:
        """Give the root above a page of a tree; None for any other page."""
        way: list[int] = []
        at = number
        while at != _SCHEMA_ROOT and at not in self._roots:
            kind, parent = self._map_entry(at)
            if kind not in _KINDS:
                # That part of the map is gone: what points here from above says it instead.
                kind, parent = self._from_above(at)
            if kind == _ROOT:
                break
            way.append(at)
            if kind != _BTREE or not 0 < parent <= self.count or len(way) == _MOST_DEEP:
                return None
            at = parent
        root = self._roots.get(at, at)
        # Leaves are asked for once; what is above them again and again.
        self._roots.update(dict.fromkeys(way[1:], root))
        return root

    def _map_entry(self, number: int) -> tuple[int, int]:
        where = _map_page(number, self._size)
        if where == number:
            return 0, 0
        if where not in self._maps:
            if len(self._maps) > 64:
                self._maps.clear()
            self._maps[where] = self._page(where)
        entries, offset = self._maps[where], 5 * (number - where - 1)
        if offset < 0 or offset + 5 > len(entries):
            return 0, 0
        return entries[offset], int.from_bytes(entries[offset + 1 : offset + 5], "big")

    def _from_above(self, number: int) -> tuple[int, int]:
        """Give a page's entry of the map as the pages above it have it."""
        if self._above is None:
            self._above = {}
            for each in range(1, self.count + 1):
                page, start = self._page(each), 100 if each == 1 else 0
                is_map = each == _map_page(each, self._size)
                if len(page) == self._size and page[start] in _INTERIOR and not is_map:
                    for child, _ in self._children(page, start):
                        self._above[child] = each
        if number in self._above:
            return _BTREE, self._above[number]
        # Nothing does: the roots are in the first pages of the file, in one row (1.8).
        return (_ROOT if 2 < number < _MOST_ROOTS else 0), 0

    def _children(self, page: bytes, start: int) -> Iterator[tuple[int, int | None]]:
        """Give the pages below one, each with the greatest row number in it where there are any."""
        cells = int.from_bytes(page[start + 3 : start + 5], "big")
        for cell in range(min(cells, (self._size - start - 12) // 2)):
            where = start + 12 + 2 * cell
            at = int.from_bytes(page[where : where + 2], "big")
            if at + 4 < self._size:
                is_numbered = page[start] == 0x05 and at + 4 <= self._size - 9
                most = _varint(page, at + 4)[0] if is_numbered else None
                yield int.from_bytes(page[at : at + 4], "big"), most
        yield int.from_bytes(page[start + 8 : start + 12], "big"), None

    # Rows.

    def _rows_on(self, number: int) -> Iterator[Row]:
        """Give the rows on a page, but for those that make no sense."""
        page = self._page(number)
        start = 100 if number == 1 else 0
        if len(page) < self._size:
            return
        kind = page[start]
        if kind not in _LEAF and kind != 0x02:
            return
        cells = int.from_bytes(page[start + 3 : start + 5], "big")
        first = start + (12 if kind in _INTERIOR else 8)
        for cell in range(min(cells, (self._size - first) // 2)):
            at = int.from_bytes(page[first + 2 * cell : first + 2 * cell + 2], "big")
            try:
                yield self._row(page, kind, at)
            except (ValueError, IndexError, OverflowError):
                continue

    def _row(self, page: bytes, kind: int, at: int) -> Row:
        if kind in _INTERIOR:
            at += 4
        length, at = _varint(page, at)
        if kind != 0x0D:
            return _record(self._payload(page, at, length, (self._size - 12) * 64 // 255 - 23))
        number, at = _varint(page, at)
        row = _record(self._payload(page, at, length, self._size - 35))
        if row and row[0] is None:
            row[0] = number
        return row

    def _payload(self, page: bytes, at: int, length: int, most: int) -> bytes:
        """Put a payload together that goes on on other pages if it is longer than most (1.6)."""
        usable = self._size
        if length <= most:
            return _cut(page, at, length)
        if length > self.count * self._size:
            raise ValueError("longer than the file")
        least = (usable - 12) * 32 // 255 - 23
        here = least + (length - least) % (usable - 4)
        here = here if here <= most else least
        parts = [_cut(page, at, here)]
        following = int.from_bytes(_cut(page, at + here, 4), "big")
        left = length - here
        while left > 0:
            if not 0 < following <= self.count:
                raise ValueError("its rest is missing")
            more = self._page(following)
            parts.append(_cut(more, 4, min(left, usable - 4)))
            left -= usable - 4
            following = int.from_bytes(more[:4], "big")
        return b"".join(parts)


def _map_page(number: int, page_bytes: int) -> int:
    """Give the page of the pointer map that says what a page hangs from."""
    if number < 2:
        return 0
    per_map = page_bytes // 5 + 1
    found = (number - 2) // per_map * per_map + 2
    return found + 1 if found == _PENDING_BYTE // page_bytes + 1 else found


def _committed(log: bytes, page_bytes: int) -> dict[int, int]:
    """Give where in a log the newest committed copy of each page lies (4.1 to 4.4)."""
    found: dict[int, int] = {}
    if len(log) < 32 or int.from_bytes(log[8:12], "big") != page_bytes:
        return found
    order = ">" if log[3] & 1 else "<"
    words = Struct(f"{order}{page_bytes // 4}I")
    sums = _summed((0, 0), unpack_from(f"{order}6I", log))
    if log[:3] != b"\x37\x7f\x06" or sums != unpack_from(">2I", log, 24):
        return found
    salts = log[16:24]
    waiting: dict[int, int] = {}
    for at in range(32, len(log) - page_bytes - 24 + 1, page_bytes + 24):
        number, size_after, *_, sum_1, sum_2 = _FRAME.unpack_from(log, at)
        sums = _summed(sums, unpack_from(f"{order}2I", log, at))
        sums = _summed(sums, words.unpack_from(log, at + 24))
        if log[at + 8 : at + 16] != salts or sums != (sum_1, sum_2) or number == 0:
            break
        waiting[number] = at + 24
        if size_after:
            found.update(waiting)
            waiting.clear()
    return found


def _summed(sums: tuple[int, int], words: tuple[int, ...]) -> tuple[int, int]:
    one, two = sums
    for at in range(0, len(words), 2):
        one = (one + words[at] + two) & 0xFFFFFFFF
        two = (two + words[at + 1] + one) & 0xFFFFFFFF
    return one, two


def _record(payload: bytes) -> Row:
    """Unpack a record (2.1): first the kinds of its values, then these."""
    at_value, at = _varint(payload, 0)
    end, row = at_value, []
    while at < end:
        kind, at = _varint(payload, at)
        if kind < 0 or kind in {10, 11}:
            raise ValueError("no kind of value")
        size = (kind - 12) // 2 if kind >= 12 else _VALUE_BYTES[kind]
        content = _cut(payload, at_value, size)
        at_value += size
        value: Value = content
        if kind == 0:
            value = None
        elif kind in {8, 9}:
            value = kind - 8
        elif kind == 7:
            (value,) = unpack_from(">d", content)
        elif kind < 7:
            value = int.from_bytes(content, "big", signed=True)
        elif kind % 2:
            value = content.decode()
        row.append(value)
    return row


def _cut(content: bytes, at: int, size: int) -> bytes:
    if at < 0 or size < 0 or at + size > len(content):
        raise ValueError("beyond the end")
    return content[at : at + size]


def _varint(content: bytes, at: int) -> tuple[int, int]:
    """Read a number of one to nine bytes (1.6)."""
    value = 0
    for count in range(8):
        byte = content[at + count]
        value = value << 7 | byte & 0x7F
        if byte < 0x80:
            return value, at + count + 1
    value = value << 8 | content[at + 8]
    return (value - (1 << 64) if value >> 63 else value), at + 9


_LARGE = ("block", "minute_block", "quarter_block")
_TELLING = ("block", "minute_block", "quarter_block", "journal", "transition", "notice", "sensor")
"""Tables whose rows say by themselves that they are of it."""
_ROWS_AT_ONCE = 256
_REST = 2
"""A transaction is followed by so many times its own length of rest."""
_MOST_TOLD_AGAIN = 2_000
"""Blocks that a watch without a saved state is told again: some hours."""
_SPARE_BYTES = 16_000_000


class Lost(NamedTuple):
    """What could not be carried over: how many inputs, and between which instants (UTC in ms)."""

    inputs: int
    from_utc_ms: int | None
    to_utc_ms: int | None

    def as_json(self) -> dict[str, Any]:
        """Give it with instants as text."""
        since, until = (
            None if utc_ms is None else to_rfc3339(utc_ms)
            for utc_ms in (self.from_utc_ms, self.to_utc_ms)
        )
        return {"inputs": self.inputs, "from": since, "to": until}


class Salvager:
    """Carries rows from the store that was set aside into the new one at `path`."""

    def __init__(self, path: Path, salvage: Salvage) -> None:
        self._path = path
        self._salvage = salvage
        page_bytes, with_log = _page_bytes(salvage.aside), owns_log(salvage.aside)
        self._old = Pages(salvage.aside, page_bytes, with_log=with_log)
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
        told = ((seq, json.loads(data)) for seq, data in since)
        self._renames = Renames(Rename(seq, each["old"], each["new"]) for seq, each in told)
        self._checks: dict[str, Callable[[dict[str, Any]], object]] = {
            "block": self._check_block,
            "minute_block": lambda row: _check_tier(row, Tier.MINUTES),
            "quarter_block": lambda row: _check_tier(row, Tier.QUARTERS),
            "journal": lambda row: EntryKind(row["kind"]),
            "transition": lambda row: Transition.from_record(row["record"]),
            "notice": lambda row: posted(SimpleNamespace(**row)),
            "saved_state": lambda row: zlib.decompress(row["data"]),
            "figure_minute": lambda row: zlib.decompress(row["data"]),
            "repeat_window": lambda row: unpack_window(row["data"]),
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
        if tier is None or not any(self._renames):
            return row
        names = [column for column, _ in self._columns[name]]
        place = names.index("subject")
        with suppress(ValueError, IndexError):
            subject, data = row[place], row[names.index("data")]
            if isinstance(subject, str) and isinstance(data, bytes) and is_of_sensor(data, tier):
                row[place] = self._renames.today(subject, 0)
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
        if sum(1 for _ in decode_block(row["data"], self._names)) != row["length"]:
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


def main(arguments: list[str]) -> int:
    """Run as a program: what was done goes to standard output as JSON; an error is one sentence."""
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
                out = {"readings": salvager.readings(), "lost": salvager.lost().as_json()}
    except (StoreError, OSError) as error:
        print(error, file=sys.stderr)
        return exit_status(error) if isinstance(error, StoreError) else 2
    print(json.dumps(out))
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
