"""Where a watch keeps its records while its disk refuses the store, and how others see that.

A folder in memory, named after the store it stands in for and locked as long as its process lives:
the kernel's list of locks then tells of it to whoever may not look into the folder.
"""

import fcntl
import os
import shutil
import stat
import tempfile
from collections.abc import Iterator
from hashlib import blake2b
from pathlib import Path
from typing import NamedTuple

from cabinetwatch.store.place import act_as_owner, database_url, lock_holder

MEMORY = Path("/dev/shm")  # noqa: S108 - folders that only their owner can read are made in it
_FILE = "watch.db"
_FOLDER = os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC


class MemoryPlace:
    """A folder in memory for the records of one process; `url` is that of a store in it.

    Args:
        real: the path of the store that it stands in for.

    Raises:
        OSError: there is no room in memory either.
    """

    def __init__(self, real: Path) -> None:
        self._folder = Path(tempfile.mkdtemp(prefix=_prefix(real), dir=_base()))
        self._descriptor = _open_folder(self._folder)
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
    for folder in _folders(real):
        try:
            # Looked at through one descriptor, so that it stays the same folder; also where we may
            # not read it.
            descriptor = os.open(folder, os.O_PATH | _FOLDER)
        except OSError:
            continue
        try:
            status = os.fstat(descriptor)
            is_trusted = status.st_uid in {0, os.geteuid(), real.parent.stat().st_uid}
            process = lock_holder(status, device=True)
            if process is None or not is_trusted:
                continue
            readable = _is_readable(descriptor, status.st_uid)
        except OSError:
            continue
        finally:
            os.close(descriptor)
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
    """Remove what watches over the store at `real` left in memory when they were killed.

    Returns:
        How many folders went.
    """
    act_as_owner(real)
    removed = 0
    for folder in _folders(real):
        try:
            descriptor = _open_folder(folder)
        except OSError:
            continue
        try:
            if os.fstat(descriptor).st_uid == os.geteuid():
                fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
                shutil.rmtree(folder, ignore_errors=True)
                removed += 1
        except OSError:
            # In use, or gone by itself meanwhile.
            continue
        finally:
            os.close(descriptor)
    return removed


def _folders(real: Path) -> Iterator[Path]:
    for folder in sorted(_base().glob(f"{_prefix(real)}*")):
        try:
            if stat.S_ISDIR(folder.lstat().st_mode):
                yield folder
        except OSError:
            continue


def _base() -> Path:
    return MEMORY if MEMORY.is_dir() else Path(tempfile.gettempdir())


def _prefix(real: Path) -> str:
    name = blake2b(str(real.absolute()).encode("utf-8", "surrogateescape"), digest_size=8)
    return f"cabinetwatch-{name.hexdigest()}-"


def _open_folder(folder: Path) -> int:
    return os.open(folder, os.O_RDONLY | _FOLDER)
