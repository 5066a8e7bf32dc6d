"""Deadlines: what falls due when, in an order that does not depend on who asked first."""

import heapq
from typing import Protocol


class Timed(Protocol):
    """Something with a deadline."""

    order: int
    """Breaks the tie between deadlines of one instant: the same in every run."""

    @property
    def due(self) -> int | None:
        """When it falls due (watch ms), or None. Moving it later needs no call: see `Deadlines`."""


class Deadlines:
    """A queue of deadlines in which moving one later is free.

    A queued instant is only a time to look: whoever's `due` has moved on meanwhile is queued again.
    So a reading every few seconds that pushes a silence deadline along costs nothing here.
    """

    def __init__(self) -> None:
        self._heap: list[tuple[int, int, Timed]] = []
        self._queued: dict[int, int] = {}
        self.next_t: float = float("inf")

    def set(self, item: Timed) -> None:
        """Queue the item's `due` unless a look at it no later than that is queued already."""
        due = item.due
        if due is None:
            return
        queued = self._queued.get(item.order)
        if queued is not None and queued <= due:
            return
        self._queued[item.order] = due
        heapq.heappush(self._heap, (due, item.order, item))
        self.next_t = self._heap[0][0]

    def pop(self, to: int) -> Timed | None:
        """Give the next item that is due at or before `to`, or None. Its `due` is left as it is."""
        while self._heap and self._heap[0][0] <= to:
            t, order, item = heapq.heappop(self._heap)
            if self._queued.get(order) == t:
                del self._queued[order]
            self.next_t = self._heap[0][0] if self._heap else float("inf")
            if item.due == t:
                return item
            self.set(item)
        return None
