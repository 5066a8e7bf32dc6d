"""The value filter, which tells readings from wild values, and the watch on frozen sensors.

A value that was reached in ordinary steps is a reading, whatever it is: a device that warms past
its sensor's range, or through the value of a fault code, is believed. A wild value is set aside
until it is confirmed; three in a row, or three among the last ten, make the sensor implausible.
Beyond what its quantity can be at all nothing is a reading.
"""

from __future__ import annotations

from collections.abc import Sequence
from enum import Enum
from math import inf, isfinite
from typing import NamedTuple

from cabinetwatch.config.values import Span
from cabinetwatch.thermal.windows import SMALLEST, Kept, check

STEADY_AFTER = 10
"""A lone wild value is told by the steady ones before it: by so many, our choice."""

STEADY_STEP = 3.0
"""A temperature (K) or humidity (%RH) that steps by less from reading to reading is steady."""

IN_A_ROW = 3
AMONG = 10
DEFAULT_STEP_PER_S = 2.0
_NEAR_STEPS = 8.0
_NEAR_GRAINS = 1.0
_SPIKE_STEPS = 12.0
_SPIKE_GRAINS = 3.0
_SPIKE_GRAINS_PER_S = 0.2
_PACE = 0.05
_USUAL_GRAINS, _MORE_GRAINS = 0.1, 0.05
_LAST_READINGS = (1 << AMONG) - 1


class Manner(NamedTuple):
    """How the values of a quantity go from one to the next.

    `grain`: a step below it says nothing of a fault. What `leaps` may be at quite another level
    from one reading to the next and stay there, so that the next reading on the same side confirms
    a leap; and where `falls` are ordinary (a plug switched off, a fan that stands) they need none.
    """

    grain: float
    leaps: bool = False
    falls: bool = False


MANNERS = {
    "temperature": Manner(1.0),
    "humidity": Manner(1.0),
    "power": Manner(30.0, leaps=True, falls=True),
    "fan-speed": Manner(100.0, leaps=True, falls=True),
    "sound-level": Manner(5.0, leaps=True),
}
"""By quantity, in its kept unit; our choice: what sensors for a house differ by at rest."""


class Quality(Enum):
    """What to do with a value: judge it, leave it aside, or leave it aside and tell."""

    GOOD = "good"
    SET_ASIDE = "set aside"
    BAD = "bad"


_GOOD = Quality.GOOD


