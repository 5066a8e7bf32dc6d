"""Sequential detection of lost cooling: cumulative sums and envelopes.

Sources: Page 1954, Biometrika 41, 100-115; Brook and Evans 1972, Biometrika 59, 539-549 (run length
as a Markov chain); Siegmund 1985, Sequential Analysis (approximation). Formulas from memory; the
tests hold the results against published tables.

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

Two tests share the budget: the envelope, quick on big changes, and a cumulative sum of means over
half a time constant, which finds small lasting ones. The means are far enough apart for their noise
to be independent, as the run-length formulas demand.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from math import erfc, exp, log, sqrt
from typing import Any

from cabinetwatch.thermal.windows import Finding, check, check_positive, checked

_MOST = 100.0
"""Allowances, limits and shifts are in sigmas: no test has one beyond this."""
_MOST_EXPONENT = 600.0
_FEWEST_STATES, _MOST_STATES = 4, 1000
_LEAST_ALLOWANCE = 0.01


@dataclass(slots=True)
class Cusum:
    """One-sided cumulative sum of (z - k), kept at zero or above.

    `run` counts the samples since it last stood at zero: the change is dated at its start.
    """

    k: float
    value: float = 0.0
    run: int = 0

    def add(self, z: float) -> float:
        """Take one standardised sample and return the sum.

        Raises:
            ValueError: a sample that can't be reckoned with.
        """
        check(z)
        self.value = max(0.0, self.value + z - self.k)
        self.run = self.run + 1 if self.value > 0.0 else 0
        return self.value

    def cap(self, limit: float) -> None:
        """Let no more evidence stand than was needed, so that what ends is soon known to have.

        Raises:
            ValueError: a limit that can't be reckoned with, or below 0.
        """
        check(limit)
        if limit < 0.0:
            raise ValueError("the sum is kept at zero or above")
        self.value = min(self.value, limit)

    def save(self) -> dict[str, Any]:
        """State for `load`."""
        return {"k": self.k, "value": self.value, "run": self.run}

    @classmethod
    def load(cls, state: dict[str, Any]) -> Cusum:
        """The sum as it was at `save`."""
        return cls(state["k"], state["value"], state["run"])


def siegmund_run_length(k: float, h: float, shift: float = 0.0) -> float:
    """Average run length of the one-sided sum, in samples, by Siegmund's approximation.

    Raises:
        ValueError: a limit below 0, or what makes a run that can't be reckoned.
    """
    _check_sigmas(k, h, shift)
    b = h + 1.166
    d = shift - k
    if abs(d) < 1e-9:
        return b * b
    if -2.0 * d * b > _MOST_EXPONENT:
        raise ValueError("such a sum never raises falsely in any time that can be reckoned")
    return (exp(-2.0 * d * b) + 2.0 * d * b - 1.0) / (2.0 * d * d)


def _check_sigmas(k: float, h: float, shift: float) -> None:
    check(k, h, shift)
    if not (0.0 <= h <= _MOST and abs(k) <= _MOST and abs(shift) <= _MOST):
        raise ValueError(
            f"no sum has an allowance of {k:zg}, a limit of {h:zg} or {shift:zg} sigmas"
        )


def run_length(k: float, h: float, shift: float = 0.0, states: int = 60) -> float:
    """Average run length of the one-sided sum, in samples, for unit normal samples of mean `shift`.

    Brook and Evans with `states` states; extrapolated from two grids, since their error falls with
    the square of the cell's width.

    Raises:
        ValueError: a limit below 0, states not from 4 to 1000, or too long a run.
    """
    _check_sigmas(k, h, shift)
    if not _FEWEST_STATES <= states <= _MOST_STATES:
        raise ValueError(f"no chain has {states} states")
    coarse = _chain_run_length(k, h, shift, states // 2)
    fine = _chain_run_length(k, h, shift, states)
    ratio = ((2.0 * states - 1.0) / (2.0 * (states // 2) - 1.0)) ** 2
    return fine + (fine - coarse) / (ratio - 1.0)


def two_sided_run_length(k: float, h: float, shift: float = 0.0) -> float:
    """Average run length of the pair of sums: 1/ARL = 1/ARL+ + 1/ARL-; ValueError as above."""
    above, below = run_length(k, h, shift), run_length(k, h, -shift)
    if min(above, below) < 1.0:
        raise ValueError("no sum raises before its first sample: these figures lead astray")
    return 1.0 / (1.0 / above + 1.0 / below)


@lru_cache(maxsize=64)
def limit_for_run_length(samples: float, k: float = 0.5) -> float:
    """Limit h at which the one-sided sum raises falsely once in `samples` samples on average.

    Siegmund's formula solved by bisection: within 0.5 % of the exact run length from 1e4 samples
    up.

    Raises:
        ValueError: an allowance that isn't from 0.01 to 100 sigmas, or no number of samples.
    """
    check(samples)
    if not _LEAST_ALLOWANCE <= k <= _MOST:
        raise ValueError(f"no sum is made for an allowance of {k:zg} sigmas")
    low, high = 0.0, 4.0 + log(max(samples, 2.0)) / (2.0 * k) + 2.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        if siegmund_run_length(k, middle) < samples:
            low = middle
        else:
            high = middle
    return high


def normal_tail(z: float) -> float:
    """Probability that a unit normal value exceeds z; ValueError for what is no number."""
    check(z)
    return 0.5 * erfc(z / sqrt(2.0))


@lru_cache(maxsize=64)
def normal_quantile_of_tail(probability: float) -> float:
    """The z that a unit normal value exceeds with `probability` (0 < probability < 0.5).

    Raises:
        ValueError: another probability.
    """
    if not 0.0 < probability < 0.5:
        raise ValueError(f"a tail's probability lies between 0 and 0.5, not at {probability:zg}")
    low, high = 0.0, 40.0
    for _ in range(80):
        middle = 0.5 * (low + high)
        if normal_tail(middle) > probability:
            low = middle
        else:
            high = middle
    return high


def _chain_run_length(k: float, h: float, shift: float, states: int) -> float:
    """Solve (I - Q) L = 1 for the chain whose states are cells of the sum's value."""
    width = 2.0 * h / (2 * states - 1)
    below = [1.0 - normal_tail((j + 0.5) * width + k - shift) for j in range(-states, states)]

    def step_probability(i: int, j: int) -> float:
        upper = below[j - i + states]
        return upper if j == 0 else upper - below[j - i + states - 1]

    rows = [
        [(1.0 if i == j else 0.0) - step_probability(i, j) for j in range(states)] + [1.0]
        for i in range(states)
    ]
    return checked(_solve(rows)[0])


