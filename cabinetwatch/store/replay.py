"""Running the engine over what the store holds: replay, warm start, following, a snapshot.

The snapshot is the present as the store knows it, which `status` and the page show. The heartbeat
in the store says only how fresh is what it wrote: after a kill it is young, and at a start there is
none yet. All that reads the store raises StoreError where it can't be read.
"""

import json
import logging
import math
import time
import zlib
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, NamedTuple

from cabinetwatch.clock import Clock
from cabinetwatch.config.model import Config
from cabinetwatch.store.database import find_watch
from cabinetwatch.store.inputs import SENSOR_CONDITIONS, Rename
from cabinetwatch.store.place import Hold
from cabinetwatch.store.records import UnreadableTotal
from cabinetwatch.store.store import Store
from cabinetwatch.store.upkeep import Room
from cabinetwatch.text import ConfigError, StoreError, rounded, to_rfc3339
from cabinetwatch.watch.conditions import restore_config
from cabinetwatch.watch.engine import STATE_VERSION, Engine
from cabinetwatch.watch.events import (
    Account,
    AlarmState,
    Entry,
    EntryKind,
    Priority,
    Quality,
    Reading,
    Refusal,
    Transition,
    describe_error,
)
from cabinetwatch.watch.trials import TrialRecord

_log = logging.getLogger(__name__)

SAVED_STATE = "the saved state"
"""The subject of the refusal where that can't be used."""
HEARTBEAT_OLD_MS = 60_000
"""A watch with an older heartbeat can't write its store, or hangs; one comes every 30 s."""


def from_oldest_reading(inputs: Iterable[tuple[int, Reading | Entry]]) -> Iterator[Reading | Entry]:
    """Give the inputs of a store whose oldest readings were pruned, from the first one left on.

    Of the journal before it only what was in force then is told, as if the watch had started there:
    else everything would have been silent for as long as the journal goes further back.
    """
    before: list[Entry] = []
    remaining = iter(inputs)
    for _, item in remaining:
        if isinstance(item, Reading):
            yield from _in_force(before, item.t)
            yield item
            break
        if item.is_whole:
            before.append(item)
    for _, item in remaining:
        yield item


def _in_force(before: Sequence[Entry], first_t: int) -> Iterator[Entry]:
    """Give configuration, start with the clock's offset, and connection as they stood last.

    Before any configuration a rename means nothing but that it is past.
    """
    yield from (entry for entry in before if entry.kind is EntryKind.RENAME)
    newest: dict[EntryKind, Entry] = {}
    ran, connection, offset_ms = False, None, 0
    for entry in before:
        newest[entry.kind] = entry
        if entry.kind is EntryKind.START:
            ran, connection, offset_ms = True, None, int(entry.data["offset_ms"])
        elif entry.kind is EntryKind.OFFSET:
            offset_ms = int(entry.data["offset_ms"])
        elif entry.kind in {EntryKind.CONNECT, EntryKind.DISCONNECT}:
            connection = entry
        elif entry.kind is EntryKind.STOP:
            ran = False
    t = max([first_t, *(entry.t for entry in before)])
    if EntryKind.CONFIG in newest:
        yield Entry(t, EntryKind.CONFIG, newest[EntryKind.CONFIG].data)
    if ran:
        data = dict(newest[EntryKind.START].data)
        yield Entry(t, EntryKind.START, data | {"offset_ms": offset_ms, "ran_until_ms": None})
        if connection is not None:
            yield Entry(t, connection.kind, connection.data)


