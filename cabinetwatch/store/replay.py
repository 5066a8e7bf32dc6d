"""Running the engine over what it was told before: replay, warm start, and following."""

import json
import logging
import zlib
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

from cabinetwatch.config.model import Config
from cabinetwatch.store.inputs import SENSOR_CONDITIONS, Rename
from cabinetwatch.store.store import Store
from cabinetwatch.text import ConfigError, StoreError
from cabinetwatch.watch import configuration
from cabinetwatch.watch.engine import STATE_VERSION, Engine
from cabinetwatch.watch.events import Entry, EntryKind, Reading, Transition
from cabinetwatch.watch.refusals import Refusal, describe_error


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
        damage: why a saved state, which it would have gone on from, can't be used.
        renames: all of the store whose inputs are run, for transitions that name each sensor as it
            is called today, as the store does. Without, they have the names of then.
    """

    def __init__(
        self,
        engine: Engine | None = None,
        restore: Callable[[Mapping[str, Any]], Config] = configuration.restore,
        *,
        damage: str = "",
        renames: Iterable[Rename] = (),
    ) -> None:
        self.engine = engine
        self.damage = damage
        self._restore = restore
        self._renames = deque(renames)

    def run(self, inputs: Iterable[Reading | Entry]) -> Iterator[Transition]:
        """Yield the transitions that follow, in order.

        Raises:
            ConfigError: a journaled configuration is no longer understood.
        """
        for item in inputs:
            if isinstance(item, Reading):
                told = [] if self.engine is None else self.engine.observe(item)
            else:
                told = self._tell(item)
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


_log = logging.getLogger(__name__)

SAVED_STATE = "the saved state"
"""The subject of the refusal where that can't be used."""


def pack_state(engine: Engine) -> bytes:
    """Serialise the engine's state with the configuration it stands under."""
    state = {"engine": engine.save(), "config": engine.config.as_json()}
    return zlib.compress(json.dumps(state, separators=(",", ":")).encode())


def warm_engine(store: Store) -> Engine | None:
    """Rebuild the engine as it stood at the end of what the store holds.

    Returns:
        The engine, or None when the store is new or was written by a version whose configuration
        this one no longer understands.

    Raises:
        StoreError: the store can't be read.
    """
    replayer, after_seq = resume(store)
    damage = replayer.damage
    try:
        for _ in replayer.run(item for _, item in store.inputs(after_seq)):
            pass
    except ConfigError as error:
        _log.warning("the journal's configuration is no longer understood: %s", error)
        return None
    _catch_up(replayer.engine, store.last_t())
    if replayer.engine is not None and damage:
        shown = "what was learnt and stood is put together again from the journal"
        replayer.engine.refused.append(Refusal(replayer.engine.now, SAVED_STATE, shown, damage))
    return replayer.engine


def resume(store: Store) -> tuple[Replayer, int]:
    """Give a replayer with the engine as last saved, and the number of the last input it knows.

    Raises:
        StoreError: the store can't be read.
    """
    saved = store.saved_state()
    engine, damage = None, ""
    if saved is not None:
        try:
            engine = _unpack(saved.data)
        except Exception as error:  # noqa: BLE001 - damaged or foreign: begin without it, say so
            damage = describe_error(error)
            _log.warning("the saved state can't be used (%s): the journal is read anew", damage)
    return Replayer(engine, damage=damage), 0 if saved is None or engine is None else saved.seq


def _catch_up(engine: Engine | None, ran_until_ms: int | None) -> None:
    """Let pass what the watch before lived through after its last input.

    What fell due then was committed with the mark of how far it had come, and told: it must not be
    told again.
    """
    if engine is not None and ran_until_ms is not None:
        engine.advance(ran_until_ms)


def _unpack(data: bytes) -> Engine | None:
    state = json.loads(zlib.decompress(data))
    if state["engine"]["version"] != STATE_VERSION:
        return None
    try:
        engine = Engine(configuration.restore(state["config"]))
    except ConfigError as error:
        _log.warning("the saved state's configuration is no longer understood: %s", error)
        return None
    engine.load(state["engine"])
    return engine


class StoreFollower:
    """Reads only what is new at each call, so that it can be asked every few seconds for years.

    Args:
        store: to read.
        config: counts while the store has none in force; None: there must be one.
    """

    def __init__(self, store: Store, config: Config | None = None) -> None:
        self._store = store
        self._config = config
        self._replayer, self._seq = resume(store)

    def engine(self) -> Engine:
        """Give the engine at the newest commit.

        Raises:
            StoreError: the store can't be read, or nothing says what the site has.
        """
        # Asked first: inputs of a later commit may lie before how far that one had come.
        last_t = self._store.last_t()
        self._take_new()
        engine = self._replayer.engine
        if engine is None:
            if self._config is None:
                raise _nothing_in_force(self._store)
            return Engine(self._config)
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
    """Give the configuration in force according to the store.

    Args:
        store: to read.
        config: counts while the store has none; None: there must be one.

    Raises:
        StoreError: the store can't be read, or nothing says what the site has.
    """
    entries = store.entries(EntryKind.CONFIG)
    try:
        if entries:
            return configuration.restore(entries[-1][1].data["config"])
    except ConfigError as error:
        _log.warning("the journal's configuration is no longer understood: %s", error)
    if config is None:
        raise _nothing_in_force(store)
    return config


def _nothing_in_force(store: Store) -> StoreError:
    return StoreError(
        f"The store {store.path} holds no configuration that this version understands; start the"
        " watch with it first"
    )
