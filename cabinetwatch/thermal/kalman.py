"""Where the rise is heading: Kalman filters with several time constants, weighed by what they predict.

Each filter has the state (level, goal): the level relaxes to the goal with the filter's time constant,
the goal wanders. No single time constant is trusted: the stated one may be wrong, and lost cooling
changes the resistance but not the heat capacity, so the response slows down with it. The filters'
weights follow how well each foretold the readings (multiple-model estimation: Magill 1965,
IEEE Trans. Automatic Control 10, 434-439; from memory).
"""

from __future__ import annotations

from math import exp, log
from typing import Any

MULTIPLES = (0.6, 1.0, 1.6, 2.6)
"""Time constants of the filters over the stated one: 40 % wrong either way, and cooling much reduced."""

_PRIOR_LOG_WEIGHTS = (-1.2, 0.0, -0.8, -1.8)
_MEMORY_TIME_CONSTANTS = 3.0
_CLIP_SIGMAS = 4.0
_NOISE_FLOOR_K2 = 1e-4


class HeadingFilter:
    """Level and goal of a first-order response, with their uncertainty.

    `wander_k2_per_s` is the variance by which the goal wanders in a second.
    """

    __slots__ = (
        "_covs", "_gains", "_goals", "_levels", "_log_weights", "_steps", "_step_ms", "_stretch",
        "level_k", "level_sd_k", "goal_k", "goal_sd_k", "noise_k2", "raw_level_sd_k", "surprise",
        "tau_s",
    )  # fmt: skip

    def __init__(self, tau_s: float, level_k: float = 0.0, spread_k: float = 30.0) -> None:
        self.tau_s = tau_s
        n = len(MULTIPLES)
        self._levels = [level_k] * n
        self._goals = [level_k] * n
        self._covs = [(spread_k**2, 0.9 * spread_k**2, spread_k**2)] * n
        self._log_weights = list(_PRIOR_LOG_WEIGHTS)
        self._gains: list[float] = []
        self._step_ms = -1
        self._steps = 0
        self._stretch = 1.0
        self.noise_k2 = 0.01
        self.level_k = self.goal_k = level_k
        self.level_sd_k = self.goal_sd_k = self.raw_level_sd_k = spread_k
        self.surprise = 0.0

    def retune(self, tau_s: float) -> None:
        """Go on with another time constant."""
        self.tau_s = tau_s
        self._step_ms = -1

    def loosen(self, goal_k2: float, level_k2: float) -> None:
        """Goal and level may just have jumped, by these variances."""
        self._covs = [(p11 + level_k2, p12, p22 + goal_k2) for p11, p12, p22 in self._covs]

    def shift(self, by_k: float) -> None:
        """Move levels and goals, when what they are counted from moves."""
        self._levels = [v + by_k for v in self._levels]
        self._goals = [v + by_k for v in self._goals]

    def advance(
        self,
        step_ms: int,
        seen_k: float,
        doubt_k2: float,
        wander_k2_per_s: float,
        floor_k2: float,
        stretch: float = 1.0,
    ) -> None:
        """Go on by `step_ms` to a new level seen, with an extra variance of `doubt_k2`.

        `stretch` lengthens all time constants: settled rise over normal rise, when cooling is lost.
        """
        step_s = step_ms / 1000.0
        if step_ms != self._step_ms or abs(stretch - self._stretch) > 0.03 * self._stretch:
            slow_s = stretch * self.tau_s
            self._gains = [1.0 - exp(-step_s / (m * slow_s)) for m in MULTIPLES]
            self._step_ms = step_ms
            self._stretch = stretch
        wander = wander_k2_per_s * step_s
        noise = max(self.noise_k2, floor_k2)
        doubt = noise + doubt_k2
        fade = exp(-step_s / (_MEMORY_TIME_CONSTANTS * self.tau_s))
        for i, gain in enumerate(self._gains):
            p11, p12, p22 = self._covs[i]
            keep = 1.0 - gain
            # Prediction: level' = keep level + gain goal, goal' = goal + wander.
            p22w = p22 + wander
            q11 = keep * keep * p11 + gain * (2.0 * keep * p12 + gain * (p22 + wander * 0.33))
            q12 = keep * p12 + gain * (p22 + 0.5 * wander)
            foretold = keep * self._levels[i] + gain * self._goals[i]
            error = seen_k - foretold
            spread = q11 + doubt
            if i == 1:
                self._learn_noise(error, spread, doubt_k2, q11)
            k1 = q11 / spread
            k2 = q12 / spread
            self._levels[i] = foretold + k1 * error
            self._goals[i] += k2 * error
            self._covs[i] = (q11 - k1 * q11, q12 - k1 * q12, p22w - k2 * q12)
            cost = min(error * error / spread, _CLIP_SIGMAS**2)
            prior = _PRIOR_LOG_WEIGHTS[i]
            fading = prior + (self._log_weights[i] - prior) * fade
            self._log_weights[i] = fading - 0.5 * (cost + log(spread))
        self._steps += 1
        self._blend()

    def _learn_noise(self, error: float, spread: float, doubt_k2: float, ahead_k2: float) -> None:
        """Adjust the noise so that half of the errors lie within 0.6745 sigma (a running median)."""
        self.surprise = error / spread**0.5
        pace = max(0.01, 1.0 / (self._steps + 4.0))
        if doubt_k2 > 4.0 * self.noise_k2 or ahead_k2 > 100.0 * self.noise_k2:
            pace *= 0.1
        if error * error > 0.455 * spread:
            self.noise_k2 *= 1.0 + pace
        else:
            self.noise_k2 = max(_NOISE_FLOOR_K2, self.noise_k2 / (1.0 + pace))

    def _blend(self) -> None:
        top = max(self._log_weights)
        self._log_weights = [w - top for w in self._log_weights]
        weights = [exp(w) for w in self._log_weights]
        total = sum(weights)
        goal = level = 0.0
        for w, g, v in zip(weights, self._goals, self._levels, strict=True):
            goal += w * g
            level += w * v
        self.goal_k = goal = goal / total
        self.level_k = level = level / total
        goal_k2 = level_k2 = 0.0
        for w, g, v, (p11, _, p22) in zip(
            weights, self._goals, self._levels, self._covs, strict=True
        ):
            goal_k2 += w * (p22 + (g - goal) ** 2)
            level_k2 += w * (p11 + (v - level) ** 2)
        self.goal_sd_k = (goal_k2 / total) ** 0.5
        self.level_sd_k = (level_k2 / total) ** 0.5
        self.raw_level_sd_k = self._covs[1][0] ** 0.5

    def headings(self) -> list[tuple[float, float, float, float, float]]:
        """For each filter: weight, level (K), goal (K), sd of the goal (K), time constant (s)."""
        weights = [exp(w) for w in self._log_weights]
        total = sum(weights)
        return [
            (w / total, level, goal, cov[2] ** 0.5, m * self._stretch * self.tau_s)
            for w, level, goal, cov, m in zip(
                weights, self._levels, self._goals, self._covs, MULTIPLES, strict=True
            )
        ]

    @property
    def stable_level_k(self) -> float:
        """Level of the filter with the stated time constant."""
        return self._levels[1]

    def save(self) -> dict[str, Any]:
        """State for `load`."""
        return {
            "tau_s": self.tau_s,
            "levels": list(self._levels),
            "goals": list(self._goals),
            "covs": [list(cov) for cov in self._covs],
            "log_weights": list(self._log_weights),
            "steps": self._steps,
            "stretch": self._stretch,
            "noise_k2": self.noise_k2,
        }

    @classmethod
    def load(cls, state: dict[str, Any]) -> HeadingFilter:
        """The filter as it was at `save`."""
        new = cls(state["tau_s"])
        new._levels = list(state["levels"])
        new._goals = list(state["goals"])
        new._covs = [(c[0], c[1], c[2]) for c in state["covs"]]
        new._log_weights = list(state["log_weights"])
        new._steps = state["steps"]
        new._stretch = state["stretch"]
        new.noise_k2 = state["noise_k2"]
        new._blend()
        return new
