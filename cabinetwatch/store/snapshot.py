"""The present as the store knows it: what `status` and the page show, without the daemon."""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from cabinetwatch.clock import Clock
from cabinetwatch.config.model import Config
from cabinetwatch.store.follower import Follower
from cabinetwatch.store.room import Room
from cabinetwatch.store.running import find_watch, is_mute, is_starting, running_since
from cabinetwatch.store.store import Store
from cabinetwatch.store.unreadable import UnreadableTotal
from cabinetwatch.text import rounded
from cabinetwatch.times import to_rfc3339
from cabinetwatch.watch.engine import Engine
from cabinetwatch.watch.entry import EntryKind
from cabinetwatch.watch.figures import device_figures, sensor_figures
from cabinetwatch.watch.transition import AlarmState, Priority, Transition
from cabinetwatch.watch.trials import TrialRecord


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
    engine = Follower(store, config).engine()
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
        connected=heard and engine.house.site.connected,
        session_taken=heard and engine.house.site.connection.is_taken(engine.now),
        since_utc_ms=since_ms if running else None,
        devices=device_figures(engine),
        sensors={
            sensor: figures | {"unreadable": _public_unreadable(counted.get(sensor), run_t)}
            for sensor, figures in sensor_figures(engine).items()
        },
        standing=store.standing(),
        room=store.room(),
        trials=[trial for trial in engine.trials.trials.values() if trial.open],
    )
