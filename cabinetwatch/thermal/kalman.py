"""Where the rise is heading: Kalman filters of several responses, weighed by success.

Each filter has the state (slow level, goal): the slow level relaxes to the goal with the filter's
time constant, the goal wanders, and a part of the goal shows at once, as exhaust air does while the
chassis lags. No single response is trusted: the stated time constant may be wrong, and lost
cooling changes the resistance but not the heat capacity, so the response slows down with it. The
filters' weights follow how well each foretold the readings (multiple-model estimation: Magill 1965,
IEEE Trans. Automatic Control 10, 434-439; from memory).
"""

from __future__ import annotations

from math import exp, inf, log
from typing import Any, TypeAlias

from cabinetwatch.thermal.bounds import LARGEST, check, check_positive, root
from cabinetwatch.thermal.heading import Heading

_MODELS = (
    # (time constant over the stated one, share of the goal that shows at once, log weight at first)
    (0.6, 0.0, -1.5), (1.0, 0.0, 0.0), (1.6, 0.0, -1.0), (2.6, 0.0, -2.0),
    (0.6, 0.3, -2.0), (1.0, 0.3, -1.0), (1.8, 0.3, -1.5),
    (0.7, 0.6, -2.5), (1.4, 0.6, -1.5), (2.8, 0.6, -2.0),
)  # fmt: skip
_STATED = 1
"""Index of the filter with the stated time constant and nothing at once."""

_MULTIPLES = tuple(multiple for multiple, _, _ in _MODELS)
_SHOWN = tuple((1.0 - at_once, at_once, weight) for _, at_once, weight in _MODELS)
_PRIOR_LOG_WEIGHTS = tuple(weight for _, _, weight in _MODELS)
_MEMORY_TIME_CONSTANTS = 3.0
_CLIP_SIGMAS2 = 16.0
_STRETCH_STEP = 0.03
_WILD_SIGMAS2 = 36.0
_ALONE_SIGMAS = 2.0
_NOISE_FLOOR_K2 = 1e-4
_NEGLIGIBLE = -12.0
_SLOWEST_PACE = 0.01
_MEDIAN_OF_SQUARE = 0.455
_MOST_NOISE_K2 = 1e6
_LONGEST_WANDER_TAUS = 1000.0


_Filter: TypeAlias = tuple[float, float, float, float, float]
"""Slow level and goal (K), and their covariances: slow-slow, slow-goal, goal-goal (K2)."""


def _check_variances(*variances_k2: float) -> None:
    check(*variances_k2)
    if min(variances_k2) < 0.0:
        raise ValueError("no variance lies below 0")


