"""Sequential test: is the rise higher than it could be with the cooling in order?

The test carries the highest rise that sound cooling explains. That ceiling relaxes, with the
device's own time constant, towards the highest normal settled rise; whenever the rise is found
below it, the ceiling is pulled down to it, for no sound cooling goes up from there faster than the
ceiling does. The distance of the rise above the ceiling is a cumulative sum of what sound cooling
can't explain, reset at zero (Page 1954, Biometrika 41, 100-115, with the allowance in kelvin
instead of sigmas); its last zero is the estimated time of the change. With `sign = -1` it tests for
a rise that is too low.
"""

from __future__ import annotations

from math import exp
from typing import Any


class Envelope:
    """The ceiling (sign 1) or floor (sign -1) of what is normal, and how far it is passed.

    `score` is the distance beyond it over the limit: 1 or more is a detection.
    """

    __slots__ = ("_bound_k", "_last_k", "score", "sign", "since_ms", "standing")

    def __init__(self, sign: int = 1) -> None:
        self.sign = sign
        self._bound_k: float | None = None
        self._last_k = 0.0
        self.since_ms = 0
        self.score = 0.0
        self.standing = False

    def reset(self, t_ms: int) -> None:
        """Begin anew: nothing is known about where the rise came from."""
        self._bound_k = None
        self.since_ms = t_ms
        self.score = 0.0
        self.standing = False

    def advance(
        self,
        t_ms: int,
        step_s: float,
        level_k: float,
        normal_goal_k: float,
        doubt_k: float,
        limit_k: float,
        tau_s: float,
    ) -> None:
        """Take a level; `normal_goal_k` is the extreme settled rise that is still normal.

        `doubt_k` is how far the level may be wrong for reasons other than noise, `limit_k` how far
        beyond the bound it must be to count. Two levels in a row must agree, so that no
        single reading moves anything.
        """
        sign = self.sign
        level = sign * level_k
        goal = sign * normal_goal_k
        bound = self._bound_k
        if bound is None:
            bound = max(goal, level + doubt_k)
            self._last_k = level
            self.since_ms = t_ms
        else:
            pace = tau_s if goal > bound else 2.0 * tau_s
            bound += (goal - bound) * (1.0 - exp(-step_s / pace))
        higher, lower = (level, self._last_k) if level > self._last_k else (self._last_k, level)
        self._last_k = level
        if higher + doubt_k <= bound:
            bound = higher + doubt_k
            self.since_ms = t_ms
        self._bound_k = bound
        self.score = (lower - doubt_k - bound) / limit_k
        if self.score >= 1.0:
            self.standing = True
        elif self.standing and self.score <= 0.0:
            self.standing = False

    def save(self) -> dict[str, Any]:
        """State for `load`."""
        return {name.lstrip("_"): getattr(self, name) for name in self.__slots__}

    @classmethod
    def load(cls, state: dict[str, Any]) -> Envelope:
        """The test as it was at `save`."""
        new = cls()
        for name in cls.__slots__:
            setattr(new, name, state[name.lstrip("_")])
        return new
