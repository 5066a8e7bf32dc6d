"""Where the store lies: its URL and files, whose folder that is, and what stands beside it.

Beside `watch.db` and SQLite's own two files there can be: `watch.db.lock`, which keeps a second
writer out and says that the file is ours; `watch.db.report`, in which a reader tells the watch of
damage; `watch.db.salvage`, which says what is still to be carried over from a damaged store that
was set aside under a dated name. Each is written so that a kill leaves it whole or absent.
"""

import errno
import fcntl
import json
import os
import pwd
import re
import stat
import struct
import sys
import tempfile
import threading
import zlib
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, NamedTuple

from sqlalchemy.engine import make_url
from sqlalchemy.exc import ArgumentError

from cabinetwatch.text import StoreError, to_datetime, without_secrets

_DISK_FAULTS = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EROFS, errno.EIO}
COMPANIONS = ("", "-wal", "-shm")
_PART = ".part"
_LOCK_BYTES = 64
_LOCK_LINES = 3
_LOCK_FLAGS = os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW | os.O_NONBLOCK
_LOCK_MARK = "cabinetwatch"
"""Stands in the lock behind the process: other programs' locks hold a number, too."""
_WATCH_MARK = "watch"
"""Stands in the third line of a lock that a watch holds, and not an import or a restore."""
_RECORD_LOCK = struct.Struct("hhqqi0q")
"""struct flock, as F_OFD_SETLK takes it (fcntl(2)) on machines of 64 bits."""
_RECORD_LOCK_ASKED = _RECORD_LOCK.pack(fcntl.F_WRLCK, os.SEEK_SET, 0, 0, 0)
"""One on the whole file."""
_WRITES_AT = 1 << 32
"""Of the record lock the bytes from here on, of which the file has none, are held as long as its
holder can write: that is said where a disk takes nothing more, and a kill takes it back."""


class NoStoreError(StoreError):
    """There is no store yet: the watch never ran."""


class DamagedStoreError(StoreError):
    """The file is a store of ours, but its content can't be trusted any more."""

    def __init__(self, sentence: str, path: Path | None = None) -> None:
        super().__init__(sentence)
        self.path = path


class DamagedRecordError(DamagedStoreError):
    """The file is sound to SQLite, but what it holds fails its own checksum."""


UNREADABLE = (ValueError, TypeError, LookupError, AttributeError, struct.error, zlib.error)
"""What taking a record apart raises when a worn card or another hand has changed its content."""


@contextmanager
def whole(what: str) -> Iterator[None]:
    """Say of records that can't be taken apart, by a ValueError, that they are damaged."""
    try:
        yield
    except UNREADABLE as error:
        raise ValueError(f"{what} is damaged ({type(error).__name__}: {error})") from error


class DiskFaultError(StoreError):
    """The disk is full or refuses: no fault of the store or its place; it may pass."""


class DiskRefusesError(DiskFaultError):
    """The disk refuses, and not because it is full: it may have to be mounted anew."""


class ReplacedStoreError(StoreError):
    """Another store lies there than the one that was let go, or it has gone on without us."""


_STATUSES: dict[int, type[StoreError]] = {3: DamagedStoreError, 4: DiskFaultError}


def exit_status(error: StoreError) -> int:
    """Give the exit status by which a child of ours tells what kind of error it met."""
    return next((status for status, kind in _STATUSES.items() if isinstance(error, kind)), 2)


