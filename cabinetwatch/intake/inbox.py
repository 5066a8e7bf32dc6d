"""What has come and waits for the watch: bounded in bytes, and taken in turns.

A single topic may bring more than can be judged. Then three things hold. What waits stays within
`MOST_BYTES`: whoever reads the network asks `full` and leaves the rest with the broker, so nothing
is lost. Messages wait in lanes, one for all that feeds the same sensors, and the lanes take turns,
so that a long one holds up no other. And since a broker has but one queue for us, in which an alarm
would stand behind the flood: when reading had to pause and the lanes have not been empty for
`PRESSED_S` since, what comes for a lane that holds more than its share is refused, until nothing
was for as long. Alarms go before records. Refusing from the longest queue is common practice in
packet networks.

No backlog of an ordinary house comes near: our receive window of 4,000 messages of 100 bytes is
1.2 MB with what Python adds to each.
"""

import queue
import time
from collections import deque
from collections.abc import Callable, Hashable
from dataclasses import dataclass, field
from typing import Generic, NamedTuple, TypeVar

from cabinetwatch.intake.message import Incoming

MOST_BYTES = 4 * 1024 * 1024
"""Our choice: some seconds of judging, in packs of readings."""
PRESSED_S = 3.0
"""Our choice: what a broker had kept of one sensor is through by then."""
_OVERHEAD_BYTES = 200

T = TypeVar("T")


class Refused(NamedTuple):
    """A message that is to be acknowledged, counted as not read, and passed over."""

    message: Incoming


@dataclass(slots=True)
class _Lane:
    waiting: deque[Incoming] = field(default_factory=deque)
    bytes: int = 0


class Inbox(Generic[T]):
    """Messages and other items on their way to the one thread that takes them.

    The messages of one lane come out in their order. Any other item is taken before the messages
    that wait, unless it is of a kind in `last`: that one comes out after all that was put before
    it, and before all that was put after.

    Args:
        lane_of: gives the lane of a message; called by the thread that takes. Without it all stand
            in one, and none is ever refused.
        last: the kinds of items that keep their place among the messages.
    """

    def __init__(
        self,
        lane_of: Callable[[Incoming], Hashable] | None = None,
        last: tuple[type, ...] = (),
    ) -> None:
        self._lane_of = lane_of
        self._last = last
        self._most_bytes = MOST_BYTES
        self._arrived: queue.SimpleQueue[Incoming | T] = queue.SimpleQueue()
        # Each of these two is written by one thread only: the one that reads the network, and ours.
        self._bytes_in = 0
        self._bytes_out = 0
        self._full = False
        self._pressed_since_s: float | None = None
        self._refused_s: float | None = None
        self._at_once: deque[Refused | T] = deque()
        self._lanes: dict[Hashable, _Lane] = {}
        self._turns: deque[Hashable] = deque()
        self._barrier: T | None = None

    # -- called by other threads --------------------------------------------------------------

    def put(self, item: Incoming | T) -> None:
        """Add an item. Messages are put by one thread only, the one that asks `full`."""
        if isinstance(item, Incoming):
            self._bytes_in += _size(item)
        self._arrived.put(item)

    @property
    def full(self) -> bool:
        """Whether no more should be read for now; once full, until half of it has been taken.

        While a flood is refused reading goes on, so that what stands behind it gets here; what
        nobody has sorted yet is bounded by as much again.
        """
        waiting = self._bytes_in - self._bytes_out
        if self._pressed:
            return waiting > 2 * self._most_bytes
        self._full = waiting > (self._most_bytes // 2 if self._full else self._most_bytes)
        if self._full and self._pressed_since_s is None and self._lane_of is not None:
            self._pressed_since_s = time.monotonic()
        return self._full

    # -- called by the thread that takes ------------------------------------------------------

    def take(self, wait_s: float) -> Incoming | Refused | T | None:
        """Give what is next, waiting at most so long; None when nothing has come."""
        self._sort_all()
        item = self._next()
        if item is None and wait_s > 0:
            try:
                self._sort(self._arrived.get(timeout=wait_s))
            except queue.Empty:
                return None
            self._sort_all()
            item = self._next()
        return item

    def _next(self) -> Incoming | Refused | T | None:
        if self._at_once:
            return self._at_once.popleft()
        if self._turns:
            key = self._turns.popleft()
            lane = self._lanes[key]
            message = lane.waiting.popleft()
            size = _size(message)
            lane.bytes -= size
            self._bytes_out += size
            if lane.waiting:
                self._turns.append(key)
            else:
                del self._lanes[key]
            return message
        if self._pressed_since_s is not None and not self._has_refused_lately():
            self._pressed_since_s = None
        barrier, self._barrier = self._barrier, None
        return barrier

    def _sort_all(self) -> None:
        try:
            while self._barrier is None:
                self._sort(self._arrived.get_nowait())
        except queue.Empty:
            pass

    def _sort(self, item: Incoming | T) -> None:
        if isinstance(item, Incoming):
            self._sort_message(item)
        elif isinstance(item, self._last):
            self._barrier = item
        else:
            self._at_once.append(item)

    def _sort_message(self, message: Incoming) -> None:
        key = None if self._lane_of is None else self._lane_of(message)
        lane = self._lanes.get(key)
        size = _size(message)
        if lane is not None and lane.bytes + size > self._share() and self._pressed:
            self._bytes_out += size
            self._refused_s = time.monotonic()
            self._at_once.append(Refused(message))
            return
        if lane is None:
            lane = self._lanes[key] = _Lane()
            self._turns.append(key)
        lane.waiting.append(message)
        lane.bytes += size

    def _share(self) -> int:
        """How many bytes a lane may hold while others want to be read: together half of all."""
        return self._most_bytes // 2 // max(1, len(self._lanes))

    @property
    def _pressed(self) -> bool:
        since_s = self._pressed_since_s
        return since_s is not None and time.monotonic() - since_s >= PRESSED_S

    def _has_refused_lately(self) -> bool:
        return self._refused_s is not None and time.monotonic() - self._refused_s < PRESSED_S


def _size(message: Incoming) -> int:
    return len(message.topic) + len(message.payload) + _OVERHEAD_BYTES
