"""A row of first-order low-pass filters fed with one signal at irregular steps."""

from __future__ import annotations

from collections.abc import Sequence
from math import exp

from cabinetwatch.thermal.bounds import check, check_positive


class LowPassRow:
    """First-order low passes with the time constants `poles_s`, all fed with the same signal.

    The signal is given as its mean over a step; each filter takes it with the exact gain
    `1 - exp(-dt/tau)`, so the length of the steps doesn't matter.
    ValueError for figures that can't be reckoned with, and for steps below 0.
    """

    __slots__ = ("_gains", "_step_ms", "poles_s", "values")

    def __init__(self, poles_s: Sequence[float], value: float = 0.0) -> None:
        check(value)
        check_positive(*poles_s)
        self.poles_s = list(poles_s)
        self.values = [value] * len(self.poles_s)
        self._step_ms = -1
        self._gains: list[float] = []

    def settle(self, value: float) -> None:
        """Put all filters at `value`, as if the signal had stood there for ever."""
        check(value)
        self.values = [value] * len(self.poles_s)

    def advance(self, step_ms: int, mean: float) -> list[float]:
        """Take the signal's mean over `step_ms` and return the filters' values after it."""
        check(mean)
        if step_ms < 0:
            raise ValueError(f"time doesn't go back, by {-step_ms} ms")
        if step_ms != self._step_ms:
            step_s = step_ms / 1000.0
            self._gains = [1.0 - exp(-step_s / pole_s) for pole_s in self.poles_s]
            self._step_ms = step_ms
        self.values = [v + g * (mean - v) for v, g in zip(self.values, self._gains, strict=True)]
        return self.values