def _solve(rows: list[list[float]]) -> list[float]:
    """Gauss elimination without pivoting: I - Q is diagonally dominant."""
    n = len(rows)
    for i in range(n):
        pivot = rows[i]
        for lower in rows[i + 1 :]:
            if not pivot[i]:
                raise ValueError("such a sum never raises in any time that can be reckoned")
            factor = lower[i] / pivot[i]
            if factor:
                for j in range(i, n + 1):
                    lower[j] -= factor * pivot[j]
    answer = [0.0] * n
    for i in reversed(range(n)):
        rest = sum(rows[i][j] * answer[j] for j in range(i + 1, n))
        if not rows[i][i]:
            raise ValueError("such a sum never raises in any time that can be reckoned")
        answer[i] = (rows[i][n] - rest) / rows[i][i]
    return answer


_USUAL_TAUS = 5.0


class BoundTest:
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
    def load(cls, state: dict[str, Any]) -> BoundTest:
        """The test as it was at `save`."""
        new = cls()
        for name in _STATE:
            setattr(new, name, state[name.lstrip("_")])
        return new


_STATE = ("_bound_k", "_last_k", "_other_k", "_usual_k", "score", "sign", "since_ms", "standing")


YEAR_S = 365.25 * 86_400.0
_INDEPENDENT_S = 60.0
_PULL_SIGMAS = 2.5
"""The bound is the lowest of many levels: about this many sigmas below the true one."""

_QUICK_PULL_SIGMAS = 2.0
"""The same for single windows, whose noise is larger than that of the usual level below which no
bound is pulled."""

_LIMIT_FLOOR_K = 0.15
DOUBT_SIGMAS = 1.5
_EXCESS_MARGIN = 1.3
_SLOW_CLIP = 3.0
_SLOW_K = 0.5
_SLOW_SHORTEST_S = 120.0
_RETURN_LASTS_S = 600.0
"""A loss at the edge of the band (dust) must not come and go with the load."""

