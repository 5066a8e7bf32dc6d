"""Whether the watch runs, as seen from its store."""

from cabinetwatch.clock import Clock
from cabinetwatch.store.place import holder_of, writer_of
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


def process_of_watch(store: Store) -> int | None:
    """Give the process that holds the store, if the watch has not stopped: another one is none.

    Raises:
        StoreError: the store can't be read.
    """
    return writer_of(store.path) if _has_not_stopped(store) else None


def _has_not_stopped(store: Store) -> bool:
    runs = store.entries(EntryKind.START, EntryKind.STOP)
    return bool(runs) and runs[-1][1].kind is EntryKind.START
