"""Sequential test: is the rise higher than it could be with the cooling in order?

The test carries the highest rise that sound cooling explains. That ceiling relaxes, with the
device's own time constant, towards the highest normal settled rise; whenever the rise is found
below it, the ceiling is pulled down to it, for no sound cooling goes up from there faster than the
ceiling does. The distance of the rise above the ceiling is a cumulative sum of what sound cooling
can't explain, reset at zero (Page 1954, Biometrika 41, 100-115, with the allowance in kelvin
instead of sigmas); its last zero is the estimated time of the change. With `sign = -1` it tests for
a rise that is too low.

A fall that no load explains is a door or a cover that was opened. Its end brings the rise back as
fast, so the ceiling isn't pulled down by it: a second bound, on the other side, tells such falls.
Nor is the ceiling ever pulled below the usual level of late: to come back there is no alarm.
"""

from __future__ import annotations

from math import exp
from typing import Any

from cabinetwatch.thermal.bounds import check, check_positive

_USUAL_TAUS = 5.0


class Envelope:
    """The ceiling (sign 1) or floor (sign -1) of what is normal, and how far it is passed.

    `score` is the distance beyond it over the limit: 1 or more is a detection. `beyond_k` is the
    same in kelvin, of the higher of two levels in a row.
    """

    __slots__ = (
        "_bound_k", "_gains", "_last_k", "_other_k", "_step_s", "_tau_s", "_usual_k", "beyond_k",
        "score", "sign", "since_ms", "standing",
    )  # fmt: skip

    def __init__(self, sign: int = 1) -> None:
        self.sign = sign
        self._bound_k: float | None = None
        self._other_k = 0.0
        self._usual_k: float | None = None
        self._last_k = 0.0
        self._step_s = self._tau_s = 0.0
        self._gains = (0.0, 0.0, 0.0)
        self.since_ms = 0
        self.score = self.beyond_k = 0.0
        self.standing = False

    def reset(self, t_ms: int) -> None:
        """Begin anew: where the rise comes from isn't known, only its usual level of late."""
        self._bound_k = None
        self.since_ms = t_ms
        self.score = 0.0
        self.standing = False

    def shift(self, level_k: float) -> None:
        """Levels are counted from elsewhere from now on: add this to those known.

        Raises:
            ValueError: a figure that can't be reckoned with.
        """
        check(level_k)
        level = self.sign * level_k
        self._last_k += level
        self._other_k += level
        if self._bound_k is not None:
            self._bound_k += level
        if self._usual_k is not None:
            self._usual_k += level

    def advance(
        self,
        t_ms: int,
        step_s: float,
        level_k: float,
        goals_k: tuple[float, float],
        doubt_k: float,
        limit_k: float,
        tau_s: float,
    ) -> None:
        """Take a level; `goals_k` are the extreme settled rises that are still normal.

        First the one that the test is about, then the one on the other side. `doubt_k` is how far
        the level may be wrong for reasons other than noise, `limit_k` how far beyond the bound it
        must be to count. Two levels in a row must agree, so that no single reading moves anything.

        Raises:
            ValueError: figures that can't be reckoned with, a time constant or limit not above 0.
        """
        check(step_s, level_k, goals_k[0], goals_k[1], doubt_k)
        check_positive(limit_k, tau_s)
        step_s = max(step_s, 0.0)
        sign = self.sign
        level = sign * level_k
        goal, other_goal = sign * goals_k[0], sign * goals_k[1]
        bound, other = self._bound_k, self._other_k
        gain, slow_gain, usual_gain = self._gains_for(step_s, tau_s)
        if bound is None:
            bound, other = max(goal, level + doubt_k), min(other_goal, level - doubt_k)
            self._last_k = level
            self.since_ms = t_ms
        else:
            bound += (goal - bound) * (gain if goal > bound else slow_gain)
            other += (other_goal - other) * (gain if other_goal < other else slow_gain)
        higher, lower = (level, self._last_k) if level > self._last_k else (self._last_k, level)
        self._last_k = level
        other = max(other, lower - doubt_k)
        self._other_k = other
        explained = level + doubt_k > other - limit_k
        usual = min(level, goal) if self._usual_k is None else self._usual_k
        if explained:
            usual += usual_gain * (min(level, bound) - usual)
        self._usual_k = usual
        if higher + doubt_k <= bound:
            self.since_ms = t_ms
            if explained:
                bound = max(higher + doubt_k, min(bound, usual))
        self._bound_k = bound
        self.beyond_k = higher - doubt_k - bound
        self.score = (lower - doubt_k - bound) / limit_k
        if self.score >= 1.0:
            self.standing = True
        elif self.standing and self.score <= 0.0:
            self.standing = False

    def _gains_for(self, step_s: float, tau_s: float) -> tuple[float, float, float]:
        """Shares of the way gone in a step: a bound to its goal, and back; the usual level."""
        if step_s != self._step_s or tau_s != self._tau_s:
            self._step_s, self._tau_s = step_s, tau_s
            times = (1.0, 2.0, _USUAL_TAUS)
            first, second, third = (1.0 - exp(-step_s / (n * tau_s)) for n in times)
            self._gains = (first, second, third)
        return self._gains

    def save(self) -> dict[str, Any]:
        """State for `load`."""
        return {name.lstrip("_"): getattr(self, name) for name in _STATE}

    @classmethod
    def load(cls, state: dict[str, Any]) -> Envelope:
        """The test as it was at `save`."""
        new = cls()
        for name in _STATE:
            setattr(new, name, state[name.lstrip("_")])
        return new


_STATE = ("_bound_k", "_last_k", "_other_k", "_usual_k", "score", "sign", "since_ms", "standing")