_MOST_SAMPLES, _RAREST = 1e12, 1e-30
_LOW_LASTS_S = 3600.0
"""A cabinet's door stands open for a while; a probe that has slipped stays where it is."""


class ChangeTest:
    """Has the settled rise left the normal band on one side (`sign` 1: above, -1: below)?

    ValueError for figures that can't be reckoned with, and for what isn't above 0 and should be.
    """

    __slots__ = (
        "_cusum",
        "_envelope",
        "_fast_limit_sigmas",
        "_last_seen_ms",
        "_limit",
        "_limit_tau_s",
        "_mean_doubt",
        "_mean_s",
        "_mean_sum",
        "_pending_ms",
        "_quick",
        "_quick_limit_sigmas",
        "_rate",
        "_slow_beyond",
        "_slow_since_ms",
        "_slow_standing",
        "finding",
        "sign",
    )  # fmt: skip

    def __init__(self, sign: int, false_alarms_per_year: float) -> None:
        self.sign = sign
        self._rate = false_alarms_per_year
        if not false_alarms_per_year > 0.0:
            raise ValueError(f"no test raises {false_alarms_per_year:zg} false alarms a year")
        instants = YEAR_S / _INDEPENDENT_S
        tail = max(_RAREST, min(0.2, 0.5 * false_alarms_per_year / instants))
        self._fast_limit_sigmas = normal_quantile_of_tail(tail) + _PULL_SIGMAS
        # Of single windows two in a row must be beyond, and their noise has nothing in common.
        self._quick_limit_sigmas = normal_quantile_of_tail(tail**0.5) + _QUICK_PULL_SIGMAS
        self._envelope = BoundTest(sign)
        self._quick = BoundTest(sign)
        self._cusum = Cusum(_SLOW_K)
        self._mean_sum = self._mean_s = self._mean_doubt = 0.0
        self._slow_standing = self._slow_beyond = False
        self._slow_since_ms = self._pending_ms = self._last_seen_ms = 0
        self._limit_tau_s = self._limit = 0.0
        self.finding = Finding()

    def reset(self, t_ms: int) -> None:
        """Forget all evidence."""
        self._envelope.reset(t_ms)
        self._quick.reset(t_ms)
        self._cusum = Cusum(_SLOW_K)
        self._mean_sum = self._mean_s = self._mean_doubt = 0.0
        self._slow_standing = self._slow_beyond = False
        self._slow_since_ms = self._pending_ms = t_ms
        self.finding = Finding(False, t_ms, 0.0)

    def shift(self, level_k: float) -> None:
        """Levels are counted from elsewhere from now on: add this to those known."""
        check(level_k)
        self._envelope.shift(level_k)
        self._quick.shift(level_k)
        self._mean_sum = self._mean_s = self._mean_doubt = 0.0

    def advance(
        self,
        t_ms: int,
        step_s: float,
        seen_k: float,
        noise_k: float,
        level_k: float,
        level_sd_k: float,
        normal_goal_k: float,
        other_goal_k: float,
        doubt_k: float,
        slow_sd_k: float,
        tau_s: float,
        excess_k: float,
        ceiling_tau_s: float,
    ) -> None:
        """Take the level, the extreme goals that are still normal, and what they may be off.

        `slow_sd_k` is the deviation that means over half a time constant show in ordinary life,
        `excess_k` how far ordinary life was seen to pass the bound that relaxes with
        `ceiling_tau_s`.
        """
        check(step_s, seen_k, noise_k, level_k, level_sd_k, normal_goal_k, other_goal_k, doubt_k)
        check(excess_k)
        check_positive(slow_sd_k, tau_s, ceiling_tau_s)
        step_s, level_sd_k, noise_k = max(step_s, 0.0), max(level_sd_k, 0.0), max(noise_k, 0.0)
        excess_k *= _EXCESS_MARGIN
        limit_k = max(excess_k, self._fast_limit_sigmas * level_sd_k + _LIMIT_FLOOR_K)
        envelope, quick = self._envelope, self._quick
        margin_k = DOUBT_SIGMAS * doubt_k
        goals_k = (normal_goal_k, other_goal_k)
        envelope.advance(t_ms, step_s, level_k, goals_k, margin_k, limit_k, ceiling_tau_s)
        limit_k = max(excess_k, self._quick_limit_sigmas * noise_k + _LIMIT_FLOOR_K)
        quick.advance(t_ms, step_s, seen_k, goals_k, margin_k, limit_k, ceiling_tau_s)
        self._mean_sum += step_s * (level_k - normal_goal_k)
        self._mean_doubt += step_s * doubt_k
        self._mean_s += step_s
        if self._mean_s >= max(0.5 * tau_s, _SLOW_SHORTEST_S):
            self._slow_step(t_ms, slow_sd_k, tau_s)
        self._conclude(t_ms, tau_s)

    def _conclude(self, t_ms: int, tau_s: float) -> None:
        """Sum up the tests; on the low side only what lasts counts."""
        envelope, quick, finding = self._envelope, self._quick, self.finding
        at_once = envelope.standing or quick.standing
        if at_once and not finding.standing and quick.score <= 0.0:
            # The filtered level may overshoot; the readings themselves must be beyond too.
            at_once = False
        # To be found, it must still be so: the slow test forgets only by and by what is over.
        seen = at_once or (self._slow_standing and (self._slow_beyond or finding.standing))
        if not seen:
            self._pending_ms = t_ms
        if self.sign < 0 and not finding.standing:
            seen = seen and t_ms - self._pending_ms >= 1000.0 * max(_LOW_LASTS_S, tau_s)
        was_standing = finding.standing
        if seen:
            self._last_seen_ms = t_ms
            finding.standing = True
        elif t_ms - self._last_seen_ms >= 1000.0 * max(_RETURN_LASTS_S, tau_s):
            finding.standing = False
        finding.certainty = max(
            envelope.score, quick.score, self._cusum.value / self._slow_limit(tau_s)
        )
        if finding.standing and not was_standing:
            if quick.standing:
                finding.since_ms = quick.since_ms
            elif envelope.standing:
                finding.since_ms = envelope.since_ms
            else:
                finding.since_ms = self._slow_since_ms

    def _slow_limit(self, tau_s: float) -> float:
        if tau_s == self._limit_tau_s:
            return self._limit
        self._limit_tau_s = tau_s
        self._limit = self._limit_for(tau_s)
        return self._limit

    def _limit_for(self, tau_s: float) -> float:
        samples = YEAR_S / max(0.5 * tau_s, _SLOW_SHORTEST_S)
        return limit_for_run_length(min(2.0 * samples / self._rate, _MOST_SAMPLES), _SLOW_K)

    def _slow_step(self, t_ms: int, slow_sd_k: float, tau_s: float) -> None:
        mean_k = self.sign * self._mean_sum / self._mean_s
        doubt_k = self._mean_doubt / self._mean_s
        z = (mean_k - DOUBT_SIGMAS * doubt_k) / slow_sd_k
        self._slow_beyond = z > 0.0
        length_s = self._mean_s
        value = self._cusum.add(max(-_SLOW_CLIP, min(_SLOW_CLIP, z)))
        self._mean_sum = self._mean_s = self._mean_doubt = 0.0
        if value >= self._slow_limit(tau_s):
            self._slow_standing = True
            self._cusum.cap(self._slow_limit(tau_s))
        elif value <= 0.0:
            self._slow_standing = False
        self._slow_since_ms = t_ms - round(1000.0 * length_s * self._cusum.run)

    def save(self) -> dict[str, Any]:
        """State for `load`."""
        return {
            "sign": self.sign,
            "rate": self._rate,
            "envelope": self._envelope.save(),
            "quick": self._quick.save(),
            "cusum": self._cusum.save(),
            "mean": [self._mean_sum, self._mean_s, self._mean_doubt],
            "slow": [self._slow_standing, self._slow_beyond, self._slow_since_ms],
            "seen": [self._pending_ms, self._last_seen_ms],
            "finding": [self.finding.standing, self.finding.since_ms, self.finding.certainty],
        }

    @classmethod
    def load(cls, state: dict[str, Any]) -> ChangeTest:
        """The test as it was at `save`."""
        new = cls(state["sign"], state["rate"])
        new._envelope = BoundTest.load(state["envelope"])
        new._quick = BoundTest.load(state["quick"])
        new._cusum = Cusum.load(state["cusum"])
        new._mean_sum, new._mean_s, new._mean_doubt = state["mean"]
        new._slow_standing, new._slow_beyond, new._slow_since_ms = state["slow"]
        new._pending_ms, new._last_seen_ms = state["seen"]
        new.finding = Finding(*state["finding"])
        return new
