"""The course of a rise since the cooling was lost, fitted for where it leads.

A filter forgets; a forecast wants all that was seen since the change. Gear is no single mass: air,
parts, boards, chassis and cabinet follow one after the other, so that a course goes on longer than
its beginning lets a single exponential expect. The course is therefore fitted as a sum of
relaxations whose time constants lie evenly on a logarithmic scale around the time elapsed, all in
one direction (Lawson and Hanson), each expected beforehand to bring some part of the way: what the
record doesn't show yet is filled in by that expectation, and its doubt is stated.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import exp
from typing import Any, TypeAlias

from cabinetwatch.thermal.leastsq import gram, inner, nonnegative, solve

_PACES = (0.02, 0.06, 0.18, 0.55, 1.6, 5.0)
"""Time constants over the time elapsed, each about three times the one before."""

_FEWEST = 5
_KEPT_BEFORE = 40
_LONGEST = 120
_AUTOCORRELATION = 2.0
"""Neighbouring deviations repeat each other: each tells this much less."""

_LOAD_CHANGED, _LOAD_PACE, _CHANGED_FOR = 0.1, 0.1, 3
_ROUNDS = 2
_WHOLE_WAY = 3.0
_PARTS = (0.3, 0.45, 0.67, 1.0, 1.5, 2.25)
_PART_DOUBT = 2.5
"""Expected beforehand, wide of the mark by so many times itself: three times the way so far, of
which slower masses bring more, for they are the bigger ones."""

_START_SURE_K, _START_UNKNOWN_K = 0.3, 30.0
_SMALLEST_WAY_K = 0.2

Decay: TypeAlias = tuple[tuple[float, float], ...]
"""Shares of the way still to go, and the time constant (s) by which each goes down."""

Heading: TypeAlias = tuple[float, float, float, float, Decay]
"""Weight, level (K), goal (K), standard deviation of the goal (K), decay of the way to it."""


class Course:
    """Deviations of late, and all of them since a loss, in bins that double when there are many."""

    __slots__ = (
        "_bin_n",
        "_bin_sum",
        "_changed_n",
        "_load_goal_k",
        "_per_bin",
        "_start_k",
        "rows",
        "since_ms",
    )

    def __init__(self) -> None:
        self.rows: list[tuple[int, float]] = []
        self.since_ms: int | None = None
        self._start_k: float | None = None
        self._load_goal_k: float | None = None
        self._changed_n = 0
        self._per_bin = 1
        self._bin_sum, self._bin_n = 0.0, 0

    def add(self, t_ms: int, seen_k: float) -> None:
        """Take the deviation of one window."""
        self._bin_sum += seen_k
        self._bin_n += 1
        if self._bin_n < self._per_bin:
            return
        rows = self.rows
        # Rounded now and not when it is saved: a warm start must go on exactly.
        rows.append((t_ms, round(self._bin_sum / self._bin_n, 4)))
        self._bin_sum, self._bin_n = 0.0, 0
        if self.since_ms is None:
            if len(rows) > 2 * _KEPT_BEFORE:
                del rows[:-_KEPT_BEFORE]
        elif len(rows) > _LONGEST:
            pairs = zip(rows[::2], rows[1::2], strict=False)
            self.rows = [((t + u) // 2, round(0.5 * (a + b), 4)) for (t, a), (u, b) in pairs]
            self._per_bin *= 2

    def begin(self, since_ms: int) -> None:
        """Cooling was lost at `since_ms`, at the earliest: what follows belongs to one course."""
        self.since_ms = since_ms = _kink_ms(self.rows, since_ms)
        before = [value for t, value in self.rows if t <= since_ms][-_KEPT_BEFORE // 2 :]
        self._start_k = sum(before) / len(before) if len(before) >= _FEWEST else None
        self.rows = [row for row in self.rows if row[0] > since_ms]

    def follow_load(self, t_ms: int, load_goal_k: float) -> None:
        """Begin anew when the load has changed: what lost cooling adds follows it.

        One window alone says nothing: loads flicker, and meters are noisy.
        """
        usual_k = self._load_goal_k
        if usual_k is None:
            self._load_goal_k = load_goal_k
            return
        if abs(load_goal_k - usual_k) <= _LOAD_CHANGED * usual_k:
            self._load_goal_k = usual_k + _LOAD_PACE * (load_goal_k - usual_k)
            self._changed_n = 0
            return
        self._changed_n += 1
        if self._changed_n >= _CHANGED_FOR:
            self.since_ms = t_ms
            self._start_k = None
            self.rows = []
            self._load_goal_k, self._changed_n = load_goal_k, 0

    def end(self) -> None:
        """The loss is over."""
        self.since_ms = None
        self._load_goal_k, self._changed_n = None, 0
        self._per_bin = 1
        self._bin_sum, self._bin_n = 0.0, 0

    def headings(self, noise_k: float) -> list[Heading] | None:
        """Where the course leads; None when there is too little of it."""
        since_ms, rows = self.since_ms, self.rows
        if since_ms is None or len(rows) < _FEWEST:
            return None
        times_s = [(t - since_ms) / 1000.0 for t, _ in rows]
        start_k = rows[0][1] if self._start_k is None else self._start_k
        values = [value - start_k for _, value in rows]
        sign = 1.0 if values[-1] + values[-2] > values[0] + values[1] else -1.0
        start_sd_k = _START_UNKNOWN_K if self._start_k is None else _START_SURE_K
        noise_k2 = noise_k * noise_k / self._per_bin
        return [_heading(times_s, values, sign, start_k, start_sd_k, noise_k2)]

    def save(self) -> dict[str, Any]:
        """State for `load`."""
        return {
            "rows": [list(row) for row in self.rows],
            "since_ms": self.since_ms,
            "start_k": self._start_k,
            "load": [self._load_goal_k, self._changed_n],
            "bin": [self._per_bin, self._bin_sum, self._bin_n],
        }

    @classmethod
    def load(cls, state: dict[str, Any]) -> Course:
        """The course as it was at `save`."""
        new = cls()
        new.rows = [(row[0], row[1]) for row in state["rows"]]
        new.since_ms = state["since_ms"]
        new._start_k = state["start_k"]
        new._load_goal_k, new._changed_n = state["load"]
        new._per_bin, new._bin_sum, new._bin_n = state["bin"]
        return new


def _heading(
    times_s: Sequence[float],
    values: Sequence[float],
    sign: float,
    start_k: float,
    start_sd_k: float,
    noise_k2: float,
) -> Heading:
    """Fit start and ways, all in the direction of `sign`, and look ahead from the last time."""
    n, now_s = len(values), times_s[-1]
    taus_s = [pace * now_s for pace in _PACES]
    # The start may lie on either side of what was seen of it: two columns, for no coefficient
    # can be negative.
    columns = [[1.0] * n, [-1.0] * n]
    columns += [[sign * (1.0 - exp(-t / tau_s)) for t in times_s] for tau_s in taus_s]
    squares, products = gram(columns, columns), [inner(column, values) for column in columns]
    way_k = max(_WHOLE_WAY * abs(sum(values[-3:])) / 3.0, _SMALLEST_WAY_K)
    means_k = [part * way_k / sum(_PARTS) for part in _PARTS]
    priors = [1.0 / start_sd_k**2] * 2 + [1.0 / (_PART_DOUBT * mean) ** 2 for mean in means_k]
    scale_k2 = _AUTOCORRELATION * noise_k2
    for _ in range(_ROUNDS):
        matrix = [
            [v / scale_k2 + (priors[i] if i == j else 0.0) for j, v in enumerate(row)]
            for i, row in enumerate(squares)
        ]
        right = [p / scale_k2 for p in products]
        right[2:] = [r + m * p for r, m, p in zip(right[2:], means_k, priors[2:], strict=True)]
        found = nonnegative(matrix, right)
        left_k2 = inner(values, values) - 2.0 * inner(found, products)
        left_k2 += sum(f * inner(row, found) for f, row in zip(found, squares, strict=True))
        scale_k2 = _AUTOCORRELATION * max(left_k2 / max(n - 3, 1), noise_k2)
    to_go = [sign * way * exp(-now_s / tau_s) for way, tau_s in zip(found[2:], taus_s, strict=True)]
    level_k = start_k + found[0] - found[1] + sign * sum(found[2:]) - sum(to_go)
    total_k = sum(to_go)
    if abs(total_k) < 1e-6:
        return (1.0, level_k, level_k, 0.0, ((1.0, now_s),))
    decay = tuple((part / total_k, tau_s) for part, tau_s in zip(to_go, taus_s, strict=True))
    # The doubt is that of the way gone in as long again; farther off it grows in proportion.
    ahead = [exp(-1.0 / pace) * (1.0 - exp(-1.0 / pace)) for pace in _PACES]
    ahead_sd_k = inner(ahead, solve(matrix, [0.0, 0.0, *ahead])[2:]) ** 0.5
    ahead_k = abs(
        sum(
            part * (1.0 - exp(-now_s / tau_s))
            for part, (_, tau_s) in zip(to_go, decay, strict=True)
        )
    )
    return (1.0, level_k, level_k + total_k, abs(total_k) * ahead_sd_k / ahead_k, decay)


def _kink_ms(rows: Sequence[tuple[int, float]], since_ms: int) -> int:
    """The instant from `since_ms` on at which the record best bends from level to climbing.

    A slow test dates a change by the first mean that it counted, which may be long before.
    """
    best_ms, best_k2 = since_ms, float("inf")
    starts = [since_ms, *(t for t, _ in rows[:-2] if t > since_ms)]
    for start_ms in starts:
        shapes = [max(0.0, 0.001 * (t - start_ms)) for t, _ in rows]
        left_k2 = _left_of_line(shapes, [value for _, value in rows])
        if left_k2 < best_k2:
            best_ms, best_k2 = start_ms, left_k2
    return best_ms


def _left_of_line(x: Sequence[float], y: Sequence[float]) -> float:
    """Squares left by the straight line through the points."""
    n = len(x)
    if n < 3:
        return 0.0
    mean_x, mean_y = sum(x) / n, sum(y) / n
    sxx = inner(x, x) - n * mean_x * mean_x
    sxy = inner(x, y) - n * mean_x * mean_y
    syy = inner(y, y) - n * mean_y * mean_y
    return syy - sxy * sxy / sxx if sxx > 0.0 else syy
