"""Tells readings from wild values: ranges, fault codes, impossible steps.

A value that was reached in ordinary steps is a reading, whatever it is: a device that warms past
its sensor's range, or through the value of a fault code, is believed. A wild value is set aside
until it is confirmed; three in a row, or three among the last ten, make the sensor implausible.
"""

from __future__ import annotations

from collections.abc import Sequence
from enum import Enum
from math import isfinite
from typing import Any

IN_A_ROW = 3
AMONG = 10
DEFAULT_STEP_PER_S = 2.0
_NEAR_STEPS = 8.0
_NEAR_FLOOR = 1.0
_SPIKE_STEPS = 12.0
_SPIKE_FLOOR = 3.0
_SPIKE_PER_S = 0.2
_PACE = 0.05


class Quality(Enum):
    """What to do with a value: judge it, leave it aside, or leave it aside and tell."""

    GOOD = "good"
    SET_ASIDE = "set aside"
    BAD = "bad"


class ValueFilter:
    """Judges the values of one sensor, one after the other.

    `lowest`, `highest`: its range; `fault_codes` are compared with the payload's own figure;
    `max_step_per_s`: what is physically impossible. `spikes` adds a test against the sensor's own
    usual steps, for temperatures: a sudden step waits for the next value to confirm it.
    """

    __slots__ = (
        "_last", "_last_ms", "_recent", "_row", "_suspect", "_usual", "fault_codes", "highest",
        "implausible", "lowest", "max_step_per_s", "reason", "since_ms", "spikes",
    )  # fmt: skip

    def __init__(
        self,
        lowest: float | None = None,
        highest: float | None = None,
        fault_codes: Sequence[float] = (),
        max_step_per_s: float | None = None,
        spikes: bool = True,
    ) -> None:
        self.lowest = lowest
        self.highest = highest
        self.fault_codes = tuple(fault_codes)
        self.max_step_per_s = DEFAULT_STEP_PER_S if max_step_per_s is None else max_step_per_s
        self.spikes = spikes
        self._last: float | None = None
        self._last_ms = 0
        self._usual = 0.1
        self._suspect: float | None = None
        self._row = 0
        self._recent = 0
        self.implausible = False
        self.since_ms = 0
        self.reason = ""

    def judge(self, t_ms: int, value: float, payload_value: float | None = None) -> Quality:
        """Judge the next value; `payload_value` is the figure as sent, where it differs."""
        step = 0.0 if self._last is None else abs(value - self._last)
        near = self._last is not None and step <= max(_NEAR_FLOOR, _NEAR_STEPS * self._usual)
        elapsed_s = max(0.001, (t_ms - self._last_ms) / 1000.0)
        code = value if payload_value is None else payload_value
        reason = self._why_wild(value, code, elapsed_s, near=near)
        if reason:
            return self._wild(t_ms, reason)
        tested = self._last is not None and self.spikes and not near
        if tested and self._is_spike(value, step, elapsed_s):
            self._suspect = value
            return Quality.SET_ASIDE
        return self._accept(t_ms, value)

    def _why_wild(self, value: float, code: float, elapsed_s: float, *, near: bool) -> str:
        """Say why a value can't be true; empty when it can."""
        last = self._last
        if not isfinite(value):
            return "not a number"
        if code in self.fault_codes and not near:
            return "fault code"
        if self._outside(value) and not near:
            return "outside its range"
        most = max(_NEAR_FLOOR, self.max_step_per_s * elapsed_s)
        if last is not None and not self._outside(last) and abs(value - last) > most:
            return "impossible step"
        return ""

    def _outside(self, value: float) -> bool:
        below = self.lowest is not None and value < self.lowest
        above = self.highest is not None and value > self.highest
        return below or above

    def _is_spike(self, value: float, step: float, elapsed_s: float) -> bool:
        """A sudden step that the value before it doesn't confirm."""
        if step <= max(_SPIKE_FLOOR, _SPIKE_STEPS * self._usual, _SPIKE_PER_S * elapsed_s):
            return False
        suspect = self._suspect
        return suspect is None or abs(value - suspect) > 0.5 * step

    def _accept(self, t_ms: int, value: float) -> Quality:
        if self._last is not None:
            self._usual += _PACE * (
                min(abs(value - self._last), 4.0 * self._usual + 0.05) - self._usual
            )
        self._last, self._last_ms = value, t_ms
        self._suspect = None
        self._row = 0
        self._recent = (self._recent << 1) & ((1 << AMONG) - 1)
        if self.implausible and self._recent.bit_count() < IN_A_ROW:
            self.implausible = False
        return Quality.BAD if self.implausible else Quality.GOOD

    def _wild(self, t_ms: int, reason: str) -> Quality:
        if self._row == 0 and not self.implausible:
            self.since_ms = t_ms
        self._row += 1
        self._recent = ((self._recent << 1) | 1) & ((1 << AMONG) - 1)
        if self._row >= IN_A_ROW or self._recent.bit_count() >= IN_A_ROW:
            self.implausible = True
            self.reason = reason
        return Quality.BAD if self.implausible else Quality.SET_ASIDE

    def save(self) -> dict[str, Any]:
        """State for `load`."""
        return {name.lstrip("_"): getattr(self, name) for name in _STATE}

    def restore(self, state: dict[str, Any]) -> None:
        """Take over a saved state; range and codes stay as configured."""
        for name in _STATE:
            setattr(self, name, state[name.lstrip("_")])


_STATE = (
    "_last", "_last_ms", "_recent", "_row", "_suspect", "_usual", "implausible", "reason",
    "since_ms",
)  # fmt: skip
