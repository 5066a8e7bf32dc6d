"""The SQLite file: connections, transactions, and its errors as sentences."""

import json
import sqlite3
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from urllib.parse import quote

from sqlalchemy import Connection, create_engine, event, text
from sqlalchemy.exc import DBAPIError
from sqlalchemy.pool import QueuePool

from cabinetwatch.errors import StoreError
from cabinetwatch.store.origin import is_damaged_store
from cabinetwatch.store.place import (
    DamagedStoreError,
    DiskFaultError,
    DiskRefusesError,
    check_is_file,
    report_damage,
)
from cabinetwatch.store.schema import APPLICATION_ID, REVISIONS

BUSY_TIMEOUT_S = 5.0

# Half of what is usual: a commit changes few pages, and each goes to the disk whole. Measured with
# tests/benchmarks/store.py over 2 h: 65 bytes written a reading, against 80 with 4096 and 60 with
# 1024, whose rows begin to spill over.
PAGE_BYTES = 2048
# A commit appends its changed pages to the log; a checkpoint copies each page once, however often
# it was changed. The later it comes, the less is written; 4 MB of log are read back in no time.
_CHECKPOINT_PAGES = 4 * 1024 * 1024 // PAGE_BYTES
# A quarter of what is usual, in KiB: the system caches the file anyway. An hour of 50 sensors
# writes no more for it, and the daemon, which has several connections, takes 2 MB less.
_CACHE_KIB = 512
_WRITER_PRAGMAS = (
    "PRAGMA synchronous = FULL",
    f"PRAGMA cache_size = -{_CACHE_KIB}",
    f"PRAGMA wal_autocheckpoint = {_CHECKPOINT_PAGES}",
    f"PRAGMA journal_size_limit = {2 * _CHECKPOINT_PAGES * PAGE_BYTES}",
)
_WRITING = {"cabinetwatch_writes": True}
_CHECK_STEPS = 100_000
"""Some milliseconds of SQLite's own work."""
_DAMAGE = {sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB}


class Database:
    """Connections to one file, for reading or for writing."""

    def __init__(self, path: Path, *, read_only: bool) -> None:
        self.path = path
        self._read_only = read_only
        self._engine = create_engine(
            "sqlite://",
            creator=self._connect,
            poolclass=QueuePool,
            json_serializer=_compact,
            json_deserializer=_parsed,
        )
        self._writing_engine = self._engine.execution_options(**_WRITING)
        event.listen(self._engine, "begin", _begin)

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """Run one transaction that sees one state of the file and hinders no writer.

        Raises:
            StoreError: SQLite refuses.
        """
        with self._translated(), self._engine.begin() as connection:
            yield connection

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """Run one transaction: committed at the end, or rolled back whole by any error.

        Raises:
            StoreError: SQLite refuses; nothing was written.
        """
        with self._translated(), self._writing_engine.begin() as connection:
            yield connection

    def close(self) -> None:
        """Close all connections; the last process to do so empties the log into the file."""
        self._engine.dispose()

    @contextmanager
    def _translated(self) -> Iterator[None]:
        """Tell damage to the watch as well, whoever finds it."""
        try:
            with translated(self.path):
                yield
        except DamagedStoreError as error:
            report_damage(self.path, error)
            raise

    def _connect(self) -> sqlite3.Connection:
        connection = connect(self.path, "ro" if self._read_only else "rw")
        try:
            for pragma in () if self._read_only else _WRITER_PRAGMAS:
                connection.execute(pragma)
        except BaseException:
            connection.close()
            raise
        return connection


def _begin(connection: Connection) -> None:
    # A writer asks for the write lock at once: one that finds out half way can only give up.
    writes = _WRITING.items() <= connection.get_execution_options().items()
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


def connect(path: Path, mode: str) -> sqlite3.Connection:
    """Connect to an existing file in SQLite's URI `mode`, without implicit transactions."""
    return sqlite3.connect(
        f"file:{quote(str(path.absolute()))}?mode={mode}",
        uri=True,
        timeout=BUSY_TIMEOUT_S,
        isolation_level=None,
        check_same_thread=False,
    )


