"""The way back: an engine's state from before what could not be judged."""

import pickle
from typing import Any

from cabinetwatch.watch.entry import Entry
from cabinetwatch.watch.reading import Reading
from cabinetwatch.watch.refusals import Refusal

MOST_SINCE = 16_000
"""Inputs after which the state is kept anew: some 3 MB, and a third of a second to go back."""
MANY_SINCE = 500
"""After a way back that was longer than this it is kept anew: the next may come soon."""

Waited = tuple[int, str, float]
"""A reading with a time of its own (watch ms): sensor and value."""
Passed = tuple[int, int | Waited | None]
"""What fell due and is not judged: the instant, and the order of a deadline, a reading that had
waited, or None for all of that instant."""


class RestorePoint:
    """The engine as it once stood, and what it has been told since.

    An input costs an entry in a list, so the hot path hardly notices. Judging is deterministic: the
    same inputs, again, give the state as if the bad one had never come.
    """

    def __init__(self) -> None:
        self.since: list[Reading | Entry | Refusal] = []
        self.passed: dict[Passed, str] = {}
        """What fell due since and could not be judged, and why."""
        self._kept: bytes | None = None
        self._advanced: tuple[int, int] | None = None

    def keep(self, state: dict[str, Any]) -> None:
        """Let this be where a way back begins."""
        # Pickle copies what the engine goes on changing. It never leaves this process.
        self._kept = pickle.dumps(state, protocol=pickle.HIGHEST_PROTOCOL)
        self.since.clear()
        self.passed.clear()
        self._advanced = None

    def kept(self) -> dict[str, Any] | None:
        """Give what was kept; None: an engine that had been told nothing."""
        if self._kept is None:
            return None
        state: dict[str, Any] = pickle.loads(self._kept)  # noqa: S301 - our own, from memory
        return state

    def advanced(self, to: int) -> None:
        """Time was let pass up to and including an instant, after the last input."""
        self._advanced = to, len(self.since)

    @property
    def advanced_to(self) -> int | None:
        """How far time was let pass since the last input; None where it was not."""
        if self._advanced is None or self._advanced[1] != len(self.since):
            return None
        return self._advanced[0]
