"""Sequential detection of lost cooling: cumulative sums and bounds.

*The bound* (`BoundTest`) is the highest rise that sound cooling explains. It relaxes, with the
device's own time constant, towards the highest normal settled rise; whenever the rise is found
below it, the bound is pulled down to it, for no sound cooling goes up from there faster than the
bound does. The distance of the rise above it is a cumulative sum of what sound cooling can't
explain, reset at zero (Page 1954, with the allowance in kelvin instead of sigmas); its last zero is
the estimated time of the change. With `sign = -1` it tests for a rise that is too low.

A fall that no load explains is a door or a cover that was opened. Its end brings the rise back as
fast, so the bound isn't pulled down by it: a second bound, on the other side, tells such falls.
Nor is the bound ever pulled below the usual level of late: to come back there is no alarm.

*The test of a device* (`ChangeTest`) shares its false alarms between two: the bound, quick on big
changes, and a cumulative sum of means over half a time constant, which finds small lasting ones.
The means are far enough apart for their noise to be independent, as the run-length formula demands.

Sources: Page 1954, Biometrika 41, 100-115; Siegmund 1985, Sequential Analysis (run length, by
approximation). Formulas from memory; the tests hold the results against published tables.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from math import exp, log
from statistics import NormalDist
from typing import Any

from cabinetwatch.thermal.rise import NormalRise, RiseEstimator
from cabinetwatch.thermal.windows import Kept, Window


@dataclass(slots=True)
class Finding:
    """Result of one sequential test: `since_ms` is the estimated time of the change."""

    standing: bool = False
    since_ms: int = 0


@dataclass(slots=True)
class Cusum(Kept):
    """One-sided cumulative sum of (z - k), kept at zero or above.

    `run` counts the samples since it last stood at zero: the change is dated at its start.
    """

    kept = ("k", "value", "run")

    k: float = 0.5
    value: float = 0.0
    run: int = 0

    def add(self, z: float) -> float:
        """Take one standardised sample and return the sum."""
        self.value = max(0.0, self.value + z - self.k)
        self.run = self.run + 1 if self.value > 0.0 else 0
        return self.value


_LEAST_ALLOWANCE, _MOST_SIGMAS, _MOST_EXPONENT, _MOST_SAMPLES = 0.01, 100.0, 600.0, 1e12


def siegmund_run_length(k: float, h: float, shift: float = 0.0) -> float:
    """Average run length of the one-sided sum, in samples, by Siegmund's approximation.

    ValueError for allowances, limits and shifts that no test has, and for a run beyond reckoning.
    """
    if not (0.0 <= h <= _MOST_SIGMAS and abs(k) <= _MOST_SIGMAS and abs(shift) <= _MOST_SIGMAS):
        raise ValueError(
            f"no sum has an allowance of {k:zg}, a limit of {h:zg} or {shift:zg} sigmas"
        )
    b = h + 1.166
    d = shift - k
    if abs(d) < 1e-9:
        return b * b
    if -2.0 * d * b > _MOST_EXPONENT:
        raise ValueError("such a sum never raises falsely in any time that can be reckoned")
    return (exp(-2.0 * d * b) + 2.0 * d * b - 1.0) / (2.0 * d * d)


@lru_cache(maxsize=64)
def limit_for_run_length(samples: float, k: float = 0.5) -> float:
    """Limit h at which the one-sided sum raises falsely once in `samples` samples on average.

    Siegmund's formula solved by bisection: within 0.5 % of the exact run length from 1e4 samples
    up. ValueError for no number of samples, or an allowance that isn't from 0.01 to 100 sigmas.
    """
    if not (_LEAST_ALLOWANCE <= k <= _MOST_SIGMAS and abs(samples) <= _MOST_SAMPLES):
        raise ValueError(f"no sum has {k:zg} sigmas of allowance and runs for {samples:zg} samples")
    low, high = 0.0, 4.0 + log(max(samples, 2.0)) / (2.0 * k) + 2.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        if siegmund_run_length(k, middle) < samples:
            low = middle
        else:
            high = middle
    return high


_USUAL_TAUS = 5.0


@lru_cache(maxsize=64)
def _gains(step_s: float, tau_s: float) -> tuple[float, float, float]:
    """Shares of the way gone in a step: a bound to its goal, and back; the usual level."""
    return (
        1.0 - exp(-step_s / tau_s),
        1.0 - exp(-step_s / (2.0 * tau_s)),
        1.0 - exp(-step_s / (_USUAL_TAUS * tau_s)),
    )


class BoundTest(Kept):
    """The upper (sign 1) or lower (sign -1) bound of what is normal, and how far it is passed.

    `score` is the distance beyond it over the limit: 1 or more is a detection. `beyond_k` is the
    same in kelvin, of the higher of two levels in a row.
    """

    __slots__ = (
        "_bound_k", "_last_k", "_other_k", "_usual_k", "beyond_k", "score", "sign", "since_ms",
        "standing",
    )  # fmt: skip
    kept = (
        "_bound_k", "_last_k", "_other_k", "_usual_k", "score", "sign", "since_ms", "standing",
    )  # fmt: skip

    def __init__(self, sign: int = 1) -> None:
        self.sign = sign
        self._bound_k: float | None = None
        self._other_k = 0.0
        self._usual_k: float | None = None
        self._last_k = 0.0
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
        """Levels are counted from elsewhere from now on: add this to those known."""
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
        """
        sign = self.sign
        level = sign * level_k
        goal, other_goal = sign * goals_k[0], sign * goals_k[1]
        bound, other = self._bound_k, self._other_k
        gain, slow_gain, usual_gain = _gains(step_s, tau_s)
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
        usual = self._usual_k
        if usual is None:
            usual = min(level, goal)
        if explained:
            usual += usual_gain * ((level if level < bound else bound) - usual)
        self._usual_k = usual
        if higher + doubt_k <= bound:
            self.since_ms = t_ms
            if explained:
                bound = max(higher + doubt_k, usual if usual < bound else bound)
        self._bound_k = bound
        self.beyond_k = higher - doubt_k - bound
        self.score = score = (lower - doubt_k - bound) / limit_k
        if score >= 1.0:
            self.standing = True
        elif score <= 0.0:
            self.standing = False


