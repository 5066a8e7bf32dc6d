"""Running the engine over what it was told before: the same inputs give the same transitions."""

from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

from cabinetwatch.config.model import Config
from cabinetwatch.store.renames import SENSOR_CONDITIONS, Rename
from cabinetwatch.watch import configuration
from cabinetwatch.watch.engine import Engine
from cabinetwatch.watch.entry import Entry, EntryKind
from cabinetwatch.watch.reading import Reading
from cabinetwatch.watch.transition import Transition


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