class Replayer:
    """Feeds an engine with inputs in their order.

    Args:
        engine: where to go on, or None to begin with the first configuration in the journal.
        restore: makes a configuration from a journaled one; another setting is tried by changing
            it here.
        renames: all of the store whose inputs are run, for transitions that name each sensor as it
            is called today, as the store does. Without, they have the names of then.
    """

    def __init__(
        self,
        engine: Engine | None = None,
        restore: Callable[[Mapping[str, Any]], Config] = restore_config,
        *,
        renames: Iterable[Rename] = (),
    ) -> None:
        self.engine = engine
        self._restore = restore
        self._renames = deque(renames)

    def run(self, inputs: Iterable[Reading | Entry]) -> Iterator[Transition]:
        """Yield the transitions that follow, in order.

        Raises:
            ConfigError: a journaled configuration is no longer understood.
        """
        for item in inputs:
            engine = self.engine
            if isinstance(item, Reading):
                told = [] if engine is None else engine.observe(item)
                if item.quality is Quality.TIMED and engine is not None and item.t > engine.now:
                    # It can't have come sooner. Where all readings have times of their own nothing
                    # else says that time passes, and those that wait would gather.
                    told += engine.advance(item.t)
            else:
                told = self._tell(item)
            if told:
                yield from map(self._today, told) if self._renames else told

    def _today(self, transition: Transition) -> Transition:
        """Name a sensor by what is still to come."""
        if transition.condition not in SENSOR_CONDITIONS:
            return transition
        subject = transition.subject
        for rename in self._renames:
            if rename.old == subject:
                subject = rename.new
        return replace(transition, subject=subject)

    def _tell(self, entry: Entry) -> list[Transition]:
        if entry.kind is EntryKind.CONFIG:
            try:
                config = self._restore(entry.data["config"])
            except (AttributeError, KeyError, TypeError) as error:
                # The row of another hand; what was in force goes on.
                return [] if self.engine is None else self.engine.set_aside(entry, error)
            if self.engine is None:
                self.engine = Engine(config)
                return []
            return self.engine.configure(config, entry.t)
        if entry.kind is EntryKind.RENAME and entry.is_whole and self._renames:
            self._renames.popleft()
        return [] if self.engine is None else self.engine.tell(entry)


def pack_state(engine: Engine) -> bytes:
    """Serialise the engine's state with the configuration it stands under."""
    state = {"engine": engine.save(), "config": engine.config.as_json()}
    return zlib.compress(json.dumps(state, separators=(",", ":")).encode())


def warm_engine(store: Store) -> Engine | None:
    """Rebuild the engine as it stood at the end of what the store holds.

    None when that is new, or has a configuration that this version no longer understands.
    """
    saved, after_seq, damage = _resume(store)
    replayer = Replayer(saved)
    try:
        for _ in replayer.run(item for _, item in store.inputs(after_seq)):
            pass
    except ConfigError as error:
        _log.warning("the journal's configuration is no longer understood: %s", error)
        return None
    engine, ran_until_ms = replayer.engine, store.last_t()
    if engine is not None and ran_until_ms is not None:
        # What fell due then was committed with the mark of how far the watch had come, and told: it
        # must not be told again.
        engine.advance(ran_until_ms)
    if engine is not None and damage:
        shown = "what was learnt and stood is put together again from the journal"
        engine.refused.append(Refusal(engine.now, SAVED_STATE, shown, damage))
    return engine


def _resume(store: Store) -> tuple[Engine | None, int, str]:
    """Give the engine as last saved, the number of the last input it knows, and its damage.

    Without a saved state that can be used there is no engine, and no input that it knows.
    """
    saved = store.saved_state()
    if saved is None:
        return None, 0, ""
    try:
        engine = _unpack(saved.data)
    except Exception as error:  # noqa: BLE001 - damaged or foreign: begin without it, say so
        damage = describe_error(error)
        _log.warning("the saved state can't be used (%s): the journal is read anew", damage)
        return None, 0, damage
    return engine, 0 if engine is None else saved.seq, ""


def _unpack(data: bytes) -> Engine | None:
    state = json.loads(zlib.decompress(data))
    if state["engine"]["version"] != STATE_VERSION:
        return None
    try:
        engine = Engine(restore_config(state["config"]))
    except ConfigError as error:
        _log.warning("the saved state's configuration is no longer understood: %s", error)
        return None
    engine.load(state["engine"])
    return engine