def kind_of_status(status: int) -> type[StoreError]:
    """Give the kind of error that an exit status tells."""
    return _STATUSES.get(status, StoreError)


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
    """
    try:
        os.close(os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600))
    except FileExistsError:
        return
    except OSError as error:
        raise _unusable(path, error) from error


def act_as_owner(path: Path) -> None:
    """Go on as the user who has the folder of the store at `path`, if this is root.

    What that user may write in there can be a link to anywhere, so nothing of root's may follow it;
    and what is made there must be that user's. Root stays the real user: `as_root_again`.

    Raises:
        StoreError: that user may not read this program.
    """
    if os.geteuid() != 0:
        return
    # The outermost folder on the way that is not root's.
    owner = None
    for folder in reversed(path.absolute().parents):
        try:
            owner = folder.stat()
        except OSError:
            return
        if owner.st_uid != 0:
            break
    if owner is None or owner.st_uid == 0:
        return
    try:
        entry = pwd.getpwuid(owner.st_uid)
        name, group = entry.pw_name, entry.pw_gid
        groups = os.getgrouplist(name, group)
    except KeyError:
        name, group, groups = f"#{owner.st_uid}", owner.st_gid, []
    before = os.getgroups()
    os.setgroups(groups)
    os.setegid(group)
    os.seteuid(owner.st_uid)
    if _program_is_readable():
        return
    os.seteuid(0)
    os.setegid(os.getgid())
    os.setgroups(before)
    raise StoreError(
        f"The folder {path.absolute().parent} is that of user {name}, who may not read this program"
        f" ({sys.prefix}); run one as that user: sudo -u {name} cabinetwatch ..."
    )


def _program_is_readable() -> bool:
    """Whether the interpreter, its library and this package are open to the effective user."""
    return all(
        os.access(each, os.R_OK, effective_ids=True)
        for each in (os.path.realpath(sys.executable), os.__file__, __file__)
    )


@contextmanager
def as_root_again() -> Iterator[None]:
    """Be root for a moment, where `act_as_owner` has made another user of it."""
    user, group = os.geteuid(), os.getegid()
    if os.getuid() != 0 or user == 0:
        yield
        return
    os.seteuid(0)
    os.setegid(0)
    try:
        yield
    finally:
        os.setegid(group)
        os.seteuid(user)


class WriterLock:
    """Held by the one process that may write readings; freed by the kernel if that is killed.

    Beside the lock itself the file has a record lock: whoever may not see the kernel's list of
    locks, as in the sandbox of a service, can ask for that one without taking anything.
    """

    def __init__(self, path: Path, *, watch: bool = False) -> None:
        """Take the lock of the store at `path`; a `watch` says in it that it is one.

        Raises:
            StoreError: another process holds it, or the lock file can't be made.
        """
        lock_path = path.with_name(path.name + ".lock")
        # Another thread may say that a write hangs while this one lets go.
        self._saying = threading.Lock()
        try:
            self._descriptor = os.open(lock_path, _LOCK_FLAGS, 0o600)
            if not stat.S_ISREG(os.fstat(self._descriptor).st_mode):
                os.close(self._descriptor)
                raise StoreError(f"{lock_path} is no file; remove it")
        except OSError as error:
            raise _unusable(lock_path, error) from error
        try:
            fcntl.flock(self._descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            holder, *_ = (
                os.read(self._descriptor, _LOCK_BYTES).decode("ascii", "replace").split("\n")
            )
            os.close(self._descriptor)
            raise StoreError(
                f"The store {path} is in use by another cabinetwatch"
                f"{f' (process {holder})' if holder.strip().isdigit() else ''}; "
                "stop that one first, or give each its own store"
            ) from error
        try:
            # Written before it is cut, so that on a full disk the mark of before stays.
            text = f"{os.getpid()}\n{_LOCK_MARK}\n{_WATCH_MARK if watch else ''}\n".encode()
            os.pwrite(self._descriptor, text, 0)
            os.ftruncate(self._descriptor, len(text))
            fcntl.fcntl(self._descriptor, fcntl.F_OFD_SETLK, _RECORD_LOCK_ASKED)
        except OSError as error:
            os.close(self._descriptor)
            raise _unusable(lock_path, error) from error

    @property
    def held(self) -> bool:
        """Whether this process holds it still."""
        return self._descriptor >= 0

    def renew(self) -> None:
        """Say that who holds it begins anew; see `hold_of`."""
        self.say_writes(can=True)
        with suppress(OSError):
            os.utime(self._descriptor)

    def say_writes(self, *, can: bool) -> None:
        """Say whether who holds it can write the store now; see `hold_of`. From any thread."""
        kind = fcntl.F_WRLCK if can else fcntl.F_UNLCK
        asked = _RECORD_LOCK.pack(kind, os.SEEK_SET, _WRITES_AT, 0, 0)
        with self._saying, suppress(OSError):
            if self.held:
                fcntl.fcntl(self._descriptor, fcntl.F_OFD_SETLK, asked)

    def release(self) -> None:
        """Let the next writer in. The file stays: removing it would let two writers in."""
        with self._saying:
            if self.held:
                os.close(self._descriptor)
                self._descriptor = -1

    def __enter__(self) -> "WriterLock":
        return self

    def __exit__(self, *_: object) -> None:
        self.release()


def has_our_lock(path: Path) -> bool:
    """Tell whether a watch has ever used the file at `path` as its store: its lock file stays."""
    try:
        lines = path.with_name(path.name + ".lock").read_bytes()[:_LOCK_BYTES].splitlines()
    except OSError:
        return False
    return len(lines) > 1 and lines[1] == _LOCK_MARK.encode()


class Hold(NamedTuple):
    """A living process that holds the lock of a store, or one in memory while its disk refuses.

    `process` is None where this one may not know it; `watch` where it may not read who it is, or
    an older version does not say. `since_utc_ms` is when it took the lock; None of one in memory.
    `writes` is False once it has said that it can't.
    """

    process: int | None
    watch: bool | None
    since_utc_ms: int | None
    writes: bool = True

    @property
    def in_memory(self) -> bool:
        """Whether it keeps its records in memory, for its disk refuses the store."""
        return self.since_utc_ms is None


def hold_of(path: Path) -> Hold | None:
    """Give who holds the lock of the store at `path`; None when it is free. Nothing is touched."""
    lock_path = path.with_name(path.name + ".lock")
    try:
        status = lock_path.stat()
    except OSError:
        return None
    process = lock_holder(status)
    try:
        descriptor = os.open(lock_path, os.O_RDONLY | os.O_CLOEXEC | os.O_NOFOLLOW | os.O_NONBLOCK)
    except OSError:
        return None if process is None else Hold(process, None, status.st_mtime_ns // 1_000_000)
    try:
        is_locked = _has_record_lock(descriptor, 0)
        if process is None and not is_locked:
            return None
        lines = os.read(descriptor, _LOCK_BYTES).splitlines()
        is_watch = None if len(lines) < _LOCK_LINES else lines[2] == _WATCH_MARK.encode()
        since_utc_ms = os.fstat(descriptor).st_mtime_ns // 1_000_000
        # One of an older version, or that takes its locks at this instant, has none at all.
        writes = not is_locked or _has_record_lock(descriptor, _WRITES_AT)
        return Hold(process, is_watch, since_utc_ms, writes)
    except OSError:
        return None
    finally:
        os.close(descriptor)


def _has_record_lock(descriptor: int, at: int) -> bool:
    """Whether anything of a file from some byte on is held by its record lock."""
    asked = _RECORD_LOCK.pack(fcntl.F_WRLCK, os.SEEK_SET, at, 0, 0)
    held = fcntl.fcntl(descriptor, fcntl.F_OFD_GETLK, asked)
    return bool(_RECORD_LOCK.unpack(held)[0] != fcntl.F_UNLCK)


def lock_holder(of: os.stat_result, *, device: bool = False) -> int | None:
    """Give the living process that holds the lock of a file or folder; None if it can't be read.

    The kernel's list of locks tells it (proc_locks(5)): trying the lock could turn away a watch
    that starts at that instant. With `device` that must agree, too: in memory inodes are small
    numbers that others have as well. On file systems that make up devices for their parts (btrfs,
    overlay) it never does.
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
            # Minus one is a process of another container, whose number says nothing here.
            return int(rest[2]) if int(rest[2]) > 0 else None
    return None


