"""The step in which a sensor counts, learnt from its values."""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite


@dataclass(slots=True)
class Resolution:
    """Smallest difference seen between neighbouring values (K); 0 until two differ."""

    last: float | None = None
    step: float = 0.0

    def take(self, value: float) -> None:
        """Look at the next value; what is no number counts in no steps."""
        if not isfinite(value):
            return
        if self.last is not None:
            change = abs(value - self.last)
            if change > 1e-3 and (self.step == 0.0 or change < self.step - 1e-6):
                self.step = min(change, 1.0)
        self.last = value