class ValueFilter(Kept):
    """Judges the values of one sensor, one after the other.

    `lowest`, `highest`: its range; `fault_codes` are compared with the payload's own figure;
    `max_step_per_s`: what is physically impossible; `possible`: what its quantity is never beyond.
    `spikes` adds a test for values that stand alone: a sudden step, by the sensor's own usual ones,
    waits for the next value to confirm it. Of what doesn't leap only a sensor that has been steady
    is tested: one that has just come, or that somebody carries about, may step as it likes.
    """

    __slots__ = (
        "_good", "_grain", "_last", "_last_ms", "_leaps", "_more", "_recent", "_row", "_steady",
        "_suspect", "_usual", "fault_codes", "highest", "implausible", "lowest", "manner",
        "max_step_per_s", "possible", "reason", "since_ms", "spikes",
    )  # fmt: skip
    # Range and codes stay as configured.
    kept = (
        "_last", "_last_ms", "_leaps", "_recent", "_row", "_steady", "_suspect", "_usual",
        "implausible", "reason", "since_ms",
    )  # fmt: skip

    def __init__(
        self,
        lowest: float = -inf,
        highest: float = inf,
        fault_codes: Sequence[float] = (),
        max_step_per_s: float = DEFAULT_STEP_PER_S,
        spikes: bool = True,
        manner: Manner = MANNERS["temperature"],
        possible: Span = (-1e9, 1e9),
    ) -> None:
        self.lowest = lowest
        self.highest = highest
        self.fault_codes = tuple(fault_codes)
        self.max_step_per_s = max_step_per_s
        self.spikes = spikes
        self.manner = manner
        self.possible = possible
        self._grain = _NEAR_GRAINS * manner.grain
        self._more = _MORE_GRAINS * manner.grain
        self._last: float | None = None
        self._last_ms = 0
        self._usual = _USUAL_GRAINS * manner.grain
        self._suspect: float | None = None
        self._good: float | None = None
        """While it is implausible, the last value from before; else None."""
        self._steady = 0
        self._row = 0
        self._recent = 0
        self._leaps = 0
        self.implausible = False
        self.since_ms = 0
        self.reason = ""

    def judge(self, t_ms: int, value: float, payload_value: float | None = None) -> Quality:
        """Judge the next value; `payload_value` is the figure as sent, where it differs."""
        last = self._last
        lowest, highest = self.possible
        if not lowest <= value <= highest:
            return self._wild(t_ms, "outside its range" if abs(value) < inf else "not a number")
        step = inf if last is None else value - last if value >= last else last - value
        near = step <= _NEAR_STEPS * self._usual
        if step <= self._grain or (near and self.max_step_per_s == inf):
            # Most readings: nothing is wild that is so near.
            return self._accept(t_ms, value, step)
        elapsed_s = max(0.001, (t_ms - self._last_ms) / 1000.0)
        code = value if payload_value is None else payload_value
        reason = self._why_wild(value, code, elapsed_s, near=near)
        if reason:
            return self._wild(t_ms, reason)
        steady = self._steady >= STEADY_AFTER or self.manner.leaps
        tested = last is not None and self.spikes and steady and not near
        if tested and self._is_spike(value, elapsed_s):
            self._suspect = value
            return Quality.SET_ASIDE
        return self._accept(t_ms, value, step)

    def may_be(self, value: float) -> bool:
        """Whether a value is within the range, whatever was before it."""
        lowest, highest = self.possible
        return lowest <= value <= highest and self.lowest <= value <= self.highest

    def _why_wild(self, value: float, code: float, elapsed_s: float, *, near: bool) -> str:
        """Say why a value can't be true; empty when it can."""
        last, lowest, highest = self._last, self.lowest, self.highest
        if code in self.fault_codes and not near:
            return "fault code"
        if not lowest <= value <= highest and not near:
            return "outside its range"
        most = max(self._grain, self.max_step_per_s * elapsed_s)
        if last is not None and lowest <= last <= highest and abs(value - last) > most:
            return "impossible step"
        return ""

    def _is_spike(self, value: float, elapsed_s: float) -> bool:
        """A sudden step that nothing confirms yet."""
        last, suspect, grain = self._last or 0.0, self._suspect, self.manner.grain
        step = value - last
        least = max(_SPIKE_GRAINS * grain, _SPIKE_STEPS * self._usual)
        if self.manner.leaps:
            if self.manner.falls:
                # What no more than doubles is an ordinary load.
                step, least = max(step, 0.0), max(least, last)
            if abs(step) <= least:
                return False
            # Three among the last ten don't stand alone either.
            self._leaps |= 1
            confirmed = suspect is not None and (suspect - last) * step > 0.0
            return not confirmed and self._leaps.bit_count() < IN_A_ROW
        if abs(step) <= max(least, _SPIKE_GRAINS_PER_S * grain * elapsed_s):
            return False
        return suspect is None or abs(value - suspect) > 0.5 * abs(step)

    def _accept(self, t_ms: int, value: float, step: float) -> Quality:
        """Take a value for a reading; learn from it what step is usual."""
        if self._last is not None:
            usual = self._usual
            most = 4.0 * usual + self._more
            self._usual = usual + _PACE * ((step if step < most else most) - usual)
        before, self._last, self._last_ms = self._last, value, t_ms
        if self._recent or self._leaps or self._suspect is not None:
            # Good after some that were not.
            self._suspect = None
            self._row = 0
            self._leaps = (self._leaps << 1) & _LAST_READINGS
            self._recent = (self._recent << 1) & _LAST_READINGS
            if self.implausible:
                if self._good is None:
                    self._good = before
                if self._recent.bit_count() >= IN_A_ROW:
                    return Quality.BAD
                self.implausible = False
        if self._good is not None:
            # What was read while it was implausible is no step of it.
            step, self._good = abs(value - self._good), None
        if step >= STEADY_STEP:
            self._steady = 0
        elif self._steady < STEADY_AFTER:
            self._steady += 1
        return _GOOD

    def _wild(self, t_ms: int, reason: str) -> Quality:
        if self._row == 0 and not self.implausible:
            self.since_ms = t_ms
        self._row += 1
        self._recent = ((self._recent << 1) | 1) & _LAST_READINGS
        if self._row >= IN_A_ROW or self._recent.bit_count() >= IN_A_ROW:
            self.implausible = True
            self.reason = reason
        return Quality.BAD if self.implausible else Quality.SET_ASIDE


