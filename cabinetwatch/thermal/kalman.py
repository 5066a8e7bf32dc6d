"""Where the rise is heading: Kalman filters with several time constants, weighed by success.

Each filter has the state (level, goal): the level relaxes to the goal with the filter's time
constant, the goal wanders. No single time constant is trusted: the stated one may be wrong, and
lost cooling changes the resistance but not the heat capacity, so the response slows down with it.
The filters' weights follow how well each foretold the readings (multiple-model estimation: Magill
1965, IEEE Trans. Automatic Control 10, 434-439; from memory).
"""

from __future__ import annotations

from math import exp, log
from typing import Any

MULTIPLES = (0.6, 1.0, 1.6, 2.6)
"""Time constants of the filters over the stated one: 40 % wrong, or cooling much reduced."""

_PRIOR_LOG_WEIGHTS = (-1.2, 0.0, -0.8, -1.8)
_MEMORY_TIME_CONSTANTS = 3.0
_CLIP_SIGMAS = 4.0
_STRETCH_STEP = 0.03
_WILD_SIGMAS2 = 36.0
_ALONE_SIGMAS = 2.0
_NOISE_FLOOR_K2 = 1e-4
_SLOWEST_PACE = 0.01
_MEDIAN_OF_SQUARE = 0.455


class HeadingFilter:
    """Level and goal of a first-order response, with their uncertainty.

    `wander_k2_per_s` is the variance by which the goal wanders in a second.
    """

    __slots__ = (
        "_covs",
        "_gains",
        "_goals",
        "_levels",
        "_log_weights",
        "_seen",
        "_step_ms",
        "_steps",
        "_stretch",
        "_wild_side",
        "goal_k",
        "goal_sd_k",
        "level_k",
        "level_sd_k",
        "noise_k2",
        "raw_level_sd_k",
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
        self._wild_side = 0
        self.noise_k2 = 0.01
        self.level_k = self.goal_k = level_k
        self.level_sd_k = self.goal_sd_k = self.raw_level_sd_k = spread_k
        self._seen = (0.0, 0.0)

    def retune(self, tau_s: float) -> None:
        """Go on with another time constant."""
        self.tau_s = tau_s
        self._step_ms = -1

    def loosen(self, goal_k2: float, level_k2: float) -> None:
        """Goal and level may just have jumped, by these variances; the surprise tells nothing."""
        self._log_weights = list(_PRIOR_LOG_WEIGHTS)
        self._covs = [(p11 + level_k2, p12, p22 + goal_k2) for p11, p12, p22 in self._covs]

    def scale_goals(self, ratio: float, doubt_k2: float) -> None:
        """The load changed by `ratio`: what cooling has lost shows in proportion to it."""
        self._goals = [goal * ratio for goal in self._goals]
        self._covs = [(p11, p12, p22 + doubt_k2) for p11, p12, p22 in self._covs]

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
        self._learn_noise(seen_k)
        if abs(stretch - self._stretch) > _STRETCH_STEP * self._stretch:
            self._stretch = stretch
            self._step_ms = -1
        if step_ms != self._step_ms:
            slow_s = self._stretch * self.tau_s
            self._gains = [1.0 - exp(-step_s / (m * slow_s)) for m in MULTIPLES]
            self._step_ms = step_ms
        wander = wander_k2_per_s * step_s
        noise = max(self.noise_k2, floor_k2)
        doubt = noise + doubt_k2
        fade = exp(-step_s / (_MEMORY_TIME_CONSTANTS * self.tau_s))
        side_now = 0
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
            wild = error * error > _WILD_SIGMAS2 * spread
            side = (1 if error > 0.0 else -1) if wild else 0
            if i == 1:
                side_now = side
            if wild and side != self._wild_side:
                # Alone it may be a wild value: it counts in full when the next one confirms it.
                error = side * _ALONE_SIGMAS * spread**0.5
            k1 = q11 / spread
            k2 = q12 / spread
            self._levels[i] = foretold + k1 * error
            self._goals[i] += k2 * error
            self._covs[i] = (q11 - k1 * q11, q12 - k1 * q12, p22w - k2 * q12)
            cost = min(error * error / spread, _CLIP_SIGMAS**2)
            prior = _PRIOR_LOG_WEIGHTS[i]
            fading = prior + (self._log_weights[i] - prior) * fade
            self._log_weights[i] = fading - 0.5 * (cost + log(spread))
        self._wild_side = side_now
        self._steps += 1
        self._blend()

    def _learn_noise(self, seen_k: float) -> None:
        """Noise from second differences: whatever moves slowly is not in them.

        A running median: the estimate rises or falls until half of the differences lie within
        0.6745 of their standard deviation, which is sqrt(6) times the noise's.
        """
        before, last = self._seen
        self._seen = (last, seen_k)
        if self._steps < 2:
            return
        bend = seen_k - 2.0 * last + before
        pace = max(_SLOWEST_PACE, 1.0 / (self._steps + 4.0))
        if bend * bend > _MEDIAN_OF_SQUARE * 6.0 * self.noise_k2:
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
            "wild_side": self._wild_side,
            "seen": list(self._seen),
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
        new._wild_side = state["wild_side"]
        new._seen = (state["seen"][0], state["seen"][1])
        new.noise_k2 = state["noise_k2"]
        new._blend()
        return new
