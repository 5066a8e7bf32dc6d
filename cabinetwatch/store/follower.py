"""An engine that follows the store: what the daemon's knows, seen from another process."""

import logging

from cabinetwatch.config.model import Config
from cabinetwatch.errors import ConfigError, StoreError
from cabinetwatch.store.replay import Replayer
from cabinetwatch.store.store import Store
from cabinetwatch.store.warm import resume
from cabinetwatch.watch import configuration
from cabinetwatch.watch.engine import Engine
from cabinetwatch.watch.entry import EntryKind

_log = logging.getLogger(__name__)


class Follower:
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
