"""Running the engine over what it was told before: the same inputs give the same transitions."""

from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import Any

from cabinetwatch.config.model import Config
from cabinetwatch.watch import configuration
from cabinetwatch.watch.engine import Engine
from cabinetwatch.watch.entry import Entry, EntryKind
from cabinetwatch.watch.reading import Reading
from cabinetwatch.watch.transition import Transition


class Replayer:
    """Feeds an engine with inputs in their order.

    Args:
        engine: where to go on, or None to begin with the first configuration in the journal.
        restore: makes a configuration from a journaled one; another setting is tried by changing
            it here.
    """

    def __init__(
        self,
        engine: Engine | None = None,
        restore: Callable[[Mapping[str, Any]], Config] = configuration.restore,
    ) -> None:
        self.engine = engine
        self._restore = restore

    def run(self, inputs: Iterable[Reading | Entry]) -> Iterator[Transition]:
        """Yield the transitions that follow, in order.

        Raises:
            ConfigError: a journaled configuration is no longer understood.
        """
        for item in inputs:
            if isinstance(item, Reading):
                if self.engine is not None:
                    yield from self.engine.observe(item)
            else:
                yield from self._tell(item)

    def _tell(self, entry: Entry) -> list[Transition]:
        if entry.kind is EntryKind.CONFIG:
            config = self._restore(entry.data["config"])
            if self.engine is None:
                self.engine = Engine(config)
                return []
            return self.engine.configure(config, entry.t)
        return [] if self.engine is None else self.engine.tell(entry)