class StoreFollower:
    """Reads only what is new at each call, so that it can be asked every few seconds for years.

    The configuration counts while the store has none in force; None: there must be one.
    """

    def __init__(self, store: Store, config: Config | None = None) -> None:
        self._store = store
        self._config = config
        engine, self._seq, _ = _resume(store)
        self._replayer = Replayer(engine)

    def engine(self) -> Engine:
        """Give the engine at the newest commit."""
        # Asked first: inputs of a later commit may lie before how far that one had come.
        last_t = self._store.last_t()
        self._take_new()
        engine = self._replayer.engine
        if engine is None:
            return Engine(_required(self._config, self._store))
        if last_t is not None:
            engine.advance(max(last_t, engine.now))
        return engine

    def _take_new(self) -> None:
        for seq, item in self._store.inputs(self._seq):
            try:
                for _ in self._replayer.run([item]):
                    pass
            except ConfigError as error:
                _log.warning("the journal's configuration is no longer understood: %s", error)
                self._replayer = Replayer()
            self._seq = seq


def in_force(store: Store, config: Config | None) -> Config:
    """Give the configuration in force according to the store; `config` while that has none."""
    entries = store.entries(EntryKind.CONFIG)
    try:
        if entries:
            return restore_config(entries[-1][1].data["config"])
    except ConfigError as error:
        _log.warning("the journal's configuration is no longer understood: %s", error)
    return _required(config, store)


def _required(config: Config | None, store: Store) -> Config:
    if config is None:
        raise StoreError(
            f"The store {store.path} holds no configuration that this version understands; start"
            " the watch with it first"
        )
    return config


def is_mute(watch: Hold, store: Store, now_utc_ms: int) -> bool:
    """Whether a running watch says that it can't write, or has written nothing for long: it hangs.

    A heartbeat from the future, left by a clock that was ahead, counts as old when it is off by as
    much.
    """
    signs = [watch.since_utc_ms, store.heartbeat()]
    silent = all(sign is None or abs(now_utc_ms - sign) > HEARTBEAT_OLD_MS for sign in signs)
    return silent or not watch.writes


class Asked(NamedTuple):
    """What became of a command put to the watch: one sentence. `done` is None while it waits."""

    done: bool | None
    text: str
    is_running: bool = True


ASKED_WITHIN_S = 10.0
_LOOK_EVERY_S = 0.1


def ask_watch(
    store: Store,
    commands: Sequence[Mapping[str, Any]],
    clock: Clock,
    within_s: float = ASKED_WITHIN_S,
) -> list[Asked]:
    """Put commands into the store, and wait a while for what a running watch answers to each.

    All are put before the first is waited for: a watch takes what lies there at once.
    """
    rows = [store.put_command(each, clock.utc_ms()) for each in commands]
    watch = find_watch(store.path)
    if watch is None:
        sentence = "The watch is not running; this takes effect when it starts."
        return [Asked(None, sentence, is_running=False)] * len(rows)
    if is_mute(watch, store, clock.utc_ms()):
        sentence = (
            "The watch runs, but can't write its store or hangs; this takes effect when it can."
            " `cabinetwatch status` says more."
        )
        return [Asked(None, sentence)] * len(rows)
    until = time.monotonic() + within_s
    answers = [store.command_result(row) for row in rows]
    while None in answers and time.monotonic() < until:
        time.sleep(_LOOK_EVERY_S)
        answers = [store.command_result(row) for row in rows]
    waits = Asked(None, "The watch has not answered yet; this takes effect when it does.")
    return [waits if each is None else Asked(each["ok"], each["text"]) for each in answers]


def running_since(store: Store) -> int | None:
    """Give since when (watch ms) the newest run goes, read again as its file may have been."""
    began: int | None = None
    for _, entry in reversed(store.entries(EntryKind.START)):
        began = entry.t
        if not entry.data.get("reloaded"):
            break
    return began


