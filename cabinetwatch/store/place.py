"""Where the store lies: its URL, its files, the lock that keeps a second writer out."""

import errno
import fcntl
import os
import stat
from pathlib import Path
from types import TracebackType

from sqlalchemy.engine import make_url
from sqlalchemy.exc import ArgumentError

from cabinetwatch.errors import StoreError
from cabinetwatch.text import without_secrets
from cabinetwatch.times import to_datetime

_DISK_FAULTS = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EROFS, errno.EIO}
_COMPANIONS = ("", "-wal", "-shm")
_LOCK_BYTES = 64
_LOCK_MARK = "cabinetwatch"
"""Stands in the lock behind the process: other programs' locks hold a number, too."""


class NoStoreError(StoreError):
    """There is no store yet: the watch never ran."""


class DamagedStoreError(StoreError):
    """The file is a store of ours, but its content can't be trusted any more."""


class DiskFaultError(StoreError):
    """The disk is full or refuses: no fault of the store or its place; it may pass."""


class DiskRefusesError(DiskFaultError):
    """The disk refuses, and not because it is full: it may have to be mounted anew."""


class ReplacedStoreError(StoreError):
    """Another store lies there than the one that was let go, or it has gone on without us."""


def database_path(url: str) -> Path:
    """Give the path of the file that a store URL names.

    Raises:
        StoreError: it is no URL of an SQLite file.
    """
    try:
        parsed = make_url(url)
    except (ArgumentError, ValueError) as error:
        raise StoreError(
            f"The store's url {without_secrets(url)!r} is no database URL; write it like sqlite:///cabinetwatch.db"
        ) from error
    if parsed.drivername not in {"sqlite", "sqlite+pysqlite"}:
        raise StoreError(
            f"The store's url names {parsed.drivername}; only SQLite files are supported, "
            "like sqlite:///cabinetwatch.db"
        )
    name = parsed.database or ":memory:"
    if parsed.query or name.startswith((":memory:", "file:")):
        raise StoreError(
            f"The store's url {without_secrets(url)!r} names no plain file, so that nothing would"
            " outlive the process; write it like sqlite:///cabinetwatch.db"
        )
    return Path(name)


def database_url(path: Path) -> str:
    """Give the store URL of a file."""
    return f"sqlite:///{path}"


def create_private(path: Path) -> None:
    """Make an empty file that only its owner may read, unless there is one.

    SQLite gives its -wal and -shm files the same permissions.

    Raises:
        StoreError: the directory is missing or can't be written.
    """
    try:
        os.close(os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600))
    except FileExistsError:
        return
    except OSError as error:
        raise _unusable(path, error) from error


