"""Which offset each sensor had when a reading came: as the journal tells it."""

from collections.abc import Mapping
from typing import Any

from cabinetwatch.config.model import Config
from cabinetwatch.store.store import Store
from cabinetwatch.watch.entry import EntryKind


class OffsetsInForce:
    """The offset of each sensor at each input, asked for in rising order.

    Before any configuration in the journal those of `config` count.
    """

    def __init__(self, store: Store, config: Config) -> None:
        self._entries = store.entries(EntryKind.CONFIG)
        self._next = 0
        self._offsets = _offsets_of(config.as_json())

    def at(self, seq: int) -> Mapping[str, float]:
        """Give the offsets in force at input number `seq`."""
        while self._next < len(self._entries) and self._entries[self._next][0] < seq:
            self._offsets = _offsets_of(self._entries[self._next][1].data["config"])
            self._next += 1
        return self._offsets


def _offsets_of(config: Mapping[str, Any]) -> dict[str, float]:
    return {name: sensor.get("offset", 0.0) for name, sensor in config["sensors"].items()}
