"""The SQLite file: connections and errors, whose it is, and which watch runs on it."""

import fcntl
import json
import logging
import os
import shutil
import signal
import sqlite3
import stat
import tempfile
import time
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager, suppress
from functools import partial
from hashlib import blake2b
from pathlib import Path
from typing import Any, NamedTuple
from urllib.parse import quote

from sqlalchemy import Connection, Table, create_engine, event, text
from sqlalchemy.dialects.sqlite import insert
from sqlalchemy.exc import DBAPIError
from sqlalchemy.pool import QueuePool

from cabinetwatch.store.place import (
    DamagedStoreError,
    DiskFaultError,
    DiskRefusesError,
    Hold,
    WriterLock,
    act_as_owner,
    check_is_file,
    database_url,
    dated_name,
    has_our_lock,
    hold_of,
    lock_holder,
    report_damage,
)
from cabinetwatch.store.schema import APPLICATION_ID, REVISIONS, metadata
from cabinetwatch.text import StoreError

_log = logging.getLogger(__name__)

BUSY_TIMEOUT_S = 5.0
_CHECK_S = 20.0

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
_CHUNK_BYTES = 1 << 20
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
            json_serializer=partial(json.dumps, separators=(",", ":")),
            json_deserializer=_parsed,
        )
        self._writing_engine = self._engine.execution_options(**_WRITING)
        event.listen(self._engine, "begin", _begin)

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """Run one transaction that sees one state of the file and hinders no writer."""
        with self._translated(), self._engine.begin() as connection:
            yield connection

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """Run one transaction: committed at the end, or rolled back whole by any error."""
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


def _parsed(text: str) -> object:
    """Read JSON; a row that another hand has spoilt is None, which its reader refuses."""
    try:
        return json.loads(text)
    except (TypeError, ValueError, RecursionError):
        return None


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


def upsert(
    connection: Connection,
    table: Table,
    key: Mapping[str, Any],
    values: Mapping[str, Any],
    changes: Mapping[str, Any] | None = None,
) -> None:
    """Write the row with a key; where there is one already, make it so, or make `changes` in it."""
    row = insert(table).values({**key, **values})
    changed = row.on_conflict_do_update(index_elements=list(key), set_=changes or values)
    connection.execute(changed)


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

    A damaged one of ours is told by what else says so.
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
    return APPLICATION_ID if _was_ours(path) else None


def _was_ours(path: Path) -> bool:
    """Tell whether a file that is no sound database is, or was, a store of ours.

    Its own header says so (https://www.sqlite.org/fileformat2.html, section 1.3); or, where that is
    gone, the lock of our watch beside it, or SQLite's own catalogue somewhere in the file or its
    log. A row of that holds type, name and table without anything between them (sections 2.1 and
    2.6), such as `tableblockblock`: no photo, no letter, and no script that makes tables, reads so.

    The lock is asked first. It lies beside every store that is open, and closing a file that was
    read here would drop the locks of SQLite that this process may hold on it.
    """
    if has_our_lock(path):
        return True
    rows = [f"table{name}{name}".encode() for name in metadata.tables]
    longest = max(len(row) for row in rows)
    found: set[bytes] = set()
    for each in (path, path.with_name(path.name + "-wal")):
        if not each.exists():
            continue
        with each.open("rb") as file:
            header = file.read(100)
            marked = int.from_bytes(header[68:72], "big") == APPLICATION_ID
            if header.startswith(b"SQLite format 3\0") and marked:
                return True
            end = header
            while chunk := file.read(_CHUNK_BYTES):
                found.update(row for row in rows if row in end + chunk)
                if len(found) > 1:  # to be sure
                    return True
                end = chunk[-longest:]
    return False


def is_sound(path: Path, within_s: float = _CHECK_S) -> bool:
    """Look through all pages of a store, with its log, in an ordinary way.

    False also when that takes too long: what was found stands then.

    Raises:
        StoreError: it can't be read for another reason than damage.
    """
    return _look_through(path, within_s, "rw") is True


def _look_through(path: Path, within_s: float, mode: str) -> bool | None:
    """Whether a store is whole; None when that takes too long. Raises as `is_sound` does."""
    until = time.monotonic() + within_s
    try:
        with closing(connect(path, mode)) as connection:
            connection.set_progress_handler(lambda: time.monotonic() > until, _CHECK_STEPS)
            return bool(connection.execute("PRAGMA quick_check").fetchone()[0] == "ok")
    except sqlite3.Error as error:
        kind = error.sqlite_errorcode & 0xFF
        if kind == sqlite3.SQLITE_INTERRUPT:
            return None
        if kind in _DAMAGE:
            return False
        raise _sentence(path, error) from error