class HeadingFilter:
    """Level and goal of a first-order response, with their uncertainty.

    `wander_k2_per_s` is the variance by which the goal wanders in a second. ValueError for figures
    that can't be reckoned with, variances below 0, and what isn't above 0 and should be.
    """

    __slots__ = (
        "_filters",
        "_gains",
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
        check(level_k, spread_k)
        check_positive(tau_s)
        self.tau_s = tau_s
        spread_k2 = spread_k * spread_k
        self._filters: list[_Filter] = [
            (level_k, level_k, spread_k2, 0.9 * spread_k2, spread_k2) for _ in _MODELS
        ]
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

    def loosen(self, goal_k2: float, level_k2: float) -> None:
        """Goal and level may just have jumped, by these variances; the surprise tells nothing."""
        _check_variances(goal_k2, level_k2)
        self._log_weights = list(_PRIOR_LOG_WEIGHTS)
        self._filters = [
            (slow, goal, p11 + level_k2, p12, p22 + goal_k2)
            for slow, goal, p11, p12, p22 in self._filters
        ]

    def scale_goals(self, ratio: float, doubt_k2: float) -> None:
        """The load changed by `ratio`: what cooling has lost shows in proportion to it."""
        check(ratio)
        _check_variances(doubt_k2)
        self._filters = [
            (slow, min(max(goal * ratio, -LARGEST), LARGEST), p11, p12, p22 + doubt_k2)
            for slow, goal, p11, p12, p22 in self._filters
        ]

    def shift(self, level_k: float, goal_k: float) -> None:
        """Level and goal are counted from elsewhere from now on: add these to them."""
        check(level_k, goal_k)
        self._filters = [
            (slow + (level_k - at_once * goal_k) / lags, goal + goal_k, p11, p12, p22)
            for (slow, goal, p11, p12, p22), (lags, at_once, _) in zip(
                self._filters, _SHOWN, strict=True
            )
        ]
        self._seen = (self._seen[0] + level_k, self._seen[1] + level_k)
        self._blend()

    def advance(
        self,
        step_ms: int,
        seen_k: float,
        doubt_k2: float,
        wander_k2_per_s: float,
        floor_k2: float,
        stretch: float = 1.0,
        goals_k: tuple[float, float] = (-inf, inf),
    ) -> None:
        """Go on by `step_ms` to a new level seen, with an extra variance of `doubt_k2`.

        `goals_k`: the goals that are possible at all.

        `stretch` lengthens all time constants: settled rise over normal rise, when cooling is lost.
        """
        check(seen_k)
        _check_variances(doubt_k2, wander_k2_per_s, floor_k2)
        check_positive(stretch)
        if step_ms < 0 or not goals_k[0] <= goals_k[1]:
            raise ValueError("time doesn't go back, and the lowest goal isn't above the highest")
        step_s = step_ms / 1000.0
        self._learn_noise(seen_k)
        if abs(stretch - self._stretch) > _STRETCH_STEP * self._stretch:
            self._stretch = stretch
            self._step_ms = -1
        if step_ms != self._step_ms:
            slow_s = self._stretch * self.tau_s
            self._gains = [1.0 - exp(-step_s / (m * slow_s)) for m in _MULTIPLES]
            self._step_ms = step_ms
        # After so long a gap nothing is left of what was known: more would only drown the figures.
        wander = wander_k2_per_s * min(step_s, _LONGEST_WANDER_TAUS * self.tau_s)
        doubt = max(self.noise_k2, floor_k2) + doubt_k2
        fade = exp(-step_s / (_MEMORY_TIME_CONSTANTS * self.tau_s))
        self._correct(seen_k, wander, doubt, fade, goals_k)
        self._steps += 1
        self._blend()

    def _correct(
        self, seen_k: float, wander: float, doubt: float, fade: float, goals_k: tuple[float, float]
    ) -> None:
        """Predict and correct each filter, and weigh it."""
        wild_side, side_now = self._wild_side, 0
        lowest_k, highest_k = goals_k
        filters: list[_Filter] = []
        log_weights: list[float] = []
        rows = zip(self._filters, self._gains, _SHOWN, self._log_weights, strict=True)
        for (slow, goal, p11, p12, p22), gain, (h1, h2, prior), log_weight in rows:
            keep = 1.0 - gain
            # Prediction: slow' = keep slow + gain goal, goal' = goal + wander.
            q22 = p22 + wander
            q11 = keep * keep * p11 + gain * (2.0 * keep * p12 + gain * (p22 + wander * 0.33))
            q12 = keep * p12 + gain * (p22 + 0.5 * wander)
            slow = keep * slow + gain * goal
            error = seen_k - h1 * slow - h2 * goal
            c1 = h1 * q11 + h2 * q12
            c2 = h1 * q12 + h2 * q22
            spread = h1 * c1 + h2 * c2 + doubt
            if spread < doubt:  # noqa: PLR1730 - a call of max here slows a replay
                # Rounding, of variances far above the doubt.
                spread = doubt
            surprise = error * error / spread
            if surprise > _WILD_SIGMAS2:
                side = 1 if error > 0.0 else -1
                if len(filters) == _STATED:
                    side_now = side
                if side != wild_side:
                    # Alone it may be a wild value: it counts in full when the next confirms it.
                    error = side * _ALONE_SIGMAS * spread**0.5
                    surprise = _ALONE_SIGMAS * _ALONE_SIGMAS
            k1 = c1 / spread
            k2 = c2 / spread
            goal += k2 * error
            if goal < lowest_k:
                goal = lowest_k
            elif goal > highest_k:
                goal = highest_k
            q11 -= k1 * c1
            q22 -= k2 * c2
            if q11 < 0.0 or q22 < 0.0:
                q11, q22 = max(q11, 0.0), max(q22, 0.0)
            filters.append((slow + k1 * error, goal, q11, q12 - k1 * c2, q22))
            cost = surprise if surprise < _CLIP_SIGMAS2 else _CLIP_SIGMAS2
            log_weights.append(prior + (log_weight - prior) * fade - 0.5 * (cost + log(spread)))
        self._filters = filters
        top = max(log_weights)
        self._log_weights = [weight - top for weight in log_weights]
        self._wild_side = side_now

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
            self.noise_k2 = min(_MOST_NOISE_K2, self.noise_k2 * (1.0 + pace))
        else:
            self.noise_k2 = max(_NOISE_FLOOR_K2, self.noise_k2 / (1.0 + pace))

    def _blend(self) -> None:
        total = goal_sum = goal_squares = level_sum = level_squares = 0.0
        rows = zip(self._log_weights, self._filters, _SHOWN, strict=True)
        for log_weight, (slow, goal, p11, p12, p22), (h1, h2, _) in rows:
            if log_weight < _NEGLIGIBLE:
                continue
            w = exp(log_weight)
            level = h1 * slow + h2 * goal
            total += w
            goal_sum += w * goal
            goal_squares += w * (p22 + goal * goal)
            level_sum += w * level
            level_squares += w * (h1 * h1 * p11 + h2 * (2.0 * h1 * p12 + h2 * p22) + level * level)
        self.goal_k = goal = goal_sum / total
        self.level_k = level = level_sum / total
        self.goal_sd_k = root(goal_squares / total - goal * goal)
        self.level_sd_k = root(level_squares / total - level * level)
        self.raw_level_sd_k = root(self._filters[_STATED][2])

    def headings(self) -> list[Heading]:
        """Where the rise may lead, by each filter."""
        weights = [exp(w) for w in self._log_weights]
        total = sum(weights)
        headings = []
        rows = zip(weights, self._filters, _MODELS, strict=True)
        for w, (slow, goal, _, _, p22), (multiple, at_once, _) in rows:
            tau_s = multiple * self._stretch * self.tau_s
            ways = (((1.0 - at_once) * (goal - slow), tau_s),)
            headings.append(Heading(w / total, goal, ways, root(p22), tau_s))
        return headings

    @property
    def stretched_tau_s(self) -> float:
        """The stated time constant, lengthened by lost cooling."""
        return self._stretch * self.tau_s

    @property
    def stable_level_k(self) -> float:
        """Level of the filter with the stated time constant."""
        return self._filters[_STATED][0]

    def save(self) -> dict[str, Any]:
        """State for `load`."""
        return {
            "tau_s": self.tau_s,
            "filters": [list(row) for row in self._filters],
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
        new._filters = [(r[0], r[1], r[2], r[3], r[4]) for r in state["filters"]]
        new._log_weights = list(state["log_weights"])
        new._steps = state["steps"]
        new._stretch = state["stretch"]
        new._wild_side = state["wild_side"]
        new._seen = (state["seen"][0], state["seen"][1])
        new.noise_k2 = state["noise_k2"]
        new._blend()
        return new
