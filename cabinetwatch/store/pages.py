"""Rows out of a database file that SQLite no longer reads: page by page, past what is damaged.

The layout is that of https://www.sqlite.org/fileformat2.html; the numbers in comments name its
sections. A file of ours has a pointer map (1.8), for it can be vacuumed in steps: it says of each
page which one it hangs from. So the rows of a page count although the pages above it are gone, and
those of freed pages, which are old, do not.
"""

from collections.abc import Collection, Iterator
from pathlib import Path
from struct import Struct, unpack_from

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
_INTEGER_BYTES = {1: 1, 2: 2, 3: 3, 4: 4, 5: 6, 6: 8}  # 2.1


class Pages:
    """A database file with, or without, what its log adds to it.

    Not for a file that this process has open as a database: closing it would drop its locks.
    """

    def __init__(self, path: Path, page_bytes: int, *, with_log: bool) -> None:
        self._size = page_bytes
        self._file = path.open("rb")
        self._log = None
        self._in_log: dict[int, int] = {}
        try:
            log = path.with_name(path.name + "-wal")
            if with_log and log.exists():
                self._log = log.open("rb")
                self._in_log = _committed(self._log.read(), page_bytes)
            in_file = path.stat().st_size // page_bytes
        except BaseException:
            self.close()
            raise
        self.count = max(in_file, *self._in_log) if self._in_log else in_file
        self._roots: dict[int, int] = {}
        self._maps: dict[int, bytes] = {}
        self._above: dict[int, int] | None = None

    def close(self) -> None:
        """Close the files."""
        self._file.close()
        if self._log is not None:
            self._log.close()

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
        if number in self._in_log and self._log is not None:
            self._log.seek(self._in_log[number])
            return self._log.read(self._size)
        self._file.seek((number - 1) * self._size)
        return self._file.read(self._size)

    # Which table a page belongs to.

    def _root_of(self, number: int) -> int | None:
        """Give the root above a page of a tree; None for any other page."""
        way: list[int] = []
        at = number
        root: int | None = None
        while len(way) < _MOST_DEEP:
            if at == _SCHEMA_ROOT:
                root = at
                break
            if at in self._roots:
                root = self._roots[at]
                break
            kind, parent = self._map_entry(at)
            if kind not in _KINDS:
                # That part of the map is gone: what points here from above says it instead.
                kind, parent = self._from_above(at)
            if kind == _ROOT:
                root = at
                break
            if kind != _BTREE or not 0 < parent <= self.count:
                break
            way.append(at)
            at = parent
        if root is not None:
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
            if at + 4 <= self._size - 9:
                most = _varint(page, at + 4)[0] if page[start] == 0x05 else None
                yield int.from_bytes(page[at : at + 4], "big"), most
            elif at + 4 < self._size:
                yield int.from_bytes(page[at : at + 4], "big"), None
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
        number = None
        if kind == 0x0D:
            number, at = _varint(page, at)
        payload = self._payload(page, at, length, has_number=number is not None)
        row = _record(payload)
        if number is not None and row and row[0] is None:
            row[0] = number
        return row

    def _payload(self, page: bytes, at: int, length: int, *, has_number: bool) -> bytes:
        """Put a payload together that may go on on other pages (1.6)."""
        usable = self._size
        most = usable - 35 if has_number else (usable - 12) * 64 // 255 - 23
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
    """Unpack a record (2.1)."""
    end, at = _varint(payload, 0)
    kinds = []
    while at < end:
        kind, at = _varint(payload, at)
        kinds.append(kind)
    row: Row = []
    for kind in kinds:
        value, end = _value(payload, end, kind)
        row.append(value)
    return row


def _value(payload: bytes, at: int, kind: int) -> tuple[Value, int]:
    if kind == 0:
        return None, at
    if kind in _INTEGER_BYTES:
        size = _INTEGER_BYTES[kind]
        return int.from_bytes(_cut(payload, at, size), "big", signed=True), at + size
    if kind == 7:
        (number,) = unpack_from(">d", _cut(payload, at, 8))
        return float(number), at + 8
    if kind in {8, 9}:
        return kind - 8, at
    if kind < 12:
        raise ValueError("no kind of value")
    size = (kind - 12) // 2
    content = _cut(payload, at, size)
    return (content.decode() if kind % 2 else content), at + size


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
