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
from dataclasses import dataclass
from math import exp
from typing import Any, TypeAlias

from cabinetwatch.thermal.bounds import check, root
from cabinetwatch.thermal.heading import Heading
from cabinetwatch.thermal.leastsq import gram, inner, nonnegative, solve

_PACES = (0.02, 0.06, 0.18, 0.55, 1.6, 5.0)
"""Time constants over the time elapsed, each about three times the one before."""

_FEWEST = 5
_KEPT_BEFORE = 40
_LONGEST = 120
_AUTOCORRELATION = 2.0
"""Neighbouring deviations repeat each other: each tells this much less."""

_ROUNDS = 2
_WHOLE_WAY = 3.0
_PARTS = (0.3, 0.45, 0.67, 1.0, 1.5, 2.25)
_PART_DOUBT = 2.5
"""Expected beforehand, wide of the mark by so many times itself: three times the way so far, of
which slower masses bring more, for they are the bigger ones."""

_START_SURE_K, _START_UNKNOWN_K = 0.3, 30.0
_SMALLEST_WAY_K = 0.2
_LEAST_NOISE_K2 = 1e-6

Row: TypeAlias = tuple[int, float, float]
"""End of a window (ms), the deviation in it (K), and the load's normal settled rise (K)."""


class Course:
    """Deviations of late, and all of them since a loss, in bins that double when there are many."""

    __slots__ = ("_bins", "_per_bin", "_start_k", "rows", "since_ms")

    def __init__(self) -> None:
        self.rows: list[Row] = []
        self.since_ms: int | None = None
        self._start_k: float | None = None
        self._per_bin = 1
        self._bins = (0, 0.0, 0.0)

    def add(self, t_ms: int, seen_k: float, load_goal_k: float) -> None:
        """Take the deviation of one window, and the normal settled rise of its load.

        What lost cooling adds follows the load; 0 where that isn't known: it is taken as steady.

        Raises:
            ValueError: a figure that can't be reckoned with, or windows that go back in time.
        """
        check(seen_k, load_goal_k)
        if self.rows and t_ms < self.rows[-1][0]:
            raise ValueError("windows of a course don't go back in time")
        n, seen_sum, goal_sum = self._bins
        n, seen_sum, goal_sum = n + 1, seen_sum + seen_k, goal_sum + load_goal_k
        self._bins = (n, seen_sum, goal_sum)
        if n < self._per_bin:
            return
        rows = self.rows
        # Rounded now and not when it is saved: a warm start must go on exactly.
        rows.append((t_ms, round(seen_sum / n, 4), round(goal_sum / n, 4)))
        self._bins = (0, 0.0, 0.0)
        if self.since_ms is None:
            if len(rows) > 2 * _KEPT_BEFORE:
                del rows[:-_KEPT_BEFORE]
        elif len(rows) > _LONGEST:
            pairs = zip(rows[::2], rows[1::2], strict=False)
            self.rows = [
                ((t + u) // 2, round(0.5 * (a + b), 4), round(0.5 * (g + h), 4))
                for (t, a, g), (u, b, h) in pairs
            ]
            self._per_bin *= 2

    def begin(self, since_ms: int) -> None:
        """Cooling was lost at `since_ms`, at the earliest: what follows belongs to one course."""
        self.since_ms = since_ms = _kink_ms(self.rows, since_ms)
        before = [value for t, value, _ in self.rows if t <= since_ms][-_KEPT_BEFORE // 2 :]
        self._start_k = sum(before) / len(before) if len(before) >= _FEWEST else None
        self.rows = [row for row in self.rows if row[0] > since_ms]

    def end(self) -> None:
        """The loss is over."""
        self.since_ms = None
        self._per_bin = 1
        self._bins = (0, 0.0, 0.0)

    def headings(self, noise_k: float) -> list[Heading] | None:
        """Where the course leads; None when there is too little of it.

        Raises:
            ValueError: a noise that can't be reckoned with.
        """
        check(noise_k)
        since_ms, rows = self.since_ms, self.rows
        if since_ms is None or len(rows) < _FEWEST or rows[-1][0] <= since_ms:
            return None
        start_k = rows[0][1] if self._start_k is None else self._start_k
        start_sd_k = _START_UNKNOWN_K if self._start_k is None else _START_SURE_K
        goals_k = [goal_k for _, _, goal_k in rows]
        usual_k = sum(goals_k) / len(rows)
        record = _Record(
            times_s=[(t - since_ms) / 1000.0 for t, _, _ in rows],
            values_k=[value - start_k for _, value, _ in rows],
            loads=[goal_k / usual_k for goal_k in goals_k] if usual_k > 0.0 else [1.0] * len(rows),
        )
        noise_k2 = max(noise_k * noise_k, _LEAST_NOISE_K2) / self._per_bin
        return [_heading(record, start_k, start_sd_k, noise_k2)]

    def save(self) -> dict[str, Any]:
        """State for `load`."""
        return {
            "rows": [list(row) for row in self.rows],
            "since_ms": self.since_ms,
            "start_k": self._start_k,
            "bins": [self._per_bin, *self._bins],
        }

    @classmethod
    def load(cls, state: dict[str, Any]) -> Course:
        """The course as it was at `save`."""
        new = cls()
        new.rows = [(row[0], row[1], row[2]) for row in state["rows"]]
        new.since_ms = state["since_ms"]
        new._start_k = state["start_k"]
        new._per_bin, *bins = state["bins"]
        new._bins = (bins[0], bins[1], bins[2])
        return new


@dataclass(frozen=True, slots=True)
class _Record:
    """Times since the loss, deviations from where they began, and loads over the usual one."""

    times_s: list[float]
    values_k: list[float]
    loads: list[float]

    def through(self, tau_s: float) -> list[float]:
        """The loads since the loss, each held until the next, through a first-order response."""
        value, last_s = 0.0, 0.0
        column = []
        for t_s, load in zip(self.times_s, self.loads, strict=True):
            value += (1.0 - exp(-(t_s - last_s) / tau_s)) * (load - value)
            last_s = t_s
            column.append(value)
        return column


def _heading(record: _Record, start_k: float, start_sd_k: float, noise_k2: float) -> Heading:
    """Fit start and ways, all in one direction, and look ahead from the last time."""
    values, now_s = record.values_k, record.times_s[-1]
    n, sign = len(values), 1.0 if sum(values) >= 0.0 else -1.0
    taus_s = [pace * now_s for pace in _PACES]
    # The start may lie on either side of what was seen of it: two columns, for no coefficient
    # can be negative.
    columns = [[1.0] * n, [-1.0] * n]
    columns += [[sign * value for value in record.through(tau_s)] for tau_s in taus_s]
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
    load = record.loads[-1]
    goal_k = start_k + found[0] - found[1] + sign * sum(found[2:]) * load
    rows = zip(found[2:], columns[2:], taus_s, strict=True)
    ways = tuple((way * (sign * load - column[-1]), tau_s) for way, column, tau_s in rows)
    # The doubt is that of the way gone in as long again.
    ahead = [exp(-1.0 / pace) * (1.0 - exp(-1.0 / pace)) for pace in _PACES]
    ahead_sd_k = root(inner(ahead, solve(matrix, [0.0, 0.0, *ahead])[2:]))
    return Heading(1.0, goal_k, ways, ahead_sd_k / (1.0 - exp(-1.0)), now_s)


def _kink_ms(rows: Sequence[Row], since_ms: int) -> int:
    """The instant from `since_ms` on at which the record best bends from level to climbing.

    A slow test dates a change by the first mean that it counted, which may be long before.
    """
    best_ms, best_k2 = since_ms, float("inf")
    starts = [since_ms, *(t for t, _, _ in rows[:-2] if t > since_ms)]
    for start_ms in starts:
        shapes = [max(0.0, 0.001 * (t - start_ms)) for t, _, _ in rows]
        left_k2 = _left_of_line(shapes, [value for _, value, _ in rows])
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