def is_ours(path: Path) -> bool:
    """Tell whether a store lies at `path`; false when there is nothing yet.

    Whether it is sound only an ordinary open can say, which reads its log as well: after a
    checkpoint that was cut short the file alone is no sound database, and need not be.
    The file is not touched, neither is a log beside it.

    Raises:
        StoreError: something else lies there, or it can't be read.
    """
    if not check_is_file(path):
        return False
    if application_of(path) != APPLICATION_ID:
        raise StoreError(
            f"The file {path} is no store of cabinetwatch, or can't be recognised as one any more; "
            "it was left untouched: name another file in the store's url, or move this one away"
        )
    return True


def application_of(path: Path) -> int | None:
    """Give whose database a file is, by its header; None when it is no database of anybody's.

    One of ours whose header is gone is told by what else says so.
    """
    with translated(path):
        try:
            # immutable: no locks, no log files beside a database that may be somebody else's.
            with closing(connect(path, "ro&immutable=1")) as connection:
                # The size in the header may count pages that are still in the log alone: with this
                # SQLite takes the header as it is (https://www.sqlite.org/pragma.html).
                connection.execute("PRAGMA writable_schema = ON")
                number: int = connection.execute("PRAGMA application_id").fetchone()[0]
                return number
        except sqlite3.DatabaseError as error:
            if error.sqlite_errorcode & 0xFF not in _DAMAGE:
                raise
    return APPLICATION_ID if is_damaged_store(path) else None


def is_sound(path: Path, within_s: float) -> bool:
    """Look through all pages of a store, with its log, in an ordinary way.

    False also when that takes too long: what was found stands then.

    Raises:
        StoreError: it can't be read for another reason than damage.
    """
    until = time.monotonic() + within_s
    try:
        with closing(connect(path, "rw")) as connection:
            connection.set_progress_handler(lambda: time.monotonic() > until, _CHECK_STEPS)
            return bool(connection.execute("PRAGMA quick_check").fetchone()[0] == "ok")
    except sqlite3.Error as error:
        if error.sqlite_errorcode & 0xFF in _DAMAGE | {sqlite3.SQLITE_INTERRUPT}:
            return False
        raise _sentence(path, error) from error


def check_revision(connection: Connection, path: Path) -> str | None:
    """Give the schema version of the file, none when it has no tables yet.

    Raises:
        StoreError: it was written by a newer cabinetwatch.
    """
    tables = text("SELECT count(*) FROM sqlite_master WHERE name = 'alembic_version'")
    if not connection.scalar(tables):
        return None
    revision: str | None = connection.scalar(text("SELECT version_num FROM alembic_version"))
    if revision is not None and revision not in REVISIONS:
        raise StoreError(
            f"The store {path} was written by a newer cabinetwatch (schema {revision}, this one "
            f"knows {REVISIONS[-1]}); install that version again, or name another file"
        )
    return revision


@contextmanager
def translated(path: Path) -> Iterator[None]:
    """Turn the errors of SQLite into sentences that name the file."""
    try:
        yield
    except DBAPIError as error:
        if not isinstance(error.orig, sqlite3.Error):
            raise
        raise _sentence(path, error.orig) from error
    except sqlite3.Error as error:
        raise _sentence(path, error) from error


_SENTENCES = {
    sqlite3.SQLITE_READONLY: "can't be written: file or directory is read-only",
    sqlite3.SQLITE_CANTOPEN: (
        "can't be opened: check that the file is there and that you may read it and write to its"
        " directory"
    ),
}


def _sentence(path: Path, error: sqlite3.Error) -> StoreError:
    code = getattr(error, "sqlite_errorcode", 0) & 0xFF
    if code in _DAMAGE:
        return DamagedStoreError(f"The store {path} is damaged: {error}", path)
    if code in {sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED}:
        return StoreError(
            f"The store {path} is busy: another process has been writing to it for over "
            f"{BUSY_TIMEOUT_S:z.0f} s"
        )
    if code == sqlite3.SQLITE_IOERR:
        return DiskRefusesError(
            f"The store {path} can't be written or read: the disk refuses ({error}); look into the "
            "system's log, and replace the disk or card if it is worn out"
        )
    if code == sqlite3.SQLITE_FULL:
        return DiskFaultError(f"The store {path} can't be written: the disk is full")
    unknown = f"can't be used: {error}"
    return StoreError(f"The store {path} {_SENTENCES.get(code, unknown)}")


def _parsed(text: str) -> object:
    """Read JSON; a row that another hand has spoilt is None, which its reader refuses."""
    try:
        return json.loads(text)
    except (TypeError, ValueError, RecursionError):
        return None


def _compact(value: object) -> str:
    return json.dumps(value, separators=(",", ":"))
