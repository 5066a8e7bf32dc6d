"""What is committed in one go, and what a start gets back of it."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from hashlib import blake2b
from typing import Any, NamedTuple

from cabinetwatch.store.notice import Notice, Outcome
from cabinetwatch.store.tiers import FigureMinute
from cabinetwatch.store.unreadable import Unreadable
from cabinetwatch.store.weeks import ClosedWeek
from cabinetwatch.watch.entry import Entry
from cabinetwatch.watch.reading import Reading
from cabinetwatch.watch.transition import Transition

# Compared only between messages of one packet identifier, so that 48 bits are plenty.
_DIGEST_BYTES = 6


class Repeatable(NamedTuple):
    """What tells a committed message again: its packet identifier (1 to 65535) and digest."""

    packet_id: int
    digest: bytes

    @classmethod
    def of(cls, packet_id: int, topic: str, payload: bytes) -> "Repeatable":
        """Make the identifier of a message as it came in."""
        # A topic holds no NUL (MQTT 5.0, 1.5.4), so that the two parts can't be mistaken.
        message = topic.encode("utf-8", "surrogatepass") + b"\0" + payload
        return cls(packet_id, blake2b(message, digest_size=_DIGEST_BYTES).digest())


@dataclass(slots=True)
class Batch:
    """Everything that one transaction writes: all of it or nothing.

    `inputs` are in the very order the engine was told; a transition stands in the batch of the
    inputs judged before it, or a later one. `window` identifies the messages acknowledged after
    this commit, of the present session only: a connect without a session empties it. `handled`
    are commands' row ids with their results; `figures` the devices' minutes that are over;
    `unreadable` counts the messages that could not be read; `weeks` holds the figures of closed
    weeks. `state` is the serialised engine as it stood after the last of `inputs` and `advanced_to`
    (watch time, ms). `offset_ms` is what must be added to watch time to get UTC, at the end.
    Readings that are `foreign` were taken elsewhere: how far the watch has come stays as it was.
    """

    advanced_to: int
    offset_ms: int
    inputs: list[Reading | Entry] = field(default_factory=list)
    window: list[Repeatable] = field(default_factory=list)
    transitions: list[Transition] = field(default_factory=list)
    notices: list[Notice] = field(default_factory=list)
    outcomes: list[Outcome] = field(default_factory=list)
    handled: list[tuple[int, Mapping[str, Any]]] = field(default_factory=list)
    figures: list[FigureMinute] = field(default_factory=list)
    unreadable: list[Unreadable] = field(default_factory=list)
    weeks: list[ClosedWeek] = field(default_factory=list)
    state: bytes | None = None
    foreign: bool = False


class SavedState(NamedTuple):
    """The engine as it stood after input number `seq`, advanced to watch time `t` (ms)."""

    seq: int
    t: int
    data: bytes
