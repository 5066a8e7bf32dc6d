"""Whether the watch runs, as seen from its store: its lock says so, and nothing else.

The heartbeat in the store says only how fresh is what it wrote: after a kill it is young, and at a
start there is none yet.
"""

import os
import signal
from pathlib import Path
from typing import NamedTuple

from cabinetwatch.store.in_memory import find_records
from cabinetwatch.store.place import hold_of, holder_of
from cabinetwatch.store.store import Store
from cabinetwatch.watch.entry import EntryKind

HEARTBEAT_OLD_MS = 60_000
"""A watch with an older heartbeat can't write its store, or hangs; one comes every 30 s."""


class RunningWatch(NamedTuple):
    """A watch that runs; `process` is None where it can't be known.

    `since_utc_ms` is when it took the lock of its store; None with its records in memory.
    """

    process: int | None
    since_utc_ms: int | None

    @property
    def in_memory(self) -> bool:
        """Whether it keeps its records in memory, for its disk refuses the store."""
        return self.since_utc_ms is None


def find_watch(path: Path) -> RunningWatch | None:
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
            return RunningWatch(hold.process, hold.since_utc_ms)
    records = find_records(path)
    return None if records is None else RunningWatch(records.process, None)


def is_mute(watch: RunningWatch, store: Store, now_utc_ms: int) -> bool:
    """Whether a running watch has written nothing for long: it can't, or it hangs.

    A heartbeat from the future, left by a clock that was ahead, counts as old when it is off by as
    much.

    Raises:
        StoreError: the store can't be read.
    """
    signs = [watch.since_utc_ms, store.heartbeat()]
    return all(sign is None or abs(now_utc_ms - sign) > HEARTBEAT_OLD_MS for sign in signs)


def is_starting(watch: RunningWatch, store: Store, now_utc_ms: int) -> bool:
    """Whether a running watch has not written yet, so that the store tells of the one before.

    Raises:
        StoreError: the store can't be read.
    """
    runs = store.entries(EntryKind.START, EntryKind.STOP)
    if not runs or runs[-1][1].kind is EntryKind.STOP:
        return True
    since_ms, heartbeat_ms = watch.since_utc_ms, store.heartbeat()
    return since_ms is not None and (heartbeat_ms or 0) < since_ms <= now_utc_ms


def running_since(store: Store) -> int | None:
    """Give since when (watch ms) the newest run goes, read again as its file may have been.

    Raises:
        StoreError: the store can't be read.
    """
    began: int | None = None
    for _, entry in reversed(store.entries(EntryKind.START)):
        began = entry.t
        if not entry.data.get("reloaded"):
            break
    return began


def signal_watch(store: Store, number: signal.Signals) -> int | None:
    """Send a signal to the watch that holds the store: to its process and no other.

    Not to whoever else holds it, such as an import, which the signal would end; and what the lock
    file says counts for nothing, for others may write it.

    Returns:
        The process; None when no watch holds the store.

    Raises:
        OSError: it may not be signalled.
    """
    process = holder_of(store.path)
    if process is None:
        return None
    try:
        # From here on the number can't come to mean another process.
        descriptor = os.pidfd_open(process)
    except ProcessLookupError:
        return None
    try:
        if holder_of(store.path) != process or not _is_a_watch(process):
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
    """Whether a process was started as `cabinetwatch run`."""
    try:
        return b"run" in Path(f"/proc/{process}/cmdline").read_bytes().split(b"\0")
    except OSError:
        return False