class WriterLock:
    """Held by the one process that may write readings; freed by the kernel if that is killed."""

    def __init__(self, path: Path) -> None:
        """Take the lock of the store at `path`.

        Raises:
            StoreError: another process holds it, or the lock file can't be made.
        """
        lock_path = path.with_name(path.name + ".lock")
        try:
            self._descriptor = os.open(lock_path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        except OSError as error:
            raise _unusable(lock_path, error) from error
        try:
            fcntl.flock(self._descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            holder = _process_in(os.read(self._descriptor, _LOCK_BYTES))
            os.close(self._descriptor)
            raise StoreError(
                f"The store {path} is in use by another cabinetwatch"
                f"{'' if holder is None else f' (process {holder})'}; "
                "stop that one first, or give each its own store"
            ) from error
        try:
            # Written before it is cut, so that on a full disk the mark of before stays.
            text = f"{os.getpid()}\n{_LOCK_MARK}\n".encode()
            os.pwrite(self._descriptor, text, 0)
            os.ftruncate(self._descriptor, len(text))
        except OSError as error:
            os.close(self._descriptor)
            raise _unusable(lock_path, error) from error

    def release(self) -> None:
        """Let the next writer in. The file stays: removing it would let two writers in."""
        if self._descriptor >= 0:
            os.close(self._descriptor)
            self._descriptor = -1

    def __enter__(self) -> "WriterLock":
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        self.release()


def writer_of(path: Path) -> int | None:
    """Give the process that holds the lock of the store at `path`; None when nobody does."""
    try:
        with path.with_name(path.name + ".lock").open("rb") as lock:
            try:
                fcntl.flock(lock, fcntl.LOCK_SH | fcntl.LOCK_NB)
            except OSError:
                return _process_in(lock.read(_LOCK_BYTES))
    except OSError:
        return None
    return None


def has_our_lock(path: Path) -> bool:
    """Tell whether a watch has ever used the file at `path` as its store: its lock file stays."""
    try:
        lines = path.with_name(path.name + ".lock").read_bytes()[:_LOCK_BYTES].splitlines()
    except OSError:
        return False
    return len(lines) > 1 and lines[1] == _LOCK_MARK.encode()


def _process_in(lock: bytes) -> int | None:
    """Give the process that a lock file names."""
    first = lock.decode("ascii", "replace").partition("\n")[0].strip()
    return int(first) if first.isdigit() else None


def holder_of(path: Path) -> int | None:
    """Give the living process that holds the lock of the store at `path`, without touching it.

    Trying the lock, as `writer_of` does, could turn away a watch that starts at that instant; who
    asks every few seconds looks into the kernel's list of locks (proc_locks(5)). None also where
    that list can't be read.
    """
    try:
        return lock_holder(path.with_name(path.name + ".lock").stat())
    except OSError:
        return None


def lock_holder(of: os.stat_result, *, device: bool = False) -> int | None:
    """Give the living process that holds the lock of a file or folder; see `holder_of`.

    With `device` that must agree, too: in memory inodes are small numbers that others have as well.
    On file systems that make up devices for their parts (btrfs, overlay) it never does.
    """
    wanted = f"{os.major(of.st_dev):02x}:{os.minor(of.st_dev):02x}:{of.st_ino}"
    try:
        listed = Path("/proc/locks").read_text(encoding="ascii", errors="replace")
    except OSError:
        return None
    for line in listed.splitlines():
        _, kind, *rest = line.split()
        if kind != "FLOCK" or rest[1] != "WRITE":
            continue
        if rest[3] == wanted or (not device and rest[3].rpartition(":")[2] == str(of.st_ino)):
            return int(rest[2])
    return None


def set_aside(path: Path, utc_ms: int) -> Path:
    """Rename a damaged store, with its companions, to a dated name beside it.

    Returns:
        The new path of the database file.

    Raises:
        StoreError: another process has it open for writing, or renaming fails.
    """
    stamp = to_datetime(utc_ms).strftime("%Y%m%dT%H%M%SZ")
    target = path.with_name(f"{path.name}.damaged-{stamp}")
    number = 1
    while target.exists():
        number += 1
        target = path.with_name(f"{path.name}.damaged-{stamp}-{number}")
    with WriterLock(path):
        try:
            # The log goes first: a kill in between leaves a database without its log, never a log
            # that a new database would take for its own.
            for companion in reversed(_COMPANIONS):
                source = path.with_name(path.name + companion)
                if source.exists():
                    source.rename(target.with_name(target.name + companion))
        except OSError as error:
            raise StoreError(
                f"The damaged store {path} can't be set aside as {target.name}: {error.strerror}"
            ) from error
    return target


def check_is_file(path: Path) -> bool:
    """Tell whether a file with content lies there.

    Raises:
        StoreError: something lies there that is no file, or it can't be looked at.
    """
    try:
        status = path.stat()
    except FileNotFoundError:
        return False
    except OSError as error:
        raise _unusable(path, error) from error
    if not stat.S_ISREG(status.st_mode):
        raise StoreError(f"The store {path} is no file; name a file in the store's url")
    return status.st_size > 0


def _unusable(path: Path, error: OSError) -> StoreError:
    directory = path.parent
    if error.errno in _DISK_FAULTS:
        return DiskFaultError(f"The store {path} can't be used: {error.strerror}")
    if isinstance(error, FileNotFoundError):
        return StoreError(f"The store {path} can't be made: there is no directory {directory}")
    if isinstance(error, PermissionError):
        return StoreError(f"The store {path} can't be used: permission denied for {directory}")
    return StoreError(f"The store {path} can't be used: {error.strerror}")