class Salvage(NamedTuple):
    """A damaged store that was set aside, and what is still to be carried over from it.

    `last_seq` is the number of its last input; None until the new store was begun with it. Where
    that failed `error` says why, and nothing will be carried over.
    """

    aside: Path
    last_seq: int | None
    error: str = ""


def set_aside(path: Path, utc_ms: int) -> Path:
    """Rename a damaged store, with its companions, to a dated name beside it, which is given.

    A note says so first, so that a kill in between is made good by `finish_setting_aside`.

    Raises:
        StoreError: another process has it open for writing, or renaming fails.
    """
    target = dated_name(path, "damaged", utc_ms)
    _move_aside(path, target)
    return target


def finish_setting_aside(path: Path) -> None:
    """Finish what a kill has cut short; raises as `set_aside` does."""
    note = _read_note(path)
    if note is not None and not note["moved"]:
        _move_aside(path, path.with_name(note["aside"]))


def _move_aside(path: Path, target: Path) -> None:
    with WriterLock(path):
        try:
            _write_note(path, Salvage(target, None), moved=False)
            if not target.exists():
                # The log goes first: a kill in between leaves a database without its log, never a
                # log that a new database would take for its own.
                for companion in reversed(COMPANIONS):
                    source = path.with_name(path.name + companion)
                    if source.exists():
                        source.rename(target.with_name(target.name + companion))
                sync(path.parent)
            _write_note(path, Salvage(target, None), moved=True)
        except OSError as error:
            raise StoreError(
                f"The damaged store {path} can't be set aside as {target.name}: {error.strerror}"
            ) from error


def pending_salvage(path: Path) -> Salvage | None:
    """Give what is still to be carried over into the store at `path`."""
    note = _read_note(path)
    if note is None or not note["moved"] or not path.with_name(note["aside"]).exists():
        return None
    return Salvage(path.with_name(note["aside"]), note["last_seq"], note.get("error", ""))


def note_salvage(path: Path, salvage: Salvage) -> None:
    """Note how far carrying over has come: begun, or failed until people were told."""
    _write_note(path, salvage, moved=True)


