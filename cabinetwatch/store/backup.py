"""A copy of the store while it is in use: whole, of one instant, and looked at before it counts."""

import os
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import NamedTuple

from cabinetwatch.errors import StoreError
from cabinetwatch.store.database import connect, is_ours, translated
from cabinetwatch.store.place import NoStoreError, act_as_owner


class Backup(NamedTuple):
    """A copy that was verified: its size and the single readings in it."""

    bytes: int
    readings: int


def back_up(path: Path, target: Path, *, replace: bool) -> Backup:
    """Copy the store at `path`, also one of an older schema and while another process writes.

    The copy grows under another name and takes its own once it was opened, checked page by page,
    and found to have as many rows in each table as the store had at that instant. Only its owner
    may read it.

    Args:
        path: the store.
        target: where the copy goes, in an existing folder.
        replace: whether a file that lies there may be replaced.

    Raises:
        StoreError: there is no store, the target can't be written or lies there already, or the
            copy does not check out; nothing is left of it then.
    """
    act_as_owner(path)
    if not is_ours(path):
        raise NoStoreError(f"There is no store at {path} yet, so that nothing can be backed up")
    _refuse_wrong_target(path, target, replace=replace)
    with _growing(target) as growing:
        rows = _copy(path, growing, target)
        with translated(target), closing(connect(growing, "ro&immutable=1")) as copy:
            found = copy.execute("PRAGMA quick_check").fetchone()[0]
            if found != "ok" or _rows(copy) != rows:
                raise StoreError(f"The backup {target} does not check out and was dropped: {found}")
            readings = copy.execute("SELECT coalesce(sum(length), 0) FROM block").fetchone()[0]
        size = growing.stat().st_size
        _refuse_wrong_target(path, target, replace=replace)
        _put_in_place(growing, target)
    return Backup(size, readings)


def _copy(path: Path, growing: Path, target: Path) -> dict[str, int]:
    """Copy as of one instant; give the rows of each table at that instant."""
    with translated(path), closing(connect(path, "ro")) as source:
        # What others commit from here on is not seen, and they are not held up.
        source.execute("BEGIN")
        rows = _rows(source)
        with translated(target), closing(connect(growing, "rw")) as copy:
            source.backup(copy)
    return rows


def _rows(connection: sqlite3.Connection) -> dict[str, int]:
    tables = connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'").fetchall()
    return {
        # A name out of the database's own list of tables.
        name: connection.execute(f'SELECT count(*) FROM "{name}"').fetchone()[0]  # noqa: S608
        for (name,) in tables
    }


def _refuse_wrong_target(path: Path, target: Path, *, replace: bool) -> None:
    if target.is_dir():
        raise StoreError(f"{target} is a folder; name a file for the backup")
    if not target.exists():
        return
    if target.samefile(path):
        raise StoreError(f"{target} is the store itself; name another file for the backup")
    if not replace:
        raise StoreError(f"{target} is there already; name another file, or say --force")


@contextmanager
def _growing(target: Path) -> Iterator[Path]:
    """Make an empty private file beside the target, which is gone at the end unless renamed."""
    path = target.with_name(f".{target.name}.{os.getpid()}")
    try:
        os.close(os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600))
    except OSError as error:
        raise _unwritable(target, error) from error
    try:
        yield path
    finally:
        for companion in ("", "-journal", "-wal", "-shm"):
            path.with_name(path.name + companion).unlink(missing_ok=True)


def _put_in_place(growing: Path, target: Path) -> None:
    """Give the copy its name once it is on the disk, and the name too."""
    try:
        _sync(growing)
        growing.replace(target)
        _sync(target.parent)
    except OSError as error:
        raise _unwritable(target, error) from error


def _sync(path: Path) -> None:
    descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _unwritable(target: Path, error: OSError) -> StoreError:
    return StoreError(f"The backup {target} can't be written: {error.strerror}")
