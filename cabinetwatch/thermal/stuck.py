"""Finds a sensor that is frozen while the world around it moved."""

from __future__ import annotations

from math import isfinite
from typing import Any

FEWEST_REPEATS = 12
WITNESS_MOVED_K = 2.0
_MORE_THAN_USUAL = 2.0
_SHORTEST_MS = 600_000


class StuckWatch:
    """Compares how often a value has repeated with how far a witness has moved meanwhile.

    The witness is what should move with the sensor: for a device's temperature the ambient it feels
    plus its load's normal rise, for an ambient the mean of the other temperatures around. A sensor
    is stuck when its value has stood while the witness moved by `moved`, and by twice as much as it
    ever did while the sensor stood in good order. Without a witness, or while that rests, a sensor
    is never stuck.
    """

    __slots__ = (
        "_high", "_low", "_most_moved", "_repeats", "_value", "_value_ms", "moved",
        "since_ms", "stuck",
    )  # fmt: skip

    def __init__(self, moved: float = WITNESS_MOVED_K) -> None:
        self.moved = moved
        self._value: float | None = None
        self._value_ms = 0
        self._repeats = 0
        self._most_moved = 0.0
        self._low: float | None = None
        self._high: float | None = None
        self.stuck = False
        self.since_ms = 0

    def observe(self, t_ms: int, value: float, witness: float | None) -> bool:
        """Take a value and its witness; returns whether the sensor is stuck.

        A value or witness that is no number is none.
        """
        if witness is not None and not isfinite(witness):
            witness = None
        if value != self._value:
            self._moved_on(t_ms, value, witness)
            return False
        self._repeats += 1
        if witness is None:
            return self.stuck
        low, high = self._low, self._high
        self._low = low = witness if low is None or witness < low else low
        self._high = high = witness if high is None or witness > high else high
        stood_ms = t_ms - self._value_ms
        if (
            self._repeats >= FEWEST_REPEATS
            and high - low >= max(self.moved, _MORE_THAN_USUAL * self._most_moved)
            and stood_ms >= _SHORTEST_MS
        ):
            self.stuck = True
            self.since_ms = self._value_ms
        return self.stuck

    def _moved_on(self, t_ms: int, value: float, witness: float | None) -> None:
        if self._low is not None and self._high is not None and not self.stuck:
            self._most_moved = max(self._most_moved, self._high - self._low)
        self._value, self._value_ms = value if isfinite(value) else None, t_ms
        self._repeats = 0
        self._low = self._high = witness
        self.stuck = False

    def save(self) -> dict[str, Any]:
        """State for `load`."""
        return {name.lstrip("_"): getattr(self, name) for name in self.__slots__}

    @classmethod
    def load(cls, state: dict[str, Any]) -> StuckWatch:
        """The watch as it was at `save`."""
        new = cls()
        for name in cls.__slots__:
            setattr(new, name, state[name.lstrip("_")])
        return new
