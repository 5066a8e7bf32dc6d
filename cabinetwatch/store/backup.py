"""A copy of the store while it is in use, and the way back: each looked at before it counts."""

import os
import re
import sqlite3
from contextlib import closing, suppress
from pathlib import Path
from typing import NamedTuple

from cabinetwatch.store.codecs import DAY_MS
from cabinetwatch.store.database import (
    Database,
    application_of,
    check_revision,
    connect,
    is_ours,
    translated,
)
from cabinetwatch.store.place import (
    COMPANIONS,
    NoStoreError,
    WriterLock,
    act_as_owner,
    check_is_file,
    dated_name,
    end_salvage,
    growing,
    stamp,
    sync,
    take_report,
)
from cabinetwatch.store.records import newest_heartbeat
from cabinetwatch.store.schema import APPLICATION_ID
from cabinetwatch.text import StoreError


class Backup(NamedTuple):
    """A copy that was verified: its size and the single readings in it."""

    bytes: int
    readings: int


def back_up(path: Path, target: Path, *, replace: bool) -> Backup:
    """Copy the store at `path`, also one of an older schema and while another process writes.

    The copy grows under another name and takes its own once it was opened, checked page by page,
    and found to have as many rows in each table as the store had at that instant. Only its owner
    may read it.

    Raises:
        StoreError: there is no store, the target can't be written or lies there already (unless it
            is to `replace` that), or the copy does not check out; nothing is left of it then.
    """
    act_as_owner(path)
    if not is_ours(path):
        raise NoStoreError(f"There is no store at {path} yet, so that nothing can be backed up")
    _refuse_wrong_target(path, target, replace=replace)
    try:
        with growing(target) as part:
            rows = _copy(path, part, target)
            with translated(target), closing(connect(part, "ro&immutable=1")) as copy:
                found = copy.execute("PRAGMA quick_check").fetchone()[0]
                if found != "ok" or _rows(copy) != rows:
                    raise StoreError(
                        f"The backup {target} does not check out and was dropped: {found}"
                    )
                readings = copy.execute("SELECT coalesce(sum(length), 0) FROM block").fetchone()[0]
            size = part.stat().st_size
            _refuse_wrong_target(path, target, replace=replace)
            sync(part)
            part.replace(target)
            sync(target.parent)
    except OSError as error:
        raise StoreError(
            f"The backup {target} can't be written: {error.strerror}; name a file in a folder that"
            " is there, has room, and that this user may write to"
        ) from error
    return Backup(size, readings)


_REPLACED_KEPT = 3
_REPLACED_KEPT_MS = 30 * DAY_MS
"""Whoever tries one backup after another must not lose the store that lay there first."""


class Restored(NamedTuple):
    """A backup in place: its newest commit, that of the store before, and where that lies now.

    The instants are UTC in ms; None where nothing says. `aside` is None where there was no store.
    `removed` are stores that earlier ones had put aside.
    """

    newest_utc_ms: int | None
    before_utc_ms: int | None
    aside: Path | None
    removed: list[Path]


def restore(source: Path, path: Path, utc_ms: int) -> Restored:
    """Put a copy of the backup `source` in the place of the store at `path`, which no watch uses.

    It is copied and checked before anything is moved. What lies there is kept, with its log, under
    a dated name: a log that was left behind would spoil the backup. The newest three stores so kept
    stay, and all that were in use in the last 30 days. The copy takes the permissions and owner of
    the store before.

    Raises:
        StoreError: the backup is none of ours, unknown, or damaged; the store is in use; or
            something can't be written. The store is as it was then.
    """
    act_as_owner(path)
    if not check_is_file(source):
        raise NoStoreError(f"There is no backup at {source}; name a file that `backup` wrote")
    if application_of(source) != APPLICATION_ID:
        raise StoreError(f"{source} is no backup of a store of cabinetwatch; nothing was changed")
    if path.exists():
        if source.samefile(path):
            raise StoreError(f"{source} is the store itself; name a file that `backup` wrote")
        is_ours(path)
    try:
        with WriterLock(path), growing(path) as part:
            newest = _checked_copy(source, part)
            _take_after(path, part)
            before = aside = None
            if path.exists():
                aside = dated_name(path, "replaced", utc_ms)
                with suppress(StoreError):
                    before = _newest(path)
            sync(part)
            _make_way(path, aside or dated_name(path, "replaced", utc_ms))
            part.replace(path)
            sync(path.parent)
            # What was told of the store before, or was to be carried over into it, is over.
            end_salvage(path)
            take_report(path)
            removed = _remove_replaced(path, source, utc_ms)
    except OSError as error:
        raise StoreError(f"The store {path} can't be replaced: {error.strerror}") from error
    return Restored(newest, before, aside, removed)


