"""The present as the store knows it: what `status` and the page show.

The heartbeat in the store says only how fresh is what it wrote: after a kill it is young, and at a
start there is none yet.
"""

import os
import signal
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

from cabinetwatch.clock import Clock, to_rfc3339
from cabinetwatch.config.model import Config
from cabinetwatch.store.database import find_records
from cabinetwatch.store.place import hold_of, holder_of
from cabinetwatch.store.records import UnreadableTotal
from cabinetwatch.store.replay import StoreFollower
from cabinetwatch.store.store import Store
from cabinetwatch.store.upkeep import Room
from cabinetwatch.text import rounded
from cabinetwatch.watch.engine import Engine
from cabinetwatch.watch.events import AlarmState, EntryKind, Priority, Transition
from cabinetwatch.watch.trials import TrialRecord

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


def has_stopped(watch: RunningWatch, store: Store) -> bool:
    """Whether a watch has written its last and only holds its lock still, until its end.

    Raises:
        StoreError: the store can't be read.
    """
    runs = store.entries(EntryKind.START, EntryKind.STOP)
    heartbeat_ms, since_ms = store.heartbeat(), watch.since_utc_ms
    if not runs or heartbeat_ms is None or since_ms is None:
        return False
    return runs[-1][1].kind is EntryKind.STOP and heartbeat_ms >= since_ms


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


@dataclass(frozen=True, slots=True)
class Snapshot:
    """The watch, its devices and sensors, and what stands.

    `starting` is a watch that runs and has not written yet: the figures are of the one before.
    `mute_process` is a watch that lives but has written nothing for long: then it is not `running`.
    `memory_process` is one that keeps its records in memory, for its disk refuses the store; it is
    `running` where the figures are those in memory.
    `utc_ms` is the instant that the figures are of, None when nothing was ever written.
    `devices` and `sensors` hold the published figures by ID.
    """

    site: str
    utc_ms: int | None
    running: bool
    starting: bool
    mute_process: int | None
    memory_process: int | None
    connected: bool
    session_taken: bool
    since_utc_ms: int | None
    devices: dict[str, dict[str, Any]]
    sensors: dict[str, dict[str, Any]]
    standing: list[Transition]
    room: Room
    trials: list[TrialRecord]

    @property
    def is_well(self) -> bool:
        """Whether the watch runs and no alarm of medium or high priority stands."""
        return self.running and not any(is_bad(transition) for transition in self.standing)

    def public(self) -> dict[str, Any]:
        """Give the form of `status --json`."""
        return {
            "site": self.site,
            "time": _instant(self.utc_ms),
            "watch": {
                "running": self.running,
                "mute_process": self.mute_process,
                "memory_process": self.memory_process,
                "connected": self.connected,
                "session_taken": self.session_taken,
                "since": _instant(self.since_utc_ms),
            },
            "devices": self.devices,
            "sensors": self.sensors,
            "store": _public_room(self.room),
            "alarms": [transition.public() for transition in self.standing],
        }


def is_bad(transition: Transition) -> bool:
    """Whether a standing alarm is bad news: of medium or high priority, and not hidden."""
    visible = {AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED}
    return transition.state in visible and transition.priority is not Priority.LOW


def _public_room(room: Room) -> dict[str, Any]:
    """Give the store's room under its public names."""
    return {
        "bytes": room.bytes,
        "free_bytes": room.free_bytes,
        "growth_bytes_per_day": _rounded(room.growth_bytes_per_day, 0),
        "days_left": _rounded(room.days_left, 1),
        "oldest_raw": _instant(room.oldest_raw_utc_ms),
        "oldest_minutes": _instant(room.oldest_minutes_utc_ms),
        "oldest_quarters": _instant(room.oldest_quarters_utc_ms),
    }


def _public_unreadable(counted: UnreadableTotal | None, run_t: int | None) -> dict[str, Any]:
    """Give what could not be read of a sensor under its public names; `since_start` of the watch.

    `time` and `problem` are those of the last.
    """
    if counted is None:
        return {"since_start": 0, "total": 0, "time": None, "problem": None}
    return {
        "since_start": counted.in_run if counted.run_t == run_t else 0,
        "total": counted.total,
        "time": _instant(counted.utc_ms),
        "problem": counted.problem,
    }


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else rounded(value, digits)


def _instant(utc_ms: int | None) -> str | None:
    return None if utc_ms is None else to_rfc3339(utc_ms)


def take_snapshot(store: Store, config: Config, clock: Clock) -> Snapshot:
    """Read the present from the store.

    Args:
        store: to read.
        config: counts while the store has none in force.
        clock: says how old the newest heartbeat is.

    Raises:
        StoreError: the store can't be read.
    """
    engine = StoreFollower(store, config).engine()
    return snapshot_of(engine, store, clock, config.store_path())


def snapshot_of(engine: Engine, store: Store, clock: Clock, real: Path | None = None) -> Snapshot:
    """Give the present of an engine that has followed the store.

    Args:
        engine: that has followed it.
        store: the real one, or the one in memory that stands in for it.
        clock: says how old the newest heartbeat is.
        real: the path of the real one, where `store` may be another.

    Raises:
        StoreError: the store can't be read.
    """
    now_utc_ms = clock.utc_ms()
    watch = find_watch(real or store.path)
    if watch is not None and has_stopped(watch, store):
        watch = None
    in_memory = watch is not None and watch.in_memory
    here = find_watch(store.path) if in_memory and store.path != real else watch
    elsewhere = here is not None and here.in_memory
    mute = here is not None and not elsewhere and is_mute(here, store, now_utc_ms)
    running = here is not None and not elsewhere and not mute
    starting = here is not None and running and is_starting(here, store, now_utc_ms)
    starts = store.entries(EntryKind.START)
    counted, run_t = store.unreadable(), running_since(store)
    # By the offset of now: the clock may have been wrong at the start, and was put right since.
    since_ms = None if run_t is None else run_t + engine.offset_ms
    if here is not None and starting:
        since_ms = here.since_utc_ms
    heard = running and not starting
    return Snapshot(
        site=engine.config.site.name,
        # Importing leaves a heartbeat, too: it is a sign of life only where the watch has run.
        utc_ms=store.heartbeat() if starts else None,
        running=running,
        starting=starting,
        mute_process=here.process if here is not None and mute else None,
        memory_process=watch.process if watch is not None and in_memory else None,
        connected=heard and engine.model.site.connected,
        session_taken=heard and engine.model.site.connection.is_taken(engine.now),
        since_utc_ms=since_ms if running else None,
        devices=engine.device_figures(),
        sensors={
            sensor: figures | {"unreadable": _public_unreadable(counted.get(sensor), run_t)}
            for sensor, figures in engine.sensor_figures().items()
        },
        standing=store.standing(),
        room=store.room(),
        trials=[trial for trial in engine.trials.trials.values() if trial.open],
    )
