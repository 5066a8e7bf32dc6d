"""What a device's load was seen to do before anything is learnt, when its power isn't known.

A rise commissioned without power is that of one load. A heavier one looks like lost cooling at
first, and is told so; but unlike a stalled fan it goes by itself. How high it came is therefore
held from then on to be within what the device does.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

from cabinetwatch.thermal.bounds import check

_GONE = 0.5
"""An excursion is over when it has lost this share of its height."""

_LEAST = 0.1
"""Excursions lower than this share of the commissioned rise are none."""

HIGHEST = 1.4
"""No more than this many times the commissioned rise is held for load (the band's guard comes on
top of it), or a stalled fan would hide in it."""


@dataclass(slots=True)
class Swings:
    """The highest excursion that has gone by itself, `top_k`, over the commissioned `rise_k`."""

    rise_k: float
    top_k: float = 0.0
    peak_k: float = 0.0

    def take(self, level_k: float) -> bool:
        """Take the rise of now; True when it has just come back from higher than was known.

        Raises:
            ValueError: a rise that can't be reckoned with.
        """
        check(level_k)
        self.peak_k = max(self.peak_k, level_k)
        height_k = self.peak_k - self.rise_k
        if height_k < _LEAST * self.rise_k or level_k > self.peak_k - _GONE * height_k:
            return False
        peak_k, self.peak_k = min(self.peak_k, HIGHEST * self.rise_k), 0.0
        known = peak_k <= self.top_k
        self.top_k = max(self.top_k, peak_k)
        return not known

    def save(self) -> dict[str, Any]:
        """State for `load`."""
        return asdict(self)

    @classmethod
    def load(cls, state: dict[str, Any]) -> Swings:
        """The swings as they were at `save`."""
        return cls(**state)