def take_lock(path: Path, *, watch: bool = False) -> WriterLock:
    """Take a store's lock, see to it that the log beside it is its own, and give the lock.

    Raises:
        StoreError: another process holds it, or a log that is another's can't be put aside.
    """
    lock = WriterLock(path, watch=watch)
    try:
        _own_log_only(path)
    except BaseException:
        lock.release()
        raise
    return lock


@contextmanager
def writing_once(path: Path) -> Iterator[Connection]:
    """Run one transaction without the lock, beside a watch that may hold it."""
    try:
        lock = WriterLock(path)
    except StoreError:
        # Who holds it has looked at the log.
        pass
    else:
        with lock:
            _own_log_only(path)
    with closing(Database(path, read_only=False)) as database, database.writing() as connection:
        yield connection


def _own_log_only(path: Path) -> None:
    """Put the log beside a store out of the way where it is another one's, before any open.

    So it is after a kill and a backup that was copied over the store by hand: SQLite would write
    what the log holds into the backup. Only where the file has changed since its log was last
    written is all of it looked through; a kill, which is quick after a checkpoint, rarely leaves
    it so.

    Raises:
        StoreError: renaming fails.
    """
    log = path.with_name(path.name + "-wal")
    try:
        written = log.stat()
        # Of the log when it was written: where root only opens it, SQLite changes its status.
        if written.st_size == 0 or path.stat().st_ctime_ns <= written.st_mtime_ns:
            return
        if owns_log(path):
            return
        target = dated_name(path, "other-log", written.st_mtime_ns // 1_000_000)
        log.rename(target)
        path.with_name(path.name + "-shm").unlink(missing_ok=True)
    except FileNotFoundError:
        return
    except OSError as error:
        raise StoreError(f"The log {log} can't be put aside: {error.strerror}") from error
    _log.error(
        "%s was put in place of the store while the log of the one before lay beside it; that"
        " log was put aside as %s. Use `cabinetwatch restore` for a backup",
        path,
        target.name,
    )


def owns_log(path: Path) -> bool:
    """Tell whether a log lies beside a file and is its own.

    Not where the file is surely damaged with it and surely whole without: a log that can't be
    looked at, or takes too long, is its own.
    """
    if not path.with_name(path.name + "-wal").exists():
        return False
    try:
        return (
            _look_through(path, _CHECK_S, "ro") is not False
            or _look_through(path, _CHECK_S, "ro&immutable=1") is not True
        )
    except StoreError:
        return True


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
    except (DBAPIError, sqlite3.Error) as error:
        cause = error.orig if isinstance(error, DBAPIError) else error
        if not isinstance(cause, sqlite3.Error):
            raise
        raise _sentence(path, cause) from error


def _sentence(path: Path, error: sqlite3.Error) -> StoreError:
    kind: type[StoreError] = StoreError
    match getattr(error, "sqlite_errorcode", 0) & 0xFF:
        case sqlite3.SQLITE_CORRUPT | sqlite3.SQLITE_NOTADB:
            return DamagedStoreError(f"The store {path} is damaged: {error}", path)
        case sqlite3.SQLITE_BUSY | sqlite3.SQLITE_LOCKED:
            said = (
                f"is busy: another process has been writing to it for over {BUSY_TIMEOUT_S:z.0f} s"
            )
        case sqlite3.SQLITE_IOERR:
            kind = DiskRefusesError
            said = (
                f"can't be written or read: the disk refuses ({error}); look into the system's"
                " log, and replace the disk or card if it is worn out"
            )
        case sqlite3.SQLITE_FULL:
            kind, said = DiskFaultError, "can't be written: the disk is full"
        case sqlite3.SQLITE_READONLY:
            said = "can't be written: file or directory is read-only"
        case sqlite3.SQLITE_CANTOPEN:
            said = (
                "can't be opened: check that the file is there and that you may read it and write"
                " to its directory"
            )
        case _:
            said = f"can't be used: {error}"
    return kind(f"The store {path} {said}")


MEMORY = Path("/dev/shm")  # noqa: S108 - folders that only their owner can read are made in it
_FILE = "watch.db"
_FOLDER = os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC


class MemoryPlace:
    """A folder in memory for the records of one process; `url` is that of a store in it.

    It stands in for the store at `real`; making it is an OSError where there is no room either.
    """

    def __init__(self, real: Path) -> None:
        self._folder = Path(tempfile.mkdtemp(prefix=_prefix(real), dir=_base()))
        self._descriptor = os.open(self._folder, os.O_RDONLY | _FOLDER)
        fcntl.flock(self._descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        self.url = database_url(self._folder / _FILE)

    def remove(self) -> None:
        """Let go of the records."""
        shutil.rmtree(self._folder, ignore_errors=True)
        os.close(self._descriptor)


class MemoryRecords(NamedTuple):
    """A living process that keeps its records in memory; `url` is None where we may not read."""

    process: int
    url: str | None


def find_records(real: Path) -> MemoryRecords | None:
    """Find the watch that keeps in memory what belongs into the store at `real`; None if none does.

    Anybody can make a folder in memory: one counts only when it belongs to us, to root, or to
    whoever has the store's own folder.
    """
    act_as_owner(real)
    # Also where we may not read it.
    for folder, descriptor in _folders(real, os.O_PATH):
        with suppress(OSError):
            status = os.fstat(descriptor)
            is_trusted = status.st_uid in {0, os.geteuid(), real.parent.stat().st_uid}
            process = lock_holder(status, device=True)
            if process is not None and is_trusted:
                readable = _is_readable(descriptor, status.st_uid)
                return MemoryRecords(process, database_url(folder / _FILE) if readable else None)
    return None


def _is_readable(folder: int, owner: int) -> bool:
    """Whether the records in a folder, a file of its owner's and no link, may be read by us."""
    try:
        file = os.stat(_FILE, dir_fd=folder, follow_symlinks=False)
    except OSError:
        return False
    is_own = stat.S_ISREG(file.st_mode) and file.st_uid == owner
    return is_own and os.access(_FILE, os.R_OK, dir_fd=folder, effective_ids=True)


def clear_leftovers(real: Path) -> int:
    """Remove what killed watches over the store at `real` left in memory; give how many folders."""
    act_as_owner(real)
    removed = 0
    for folder, descriptor in _folders(real, os.O_RDONLY):
        # One in use, or gone by itself meanwhile, is an OSError.
        with suppress(OSError):
            if os.fstat(descriptor).st_uid == os.geteuid():
                fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
                shutil.rmtree(folder, ignore_errors=True)
                removed += 1
    return removed


def _folders(real: Path, mode: int) -> Iterator[tuple[Path, int]]:
    """Give each folder with a descriptor, through which it stays the same folder."""
    for folder in sorted(_base().glob(f"{_prefix(real)}*")):
        try:
            descriptor = os.open(folder, mode | _FOLDER)
        except OSError:
            continue
        try:
            yield folder, descriptor
        finally:
            os.close(descriptor)


def _base() -> Path:
    return MEMORY if MEMORY.is_dir() else Path(tempfile.gettempdir())


def _prefix(real: Path) -> str:
    name = blake2b(str(real.absolute()).encode("utf-8", "surrogateescape"), digest_size=8)
    return f"cabinetwatch-{name.hexdigest()}-"


def find_watch(path: Path) -> Hold | None:
    """Give the watch that runs on the store at `path`; None when none does.

    It holds the lock of the store, or one in memory while its disk refuses. Who else holds the
    lock, such as an import, is none.
    """
    hold = hold_of(path)
    if hold is not None:
        is_watch = hold.watch
        if is_watch is None:
            is_watch = hold.process is not None and _says_run(hold.process)
        if is_watch:
            return hold
    records = find_records(path)
    return None if records is None else Hold(records.process, watch=True, since_utc_ms=None)


def signal_watch(path: Path, number: signal.Signals) -> int | None:
    """Send a signal to the watch that holds the store at `path`; give its process, if there is one.

    Not to whoever else holds it, such as an import, which the signal would end; and what the lock
    file says counts for nothing, for others may write it.

    Raises:
        OSError: it may not be signalled.
    """
    hold = hold_of(path)
    process = None if hold is None else hold.process
    if process is None:
        return None
    try:
        # From here on the number can't come to mean another process.
        descriptor = os.pidfd_open(process)
    except ProcessLookupError:
        return None
    try:
        hold = hold_of(path)
        if hold is None or hold.process != process or not _is_a_watch(process):
            return None
        signal.pidfd_send_signal(descriptor, number)
    finally:
        os.close(descriptor)
    return process


def _is_a_watch(process: int) -> bool:
    """Whether a process runs `cabinetwatch run`; asked by root, of the user for whom root acts."""
    try:
        # Of everybody else the kernel asks that, too.
        if os.getuid() == 0 and Path(f"/proc/{process}").stat().st_uid != os.geteuid():
            return False
    except OSError:
        return False
    return _says_run(process)


def _says_run(process: int) -> bool:
    try:
        return b"run" in Path(f"/proc/{process}/cmdline").read_bytes().split(b"\0")
    except OSError:
        return False