YEAR_S = 365.25 * 86_400.0
_INDEPENDENT_S = 60.0
_PULL_SIGMAS = 2.5
"""The bound is the lowest of many levels: about this many sigmas below the true one."""

_QUICK_PULL_SIGMAS = 2.0
"""The same for single windows, whose noise is larger than that of the usual level below which no
bound is pulled."""

_LEAST_LIMIT_K = 0.15
DOUBT_SIGMAS = 1.5
_EXCESS_MARGIN = 1.3
_SLOW_CLIP = 3.0
_SLOW_SHORTEST_S = 120.0
_RETURN_LASTS_S = 600.0
"""A loss at the edge of the band (dust) must not come and go with the load."""

_RAREST = 1e-30
_LOW_LASTS_S = 3600.0
"""A cabinet's door stands open for a while; a probe that has slipped stays where it is."""


class ChangeTest:
    """Has the settled rise left the normal band on one side (`sign` 1: above, -1: below)?

    ValueError for a rate of false alarms that isn't above 0.
    """

    __slots__ = (
        "_bound", "_bound_limit_sigmas", "_cusum", "_last_seen_ms", "_left_band", "_limit",
        "_limit_tau_s", "_mean_doubt", "_mean_s", "_mean_sum", "_passed_k", "_pending_ms", "_quick",
        "_quick_limit_sigmas", "_rate", "_slow_beyond", "_slow_since_ms", "_slow_standing",
        "finding", "sign",
    )  # fmt: skip

    def __init__(self, sign: int, false_alarms_per_year: float) -> None:
        self.sign = sign
        self._rate = false_alarms_per_year
        if not false_alarms_per_year > 0.0:
            raise ValueError(f"no test raises {false_alarms_per_year:zg} false alarms a year")
        instants = YEAR_S / _INDEPENDENT_S
        tail = max(_RAREST, min(0.2, 0.5 * false_alarms_per_year / instants))
        self._bound_limit_sigmas = -NormalDist().inv_cdf(tail) + _PULL_SIGMAS
        # Of single windows two in a row must be beyond, and their noise has nothing in common.
        self._quick_limit_sigmas = -NormalDist().inv_cdf(tail**0.5) + _QUICK_PULL_SIGMAS
        self._bound = BoundTest(sign)
        self._quick = BoundTest(sign)
        self._cusum = Cusum()
        self._mean_sum = self._mean_s = self._mean_doubt = 0.0
        self._slow_standing = self._slow_beyond = False
        self._slow_since_ms = self._pending_ms = self._last_seen_ms = 0
        self._limit_tau_s = self._limit = 0.0
        self._passed_k, self._left_band = 0.0, False
        self.finding = Finding()

    def reset(self, t_ms: int) -> None:
        """Forget all evidence."""
        self._bound.reset(t_ms)
        self._quick.reset(t_ms)
        self._cusum = Cusum()
        self._mean_sum = self._mean_s = self._mean_doubt = 0.0
        self._slow_standing = self._slow_beyond = False
        self._slow_since_ms = self._pending_ms = t_ms
        self.finding = Finding(False, t_ms)

    def shift(self, level_k: float) -> None:
        """Levels are counted from elsewhere from now on: add this to those known."""
        self._bound.shift(level_k)
        self._quick.shift(level_k)
        self._mean_sum = self._mean_s = self._mean_doubt = 0.0

    def advance(
        self,
        window: Window,
        estimator: RiseEstimator,
        normal: NormalRise,
        goals_k: tuple[float, float],
        slow_sd_k: float,
    ) -> None:
        """Take what the estimator has made of a window.

        `goals_k` are the extreme settled rises that are still normal, as in `BoundTest`;
        `slow_sd_k` is the deviation that means over half a time constant show in ordinary life.
        """
        t_ms, step_s = window.t_ms, window.step_ms / 1000.0
        heading, tau_s, doubt_k = estimator.filter, estimator.response.tau_s, estimator.doubt_k
        level_k, load_goal_k = heading.stable_level_k, estimator.load_goal_k
        goals_k = (goals_k[0] - load_goal_k, goals_k[1] - load_goal_k)
        # What ordinary life was seen to pass the bound by is no detection.
        excess_k, bound_tau_s = _EXCESS_MARGIN * normal.excess_k, normal.bound_tau_s or tau_s
        margin_k = DOUBT_SIGMAS * doubt_k
        noise_k = self._bound_limit_sigmas * heading.raw_level_sd_k + _LEAST_LIMIT_K
        limit_k = excess_k if excess_k > noise_k else noise_k
        self._bound.advance(t_ms, step_s, level_k, goals_k, margin_k, limit_k, bound_tau_s)
        noise_k = self._quick_limit_sigmas * estimator.noise_k() + _LEAST_LIMIT_K
        limit_k = excess_k if excess_k > noise_k else noise_k
        self._quick.advance(t_ms, step_s, estimator.seen_k, goals_k, margin_k, limit_k, bound_tau_s)
        self._mean_sum += step_s * (level_k - goals_k[0])
        self._mean_doubt += step_s * doubt_k
        self._mean_s = mean_s = self._mean_s + step_s
        if mean_s >= _SLOW_SHORTEST_S and mean_s >= 0.5 * tau_s:
            self._slow_step(t_ms, slow_sd_k, tau_s)
        self._conclude(t_ms, tau_s, self.sign * (heading.goal_k - goals_k[0]) > 0.0)
        if self.finding.standing:
            self._passed_k = max(self._passed_k, self._bound.beyond_k, self._quick.beyond_k)
            self._left_band = self._left_band or self.sign * (level_k - goals_k[0]) > 0.0

    def take_excess_k(self) -> float:
        """How far the bound was passed by what has just ended; 0 where the rise left the band."""
        passed_k, self._passed_k = self._passed_k, 0.0
        left_band, self._left_band = self._left_band, False
        return 0.0 if left_band else passed_k

    def _conclude(self, t_ms: int, tau_s: float, heads_beyond: bool) -> None:
        """Sum up the tests; on the low side only what lasts counts.

        What still `heads_beyond` the band is not over because a bound has relaxed as far as it:
        cooling that is lost slows the response down, and the bound is quicker then.
        """
        bound, quick, finding = self._bound, self._quick, self.finding
        at_once = bound.standing or quick.standing
        if at_once and not finding.standing and (quick.score <= 0.0 or not heads_beyond):
            # The filtered level may overshoot; the readings themselves must be beyond too. And a
            # climb that leads to where the device often is may be a load that nobody meters.
            at_once = False
        # To be found, it must still be so: the slow test forgets only by and by what is over.
        seen = at_once or (self._slow_standing and (self._slow_beyond or finding.standing))
        if not seen:
            self._pending_ms = t_ms
            if not finding.standing:
                return
        if self.sign < 0 and not finding.standing:
            seen = seen and t_ms - self._pending_ms >= 1000.0 * max(_LOW_LASTS_S, tau_s)
        was_standing = finding.standing
        if seen:
            self._last_seen_ms = t_ms
            finding.standing = True
        elif not heads_beyond:
            lasts_ms = 1000.0 * max(_RETURN_LASTS_S, tau_s)
            finding.standing = t_ms - self._last_seen_ms < lasts_ms
        if finding.standing and not was_standing:
            if quick.standing:
                finding.since_ms = quick.since_ms
            elif bound.standing:
                finding.since_ms = bound.since_ms
            else:
                finding.since_ms = self._slow_since_ms

    def _slow_limit(self, tau_s: float) -> float:
        """Limit of the slow sum; its samples are means over half a time constant."""
        if tau_s != self._limit_tau_s:
            samples = YEAR_S / max(0.5 * tau_s, _SLOW_SHORTEST_S)
            self._limit_tau_s = tau_s
            self._limit = limit_for_run_length(min(2.0 * samples / self._rate, _MOST_SAMPLES))
        return self._limit

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
            # No more evidence stands than was needed: what ends is soon known to have.
            self._cusum.value = min(value, self._slow_limit(tau_s))
        elif value <= 0.0:
            self._slow_standing = False
        self._slow_since_ms = t_ms - round(1000.0 * length_s * self._cusum.run)

    def save(self) -> dict[str, Any]:
        """State for `load`."""
        return {
            "sign": self.sign,
            "rate": self._rate,
            "envelope": self._bound.save(),
            "quick": self._quick.save(),
            "cusum": self._cusum.save(),
            "mean": [self._mean_sum, self._mean_s, self._mean_doubt],
            "slow": [self._slow_standing, self._slow_beyond, self._slow_since_ms],
            "seen": [self._pending_ms, self._last_seen_ms],
            "passed": [self._passed_k, self._left_band],
            "finding": [self.finding.standing, self.finding.since_ms],
        }

    @classmethod
    def load(cls, state: dict[str, Any]) -> ChangeTest:
        """The test as it was at `save`."""
        new = cls(state["sign"], state["rate"])
        new._bound = BoundTest.load(state["envelope"])
        new._quick = BoundTest.load(state["quick"])
        new._cusum = Cusum.load(state["cusum"])
        new._mean_sum, new._mean_s, new._mean_doubt = state["mean"]
        new._slow_standing, new._slow_beyond, new._slow_since_ms = state["slow"]
        new._pending_ms, new._last_seen_ms = state["seen"]
        # A state of an earlier version hasn't got it.
        new._passed_k, new._left_band = state.get("passed", (0.0, True))
        # A state of an earlier version has more.
        new.finding = Finding(*state["finding"][:2])
        return new
