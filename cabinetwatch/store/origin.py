"""Whose a file is that SQLite can't make sense of: ours, damaged, or somebody else's."""

from collections.abc import Iterator
from pathlib import Path

from cabinetwatch.store.place import has_our_lock
from cabinetwatch.store.schema import APPLICATION_ID, metadata

_HEADER_BYTES = 100
_CHUNK_BYTES = 1 << 20
_TABLES_TO_BE_SURE = 2


def is_damaged_store(path: Path) -> bool:
    """Tell whether a file that is no sound database is, or was, a store of ours.

    Its own header says so; or, where that is gone, the lock of our watch beside it, or the
    catalogue of our tables somewhere in the file or its log. A photo or a letter has none of them.

    The lock is asked first. It lies beside every store that is open, and closing a file that was
    read here would drop the locks of SQLite that this process may hold on it.
    """
    return has_our_lock(path) or _marked_as(path) == APPLICATION_ID or _lists_our_tables(path)


def _marked_as(path: Path) -> int | None:
    """Read whose file it is out of its header.

    The header's layout: https://www.sqlite.org/fileformat2.html, section 1.3.
    """
    with path.open("rb") as file:
        header = file.read(_HEADER_BYTES)
    if len(header) < _HEADER_BYTES or not header.startswith(b"SQLite format 3\0"):
        return None
    return int.from_bytes(header[68:72], "big")


def _lists_our_tables(path: Path) -> bool:
    """Look for our tables as SQLite's own catalogue names them.

    A row of it holds type, name and table without anything between them (same document, sections
    2.1 and 2.6), such as `tableblockblock`: no text, and no script that makes tables, reads so.
    """
    rows = [f"table{name}{name}".encode() for name in metadata.tables]
    longest = max(len(row) for row in rows)
    found: set[bytes] = set()
    for each in (path, path.with_name(path.name + "-wal")):
        for stretch in _stretches(each, longest):
            found.update(row for row in rows if row in stretch)
            if len(found) >= _TABLES_TO_BE_SURE:
                return True
    return False


def _stretches(path: Path, overlap: int) -> Iterator[bytes]:
    """Give a file in pieces that overlap by so many bytes; nothing where there is none."""
    if not path.exists():
        return
    with path.open("rb") as file:
        end = b""
        while chunk := file.read(_CHUNK_BYTES):
            yield end + chunk
            end = chunk[-overlap:]
