"""Whether the watch runs, as seen from its store."""

import os
import signal
from pathlib import Path

from cabinetwatch.clock import Clock
from cabinetwatch.store.place import holder_of
from cabinetwatch.store.store import Store
from cabinetwatch.watch.entry import EntryKind

HEARTBEAT_OLD_MS = 60_000
"""A heartbeat older than this says that the watch is not running; one comes every 30 s."""


def is_running(store: Store, clock: Clock) -> bool:
    """Whether the newest heartbeat in the store is fresh, and was not that of a clean stop.

    A heartbeat from the future, left by a clock that was ahead, counts as old when it is off by as
    much.

    Raises:
        StoreError: the store can't be read.
    """
    heartbeat_ms = store.heartbeat()
    if heartbeat_ms is None or abs(clock.utc_ms() - heartbeat_ms) > HEARTBEAT_OLD_MS:
        return False
    return _has_not_stopped(store)


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


def mute_process(store: Store) -> int | None:
    """Give the process of a watch that has not stopped and holds its store.

    When the heartbeat is old nevertheless, it can't write its store, or hangs.

    Raises:
        StoreError: the store can't be read.
    """
    return holder_of(store.path) if _has_not_stopped(store) else None


def signal_watch(store: Store, number: signal.Signals) -> int | None:
    """Send a signal to the watch that holds the store: to its process and no other.

    Not to whoever else holds it, such as an import, which the signal would end; and what the lock
    file says counts for nothing, for others may write it.

    Returns:
        The process; None when no watch holds the store.

    Raises:
        OSError: it may not be signalled.
        StoreError: the store can't be read.
    """
    process = holder_of(store.path) if _has_not_stopped(store) else None
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
    folder = Path(f"/proc/{process}")
    try:
        # Of everybody else the kernel asks that, too.
        if os.getuid() == 0 and folder.stat().st_uid != os.geteuid():
            return False
        return b"run" in (folder / "cmdline").read_bytes().split(b"\0")
    except OSError:
        return False


def _has_not_stopped(store: Store) -> bool:
    runs = store.entries(EntryKind.START, EntryKind.STOP)
    return bool(runs) and runs[-1][1].kind is EntryKind.START