@dataclass(frozen=True, slots=True)
class Snapshot:
    """The watch, its devices and sensors, and what stands.

    `starting` is a watch that runs and has not written yet: the figures are of the one before.
    `mute` is a watch that lives but can't write or hangs, which is not `running`; `mute_process` is
    its process where that may be known.
    `memory_process` is one that keeps its records in memory, for its disk refuses the store; it is
    `running` where the figures are those in memory.
    `utc_ms` is the instant that the figures are of, None when nothing was ever written.
    `devices` and `sensors` hold the published figures by ID. `incidents` are worst first,
    those that are over and not acknowledged last.
    """

    site: str
    utc_ms: int | None
    running: bool
    starting: bool
    mute: bool
    mute_process: int | None
    memory_process: int | None
    connected: bool
    session_taken: bool
    since_utc_ms: int | None
    devices: dict[str, dict[str, Any]]
    sensors: dict[str, dict[str, Any]]
    standing: list[Transition]
    incidents: list[Account]
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
            "incidents": [account.public() for account in self.incidents],
            "alarms": [transition.public() for transition in self.standing],
        }


def is_bad(transition: Transition) -> bool:
    """Whether an active alarm is bad news: of medium or high priority, and not hidden."""
    visible = {AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED}
    return transition.state in visible and transition.priority is not Priority.LOW


def _public_room(room: Room) -> dict[str, Any]:
    growth, left = room.growth_bytes_per_day, room.days_left
    return {
        "bytes": room.bytes,
        "free_bytes": room.free_bytes,
        "growth_bytes_per_day": rounded(growth, 0),
        "days_left": rounded(left, 1),
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


def _instant(utc_ms: int | None) -> str | None:
    return None if utc_ms is None else to_rfc3339(utc_ms)


def take_snapshot(store: Store, config: Config, clock: Clock) -> Snapshot:
    """Read the present from the store; `config` counts while it has none in force."""
    return snapshot_of(StoreFollower(store, config).engine(), store, clock, config.store_path())


def snapshot_of(engine: Engine, store: Store, clock: Clock, real: Path | None = None) -> Snapshot:
    """Give the present of an engine that has followed the store.

    `real` is the path of the real one, where `store` may be another, in memory.
    """
    now_utc_ms = clock.utc_ms()
    runs = [entry.kind for _, entry in store.entries(EntryKind.START, EntryKind.STOP)]
    ended, heartbeat_ms = runs[-1:] == [EntryKind.STOP], store.heartbeat()
    watch = find_watch(real or store.path)
    if watch is not None and ended and (heartbeat_ms or 0) >= (watch.since_utc_ms or math.inf):
        # It has written its last, and only holds its lock until its end.
        watch = None
    in_memory = watch is not None and watch.in_memory
    here = find_watch(store.path) if in_memory and store.path != real else watch
    since_utc_ms = None if here is None else here.since_utc_ms
    # One whose records are in memory writes them elsewhere.
    mute = here is not None and not here.in_memory and is_mute(here, store, now_utc_ms)
    running = since_utc_ms is not None and not mute
    # One that has not written yet leaves what the one before it wrote.
    starting = running and (not runs or ended)
    if since_utc_ms is not None and running:
        starting |= (heartbeat_ms or 0) < since_utc_ms <= now_utc_ms
    counted, run_t = store.unreadable(), running_since(store)
    # By the offset of now: the clock may have been wrong at the start, and was put right since.
    since_ms = None if run_t is None else run_t + engine.offset_ms
    if starting:
        since_ms = since_utc_ms
    heard = running and not starting
    return Snapshot(
        site=engine.config.site.name,
        # Importing leaves a heartbeat, too: it is a sign of life only where the watch has run.
        utc_ms=heartbeat_ms if EntryKind.START in runs else None,
        running=running,
        starting=starting,
        mute=mute,
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
        incidents=engine.accounts(),
        room=store.room(),
        trials=[trial for trial in engine.trials.trials.values() if trial.open],
    )
