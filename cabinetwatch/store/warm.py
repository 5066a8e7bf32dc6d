"""A warm start: the last saved state of the engine and everything it was told since."""

import json
import logging
import zlib

from cabinetwatch.errors import ConfigError
from cabinetwatch.store.replay import Replayer
from cabinetwatch.store.store import Store
from cabinetwatch.watch import configuration
from cabinetwatch.watch.engine import STATE_VERSION, Engine
from cabinetwatch.watch.refusals import Refusal, describe_error

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