def _remove_replaced(path: Path, source: Path, utc_ms: int) -> list[Path]:
    """Remove what earlier restores have put aside and is old; give the stores that are gone.

    Where that can't be they stay; so does one that was itself the backup.
    """
    name = re.compile(
        rf"({re.escape(path.name)}\.replaced-(\d{{8}}T\d{{6}}Z)(?:-\d+)?)(-wal|-shm)?"
    )
    removed = []
    with suppress(OSError):
        found = [each for file in path.parent.iterdir() if (each := name.fullmatch(file.name))]
        for since, kept in sorted({(each[2], each[1]) for each in found})[:-_REPLACED_KEPT]:
            store = path.with_name(kept)
            is_source = store.exists() and store.samefile(source)
            if since < stamp(utc_ms - _REPLACED_KEPT_MS) and not is_source:
                for companion in reversed(COMPANIONS):
                    store.with_name(kept + companion).unlink(missing_ok=True)
                removed.append(store)
    return removed


def _checked_copy(source: Path, part: Path) -> int | None:
    """Copy a backup and look through all of it; give the instant of its newest commit."""
    # Beside a backup nothing is made, and where its folder can't be written nothing could be.
    has_log = source.with_name(source.name + "-wal").exists()
    with (
        translated(source),
        closing(connect(source, "ro" if has_log else "ro&immutable=1")) as old,
        closing(connect(part, "rw")) as copy,
    ):
        old.backup(copy)
        found = copy.execute("PRAGMA integrity_check(1)").fetchone()[0]
    if found != "ok":
        raise StoreError(f"The backup {source} is damaged: {found}; nothing was changed")
    return _newest(part, source)


def _newest(path: Path, source: Path | None = None) -> int | None:
    """Give the instant of the newest commit; for a copy its source must be of a schema we know."""
    opened = Database(path, read_only=source is None)
    with closing(opened) as database, database.reading() as connection:
        if source is not None and check_revision(connection, source) is None:
            raise StoreError(f"The backup {source} holds nothing; nothing was changed")
        newest = newest_heartbeat(connection)
    return None if newest is None else newest.utc_ms


def _take_after(path: Path, part: Path) -> None:
    """Give the copy the permissions and owner of the store, or the owner of its folder."""
    like = path.stat() if path.exists() else path.parent.stat()
    try:
        if (like.st_uid, like.st_gid) != (part.stat().st_uid, part.stat().st_gid):
            os.chown(part, like.st_uid, like.st_gid)
        if path.exists():
            part.chmod(like.st_mode & 0o777)
    except OSError as error:
        raise StoreError(
            f"The store {path} belongs to another user; say this as that user, or as root"
        ) from error


def _make_way(path: Path, aside: Path) -> None:
    """Give what lies there a second name, and take its log away: there is a store at any time."""
    for companion in ("-wal", "-shm"):
        source = path.with_name(path.name + companion)
        if source.exists():
            source.rename(aside.with_name(aside.name + companion))
    if path.exists():
        os.link(path, aside)


def _copy(path: Path, part: Path, target: Path) -> dict[str, int]:
    """Copy as of one instant; give the rows of each table at that instant."""
    with translated(path), closing(connect(path, "ro")) as source:
        # What others commit from here on is not seen, and they are not held up.
        source.execute("BEGIN")
        rows = _rows(source)
        with translated(target), closing(connect(part, "rw")) as copy:
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
    if not check_is_file(target) or application_of(target) != APPLICATION_ID:
        raise StoreError(
            f"{target} is no store of cabinetwatch, and --force replaces nothing else; it was left"
            " untouched: name another file"
        )
