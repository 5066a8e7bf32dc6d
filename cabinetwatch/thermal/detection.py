"""Sequential detection of lost cooling, or of a rise that is missing, at a wanted false-alarm rate.

Two tests share the budget: the envelope, quick on big changes, and a cumulative sum of means over
half a time constant, which finds small lasting ones. The means are far enough apart for their noise
to be independent, as the run-length formulas demand.
"""

from __future__ import annotations

from typing import Any

from cabinetwatch.thermal.bounds import check, check_positive
from cabinetwatch.thermal.cusum import Cusum, limit_for_run_length, normal_quantile_of_tail
from cabinetwatch.thermal.envelope import Envelope
from cabinetwatch.thermal.figures import Finding

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
        self._envelope = Envelope(sign)
        self._quick = Envelope(sign)
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
        new._envelope = Envelope.load(state["envelope"])
        new._quick = Envelope.load(state["quick"])
        new._cusum = Cusum.load(state["cusum"])
        new._mean_sum, new._mean_s, new._mean_doubt = state["mean"]
        new._slow_standing, new._slow_beyond, new._slow_since_ms = state["slow"]
        new._pending_ms, new._last_seen_ms = state["seen"]
        new.finding = Finding(*state["finding"])
        return new