def end_salvage(path: Path) -> None:
    """Note that nothing is left to be carried over."""
    _note_path(path).unlink(missing_ok=True)
    sync(path.parent)


def _write_note(path: Path, salvage: Salvage, *, moved: bool) -> None:
    note = salvage._asdict() | {"aside": salvage.aside.name, "moved": moved}
    write_durably(_note_path(path), json.dumps(note).encode())


def _read_note(path: Path) -> dict[str, Any] | None:
    try:
        note = json.loads(_note_path(path).read_bytes())
    except (OSError, ValueError):
        return None
    wanted = {"aside", "moved", "last_seq"}
    return note if isinstance(note, dict) and wanted <= note.keys() else None


def _note_path(path: Path) -> Path:
    return path.with_name(path.name + ".salvage")


def dated_name(path: Path, why: str, utc_ms: int) -> Path:
    """Give a name beside the store that says since when it lies there, and is free."""
    target = first = path.with_name(f"{path.name}.{why}-{stamp(utc_ms)}")
    number = 1
    while any(target.with_name(target.name + each).exists() for each in COMPANIONS):
        number += 1
        target = first.with_name(f"{first.name}-{number}")
    return target


def stamp(utc_ms: int) -> str:
    """Write an instant as it stands in dated names, which sort by it."""
    return to_datetime(utc_ms).strftime("%Y%m%dT%H%M%SZ")


def write_durably(path: Path, content: bytes, like: os.stat_result | None = None) -> None:
    """Write a file that is there whole, or as it was, whatever happens, an OSError too.

    It is its owner's alone, or has owner and permissions `like` another.
    """
    with growing(path) as part:
        part.write_bytes(content)
        if like is not None:
            part.chmod(like.st_mode & 0o7777)
            if os.geteuid() == 0:
                os.chown(part, like.st_uid, like.st_gid)
        sync(part)
        part.replace(path)
        sync(path.parent)


@contextmanager
def growing(target: Path) -> Iterator[Path]:
    """Make an empty private file beside the target, which is gone at the end unless renamed.

    It is locked meanwhile: one that nobody holds was left by a kill, and goes first.
    """
    _remove_leftovers(target)
    while True:
        # Of a name of its own, and never through a link that another user has put there.
        descriptor, name = tempfile.mkstemp(_PART, f".{target.name}.", target.parent)
        with suppress(OSError):  # where nothing can be locked nothing is ever taken for left
            fcntl.flock(descriptor, fcntl.LOCK_EX)
        if os.fstat(descriptor).st_nlink:
            break
        # Another process took it for left before it was locked.
        os.close(descriptor)
    try:
        yield Path(name)
    finally:
        _remove_part(Path(name))
        os.close(descriptor)


def _remove_leftovers(target: Path) -> None:
    ours = re.compile(rf"\.{re.escape(target.name)}\.\w{{8}}{re.escape(_PART)}")
    with suppress(OSError):
        for each in [each for each in target.parent.iterdir() if ours.fullmatch(each.name)]:
            with suppress(OSError):
                descriptor = os.open(
                    each, os.O_RDONLY | os.O_CLOEXEC | os.O_NOFOLLOW | os.O_NONBLOCK
                )
                try:
                    fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
                    _remove_part(each)
                finally:
                    os.close(descriptor)


def _remove_part(path: Path) -> None:
    """Remove a file that was growing; what SQLite has put beside it goes first."""
    for companion in ("-journal", "-wal", "-shm", ""):
        path.with_name(path.name + companion).unlink(missing_ok=True)


def sync(path: Path) -> None:
    """Have the disk take a file, or the names in a folder; where it refuses, an OSError."""
    descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


class Report(NamedTuple):
    """What somebody who reads the store has found: damage, in a sentence."""

    error: str
    by_content: bool


def report_damage(path: Path, error: DamagedStoreError) -> None:
    """Tell the watch that runs on a store, if one does, that it is damaged."""
    if hold_of(path) is None:
        return
    report = {"error": str(error), "by_content": isinstance(error, DamagedRecordError)}
    with suppress(OSError):
        write_durably(_report_path(path), json.dumps(report).encode())


def record_damaged(path: Path, error: Exception) -> DamagedRecordError:
    """Give the error of a record that makes no sense, once the watch has been told."""
    damage = DamagedRecordError(f"The store {path} is damaged: {error}", path)
    report_damage(path, damage)
    return damage


def take_report(path: Path) -> Report | None:
    """Give what was reported, once."""
    where = _report_path(path)
    try:
        content = where.read_bytes()
        where.unlink()
        return Report(**json.loads(content))
    except (OSError, ValueError, TypeError):
        return None


def _report_path(path: Path) -> Path:
    return path.with_name(path.name + ".report")


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
