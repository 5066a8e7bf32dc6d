"""Ambient as a device feels it: passed through the device's own first-order response."""

import math
from typing import Any


class LaggedAmbient:
    """A first-order lag, exact for an input that runs in straight lines between its readings.

    y' = (u - y) / tau; for u(t) = u1 - slope (t1 - t) the solution over one step of length d is
    y1 = u1 - slope tau + (y0 - u0 + slope tau) exp(-d / tau). Source: any text on linear systems;
    with a level input it is the exponential of the first-order step response.
    """

    __slots__ = ("_last_c", "_t", "felt_c", "time_constant_s")

    def __init__(self, time_constant_s: float) -> None:
        self.time_constant_s = time_constant_s
        self.felt_c: float | None = None
        self._last_c = 0.0
        self._t = 0

    def update(self, t: int, ambient_c: float) -> None:
        """Take an ambient reading (degC) at `t` (ms); one from the past is passed over."""
        if self.felt_c is None:
            self.felt_c = ambient_c
        elif t > self._t:
            step_s = (t - self._t) / 1000.0
            carry_k = (ambient_c - self._last_c) / step_s * self.time_constant_s
            decay = math.exp(-step_s / self.time_constant_s)
            self.felt_c = ambient_c - carry_k + (self.felt_c - self._last_c + carry_k) * decay
        else:
            return
        self._last_c = ambient_c
        self._t = t

    def save(self) -> dict[str, Any]:
        """Give the state as JSON-able values."""
        return {"felt_c": self.felt_c, "last_c": self._last_c, "t": self._t}

    def load(self, state: dict[str, Any]) -> None:
        """Go on from a saved state."""
        self.felt_c = state["felt_c"]
        self._last_c = state["last_c"]
        self._t = state["t"]
