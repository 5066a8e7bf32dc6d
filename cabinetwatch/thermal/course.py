"""The course of a rise since the cooling was lost, fitted for where it leads.

A filter forgets; a forecast wants all that was seen since the change. For each of a row of time
constants the course is fitted by least squares as `goal + way * exp(-t / tau)`; the fits are
weighed by how well they match, and by how likely the time constant is. The first part is left out:
it belongs to the air, which follows at once, and not to the slow masses that decide when a
threshold is reached.
"""

from __future__ import annotations

from math import exp, log
from typing import Any

_MULTIPLES = (0.15, 0.25, 0.4, 0.6, 0.8, 1.0, 1.3, 1.7, 2.3, 3.2, 4.5)
_LOG_SPREAD = 0.8
_EARLIEST, _SHOWING = 0.1, 2.5
_LEFT_OUT = 0.15
_SHORTEST_LEFT_OUT_S = 45.0
_FEWEST = 6
_KEPT_BEFORE = 40
_LONGEST = 160
_AUTOCORRELATION = 2.0
"""Neighbouring deviations repeat each other: each tells this much less."""

Heading = tuple[float, float, float, float, float]


class Course:
    """Deviations of late, and all of them since a loss, in bins that double when there are many."""

    __slots__ = ("_bin_n", "_bin_sum", "_per_bin", "rows", "since_ms")

    def __init__(self) -> None:
        self.rows: list[tuple[int, float]] = []
        self.since_ms: int | None = None
        self._per_bin = 1
        self._bin_sum, self._bin_n = 0.0, 0

    def add(self, t_ms: int, seen_k: float) -> None:
        """Take the deviation of one window."""
        self._bin_sum += seen_k
        self._bin_n += 1
        if self._bin_n < self._per_bin:
            return
        rows = self.rows
        rows.append((t_ms, self._bin_sum / self._bin_n))
        self._bin_sum, self._bin_n = 0.0, 0
        if self.since_ms is None:
            if len(rows) > 2 * _KEPT_BEFORE:
                del rows[:-_KEPT_BEFORE]
        elif len(rows) > _LONGEST:
            pairs = zip(rows[::2], rows[1::2], strict=False)
            self.rows = [((t + u) // 2, 0.5 * (a + b)) for (t, a), (u, b) in pairs]
            self._per_bin *= 2

    def begin(self, since_ms: int) -> None:
        """Cooling was lost at `since_ms`: what follows belongs to one course."""
        self.since_ms = since_ms
        self.rows = [row for row in self.rows if row[0] >= since_ms]

    def end(self) -> None:
        """The loss is over, or another course has begun."""
        self.since_ms = None
        self._per_bin = 1
        self._bin_sum, self._bin_n = 0.0, 0

    def headings(self, tau_s: float, noise_k: float) -> list[Heading] | None:
        """(weight, level, goal, sd of the goal, time constant); None when there is too little."""
        since_ms, rows = self.since_ms, self.rows
        if since_ms is None or not rows:
            return None
        elapsed_s = (rows[-1][0] - since_ms) / 1000.0
        from_ms = since_ms + 1000.0 * max(_SHORTEST_LEFT_OUT_S, _LEFT_OUT * elapsed_s)
        used = [((t - since_ms) / 1000.0 - elapsed_s, v) for t, v in rows if t >= from_ms]
        if len(used) < _FEWEST:
            return None
        noise_k2 = noise_k * noise_k / self._per_bin
        # Of many time constants those show that are about as long as the course so far.
        seen_s = max(elapsed_s, _EARLIEST * tau_s)
        tau_s = (tau_s * _SHOWING * seen_s) ** 0.5
        fits = [_fit(used, multiple * tau_s) for multiple in _MULTIPLES]
        best = min(fit[2] for fit in fits)
        scale_k2 = _AUTOCORRELATION * max(best / (len(used) - 2), noise_k2)
        weights = [
            exp(-0.5 * ((fit[2] - best) / scale_k2 + (log(multiple) / _LOG_SPREAD) ** 2))
            for fit, multiple in zip(fits, _MULTIPLES, strict=True)
        ]
        total = sum(weights)
        return [
            (w / total, level, goal, (spread * scale_k2) ** 0.5, multiple * tau_s)
            for w, (level, goal, _, spread), multiple in zip(weights, fits, _MULTIPLES, strict=True)
        ]

    def save(self) -> dict[str, Any]:
        """State for `load`."""
        return {
            "rows": [[t, round(v, 4)] for t, v in self.rows],
            "since_ms": self.since_ms,
            "bin": [self._per_bin, self._bin_sum, self._bin_n],
        }

    @classmethod
    def load(cls, state: dict[str, Any]) -> Course:
        """The course as it was at `save`."""
        new = cls()
        new.rows = [(row[0], row[1]) for row in state["rows"]]
        new.since_ms = state["since_ms"]
        new._per_bin, new._bin_sum, new._bin_n = state["bin"]
        return new


def _fit(rows: list[tuple[float, float]], tau_s: float) -> tuple[float, float, float, float]:
    """Level now (t = 0), goal, sum of squares left, and the goal's variance in units of noise.

    Rows are (t, value) with t <= 0; `exp(-t / tau)` is scaled to 1 at the first.
    """
    n = len(rows)
    first_s = rows[0][0]
    shapes = [exp((first_s - t) / tau_s) for t, _ in rows]
    mean_shape = sum(shapes) / n
    mean_value = sum(v for _, v in rows) / n
    sxx = sxy = 0.0
    for shape, (_, value) in zip(shapes, rows, strict=True):
        sxx += (shape - mean_shape) ** 2
        sxy += (shape - mean_shape) * (value - mean_value)
    way = sxy / sxx if sxx > 1e-12 else 0.0
    goal = mean_value - way * mean_shape
    left = sum(
        (value - goal - way * shape) ** 2 for shape, (_, value) in zip(shapes, rows, strict=True)
    )
    spread = 1.0 / n + (mean_shape * mean_shape / sxx if sxx > 1e-12 else 0.0)
    level = goal + way * exp(first_s / tau_s)
    return level, goal, left, spread