FEWEST_REPEATS = 12
WITNESS_MOVED_K = 2.0
_MORE_THAN_USUAL = 2.0
_SHORTEST_MS = 600_000
FLICKER_STEPS, MOST_FLICKER_K = 2.0, 0.25
"""A sensor that is stuck flickers by a step up and down at most, and by no more than this (our
choice): of a coarse sensor each step is a movement."""

_DOUBTFUL = 0.5
"""By this share of what tells a stuck sensor its witness moves before it is doubted: our choice."""


class StuckWatch(Kept):
    """Compares how long a value has stood with how far a witness has moved meanwhile.

    The witness is what should move with the sensor: for a device's temperature what its model
    expects of it, for an ambient the temperatures around, less what their loads add. With the
    `step` of the sensor a value stands while all of it lies within a flicker between neighbouring
    steps; without, while it is the same. It is stuck when the witness moved meanwhile by `moved`
    and two steps, and by twice as much as it ever did while the sensor stood in good order: what
    the model doesn't know (a load without a meter, a fan that follows the temperature) has shown
    there how far it may hold a value against its witness. In good order was also one that goes on
    from where it stuck: one that comes back jumps to what it missed. Without a witness, or while
    that rests, a sensor is never stuck.
    """

    __slots__ = kept = (
        "_high", "_highest", "_low", "_lowest", "_most_moved", "_repeats", "_value_ms", "moved",
        "since_ms", "stuck",
    )  # fmt: skip

    def __init__(self, moved: float = WITNESS_MOVED_K) -> None:
        check(moved)
        self.moved = moved
        self._lowest: float | None = None
        self._highest = 0.0
        self._value_ms = 0
        self._repeats = 0
        self._most_moved = 0.0
        self._low: float | None = None
        self._high: float | None = None
        self.stuck = False
        self.since_ms = 0

    def observe(self, t_ms: int, value: float, witness: float | None, step: float = 0.0) -> bool:
        """Take a value and its witness; returns whether the sensor is stuck.

        A value or witness that is no number is none.
        """
        if witness is not None and not isfinite(witness):
            witness = None
        if not self.stands(value, step):
            self.end(value, step)
            known = isfinite(value)
            self._lowest, self._highest = (value, value) if known else (None, 0.0)
            self._value_ms, self._repeats = t_ms, 0
            self._low = self._high = witness
            return False
        lowest = self._lowest
        self._lowest = value if lowest is None or value < lowest else lowest
        self._highest = max(self._highest, value)
        self._repeats = repeats = self._repeats + 1
        if witness is None:
            return self.stuck
        low, high = self._low, self._high
        self._low = low = witness if low is None or witness < low else low
        self._high = high = witness if high is None or witness > high else high
        if repeats < FEWEST_REPEATS or t_ms - self._value_ms < _SHORTEST_MS:
            return self.stuck
        if high - low >= self._needed(step):
            self.stuck = True
            self.since_ms = self._value_ms
        return self.stuck

    def begin(self) -> None:
        """Begin anew with the next value: the witness is reckoned otherwise from now on."""
        self._lowest = self._low = self._high = None
        self.stuck = False

    def end(self, value: float, step: float = 0.0) -> None:
        """Begin anew at a value that has moved: what the witness did while it stood is usual."""
        if self._lowest is not None and self._low is not None and self._high is not None:
            jump = max(self._lowest - value, value - self._highest)
            if not self.stuck or jump <= FLICKER_STEPS * step:
                self._most_moved = max(self._most_moved, self._high - self._low)
        self.begin()

    def stands(self, value: float, step: float = 0.0) -> bool:
        """Whether with this value, too, all since the last movement lies within a flicker."""
        lowest, highest = self._lowest, self._highest
        if lowest is None or not isfinite(value):
            return False
        if value < lowest:
            span = highest - value
        else:
            span = (value if value > highest else highest) - lowest
        return span <= SMALLEST or (span <= MOST_FLICKER_K + SMALLEST and span <= flicker_k(step))

    def is_doubtful(self, step: float = 0.0) -> bool:
        """Whether the witness has moved so far that a value that stands may be no reading."""
        if self._low is None or self._high is None:
            return False
        return self._high - self._low >= _DOUBTFUL * self._needed(step)

    def _needed(self, step: float) -> float:
        return max(self.moved + FLICKER_STEPS * step, _MORE_THAN_USUAL * self._most_moved)


def flicker_k(step: float) -> float:
    """How far apart the readings of a stuck sensor of this step (K) may lie.

    ValueError for a step that can't be reckoned with.
    """
    check(step)
    return min(FLICKER_STEPS * step, MOST_FLICKER_K) + SMALLEST
