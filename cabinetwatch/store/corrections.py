"""The sensors' offsets as they were in force: told by the configurations in the journal."""

from bisect import bisect_left
from collections.abc import Iterable, Mapping, Sequence
from operator import itemgetter
from typing import Any

from sqlalchemy import Connection, func, select

from cabinetwatch.config.model import Config
from cabinetwatch.store.renames import read_renames
from cabinetwatch.store.schema import journal
from cabinetwatch.watch.entry import Entry, EntryKind


class OffsetsInForce:
    """The offset of each sensor at each input.

    Args:
        configs: the journaled configurations with their numbers, in order.
        before: the offsets before the first of them.
    """

    def __init__(
        self, configs: Sequence[tuple[int, Mapping[str, Any]]], before: Mapping[str, float]
    ) -> None:
        self._configs = configs
        self._before = before
        self._count = 0
        self._offsets = before

    def at(self, seq: int) -> Mapping[str, float]:
        """Give the offsets in force at input number `seq`; a sensor left out has none."""
        count = bisect_left(self._configs, seq, key=itemgetter(0))
        if count != self._count:
            self._count = count
            self._offsets = offsets_of(self._configs[count - 1][1]) if count else self._before
        return self._offsets


def offsets_of(config: Mapping[str, Any]) -> dict[str, float]:
    """Give the offsets in a journaled configuration."""
    return {
        name: sensor["offset"] for name, sensor in config["sensors"].items() if sensor.get("offset")
    }


def offsets_throughout(configs: Iterable[tuple[int, Entry]], before: Config) -> OffsetsInForce:
    """Give the offsets in force at any input.

    Args:
        configs: the CONFIG entries of the journal with their numbers, in order.
        before: its offsets count before the first of them.
    """
    journaled = [(seq, entry.data["config"]) for seq, entry in configs]
    return OffsetsInForce(journaled, offsets_of(before.as_json()))


def offsets_from(connection: Connection, seq: int) -> OffsetsInForce:
    """Give the offsets in force from input number `seq` on."""
    is_config = journal.c.kind == EntryKind.CONFIG.value
    in_force = select(func.max(journal.c.seq)).where(is_config, journal.c.seq <= seq)
    first = connection.scalar(in_force) or 0
    rows = connection.execute(
        select(journal.c.seq, journal.c.data)
        .where(is_config, journal.c.seq >= first)
        .order_by(journal.c.seq)
    )
    renames = read_renames(connection)
    told = [(row.seq, Entry(0, EntryKind.CONFIG, row.data)) for row in rows]
    return OffsetsInForce(
        [(seq, renames.entry(entry, seq).data["config"]) for seq, entry in told], {}
    )
