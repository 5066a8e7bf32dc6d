"""Where the rise is heading: Kalman filters of several responses, and the course since a loss.

*The filters.* Each has the state (slow level, goal): the slow level relaxes to the goal with the
filter's time constant, the goal wanders, and a part of the goal shows at once, as exhaust air does
while the chassis lags. No single response is trusted: the stated time constant may be wrong, and
lost cooling changes the resistance but not the heat capacity, so that the response slows down with
it. The filters' weights follow how well each foretold the readings (multiple-model estimation:
Magill 1965, IEEE Trans. Automatic Control 10, 434-439; from memory).

*The course.* A filter forgets; a forecast wants all that was seen since the change. Gear is no
single mass: air, parts, boards, chassis and cabinet follow one after the other, so that a course
goes on longer than its beginning lets a single exponential expect. It is therefore fitted as a sum
of relaxations whose time constants lie evenly on a logarithmic scale around the time elapsed, all
in one direction (Lawson and Hanson), each expected beforehand to bring some part of the way: what
the record doesn't show yet is filled in by that expectation, and its doubt is stated.

Both give headings, of which `forecast` finds when they cross a threshold.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import exp, inf, log
from typing import Any, TypeAlias

from cabinetwatch.thermal.forecast import Heading
from cabinetwatch.thermal.windows import LARGEST, Kept, gram, inner, nonnegative, root, solve

_MODELS = (
    # (time constant over the stated one, share of the goal that shows at once, log weight at first)
    (1.0, 0.0, 0.0), (1.6, 0.0, -1.0), (1.0, 0.3, -1.0),
)  # fmt: skip
_STATED = 0
"""Index of the filter with the stated time constant and nothing at once."""

_AMONG_TEN = (1, 2, 5)
"""Where these were in a state saved when there were ten; the others found nothing that these three
don't (`tests/benchmarks/RESULTS.md`)."""

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
_NEGLIGIBLE_WEIGHT = 1e-3
_SLOWEST_PACE, _SLOWEST_AFTER = 0.01, 96
_MEDIAN_OF_SQUARE = 0.455
_MOST_NOISE_K2 = 1e6
_LONGEST_WANDER_TAUS = 1000.0


class HeadingFilter(Kept):
    """Level and goal of a first-order response, with their uncertainty.

    Several filters run side by side (`_MODELS`); what is shown is their weighted mean. Each is a
    row of slow level and goal (K), and their covariances: slow-slow, slow-goal, goal-goal (K2).
    """

    __slots__ = (
        "_filters", "_gains", "_log_weights", "_seen", "_step_ms", "_steps", "_stretch",
        "_wild_side", "goal_k", "goal_sd_k", "level_k", "level_sd_k", "noise_k2",
        "raw_level_sd_k", "tau_s",
    )  # fmt: skip
    kept = (
        "tau_s", "_filters", "_log_weights", "_steps", "_stretch", "_wild_side", "_seen",
        "noise_k2",
    )  # fmt: skip

    def __init__(self, tau_s: float = 1.0, level_k: float = 0.0, spread_k: float = 30.0) -> None:
        self.tau_s = tau_s
        spread_k2 = spread_k * spread_k
        self._filters = [[level_k, level_k, spread_k2, 0.9 * spread_k2, spread_k2] for _ in _MODELS]
        self._log_weights = list(_PRIOR_LOG_WEIGHTS)
        self._gains: list[float] = []
        self._step_ms = -1
        self._steps = 0
        self._stretch = 1.0
        self._wild_side = 0
        self.noise_k2 = 0.01
        self.level_k = self.goal_k = level_k
        self.level_sd_k = self.goal_sd_k = self.raw_level_sd_k = spread_k
        self._seen = [0.0, 0.0]

    def loosen(self, goal_k2: float, level_k2: float) -> None:
        """Goal and level may just have jumped, by these variances; the surprise tells nothing."""
        self._log_weights = list(_PRIOR_LOG_WEIGHTS)
        self._filters = [
            [slow, goal, p11 + level_k2, p12, p22 + goal_k2]
            for slow, goal, p11, p12, p22 in self._filters
        ]
        self._blend()

    def scale_goals(self, ratio: float, doubt_k2: float) -> None:
        """The load changed by `ratio`: what cooling has lost shows in proportion to it."""
        self._filters = [
            [slow, min(max(goal * ratio, -LARGEST), LARGEST), p11, p12, p22 + doubt_k2]
            for slow, goal, p11, p12, p22 in self._filters
        ]

    def shift(self, level_k: float, goal_k: float) -> None:
        """Level and goal are counted from elsewhere from now on: add these to them."""
        self._filters = [
            [slow + (level_k - at_once * goal_k) / lags, goal + goal_k, p11, p12, p22]
            for (slow, goal, p11, p12, p22), (lags, at_once, _) in zip(
                self._filters, _SHOWN, strict=True
            )
        ]
        self._seen = [seen_k + level_k for seen_k in self._seen]
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
        """Go on by `step_ms` to a new level seen.

        `doubt_k2` is an extra variance of what is seen, `wander_k2_per_s` the variance by which the
        goal wanders in a second, `floor_k2` the least noise. `stretch` lengthens all time constants
        (settled rise over normal rise, when cooling is lost), `goals_k` are the goals that are
        possible at all.
        """
        step_s = step_ms / 1000.0
        self._learn_noise(seen_k)
        if (
            stretch != self._stretch
            and abs(stretch - self._stretch) > _STRETCH_STEP * self._stretch
        ):
            self._stretch = stretch
            self._step_ms = -1
        if step_ms != self._step_ms:
            slow_s = self._stretch * self.tau_s
            self._gains = [1.0 - exp(-step_s / (m * slow_s)) for m in _MULTIPLES]
            self._step_ms = step_ms
        # After so long a gap nothing is left of what was known: more would only drown the figures.
        longest_s, noise_k2 = _LONGEST_WANDER_TAUS * self.tau_s, self.noise_k2
        wander = wander_k2_per_s * (step_s if step_s < longest_s else longest_s)
        doubt = (noise_k2 if noise_k2 > floor_k2 else floor_k2) + doubt_k2
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
        third, half = wander * 0.33, 0.5 * wander
        filters: list[list[float]] = []
        log_weights: list[float] = []
        rows = zip(self._filters, self._gains, _SHOWN, self._log_weights, strict=True)
        for (slow, goal, p11, p12, p22), gain, (h1, h2, prior), log_weight in rows:
            keep = 1.0 - gain
            # Prediction: slow' = keep slow + gain goal, goal' = goal + wander.
            q22 = p22 + wander
            q11 = keep * keep * p11 + gain * (2.0 * keep * p12 + gain * (p22 + third))
            q12 = keep * p12 + gain * (p22 + half)
            slow = keep * slow + gain * goal
            if h2:
                error = seen_k - h1 * slow - h2 * goal
                c1 = h1 * q11 + h2 * q12
                c2 = h1 * q12 + h2 * q22
                spread = h1 * c1 + h2 * c2 + doubt
            else:
                error, c1, c2, spread = seen_k - slow, q11, q12, q11 + doubt
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
            filters.append([slow + k1 * error, goal, q11, q12 - k1 * c2, q22])
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
        self._seen = [last, seen_k]
        if self._steps < 2:
            return
        bend, noise_k2 = seen_k - 2.0 * last + before, self.noise_k2
        pace = _SLOWEST_PACE if self._steps > _SLOWEST_AFTER else 1.0 / (self._steps + 4.0)
        if bend * bend > _MEDIAN_OF_SQUARE * 6.0 * noise_k2:
            self.noise_k2 = min(_MOST_NOISE_K2, noise_k2 * (1.0 + pace))
        else:
            self.noise_k2 = max(_NOISE_FLOOR_K2, noise_k2 / (1.0 + pace))

    def _blend(self) -> None:
        total = goal_sum = goal_squares = level_sum = level_squares = 0.0
        rows = zip(self._log_weights, self._filters, _SHOWN, strict=True)
        for log_weight, (slow, goal, p11, p12, p22), (h1, h2, _) in rows:
            if log_weight < _NEGLIGIBLE:
                continue
            w = exp(log_weight) if log_weight else 1.0
            level, level_k2 = slow, p11
            if h2:
                level = h1 * slow + h2 * goal
                level_k2 = h1 * h1 * p11 + h2 * (2.0 * h1 * p12 + h2 * p22)
            total += w
            goal_sum += w * goal
            goal_squares += w * (p22 + goal * goal)
            level_sum += w * level
            level_squares += w * (level_k2 + level * level)
        self.goal_k = goal = goal_sum / total
        self.level_k = level = level_sum / total
        self.goal_sd_k = root(goal_squares / total - goal * goal)
        self.level_sd_k = root(level_squares / total - level * level)
        self.raw_level_sd_k = root(self._filters[_STATED][2])

    def headings(self) -> list[Heading]:
        """Where the rise may lead, by each filter that still counts."""
        weights = [exp(w) for w in self._log_weights]
        total = sum(weights)
        headings = []
        rows = zip(weights, self._filters, _MODELS, strict=True)
        for w, (slow, goal, _, _, p22), (multiple, at_once, _) in rows:
            if w / total < _NEGLIGIBLE_WEIGHT:
                continue
            tau_s = multiple * self._stretch * self.tau_s
            ways = (((1.0 - at_once) * (goal - slow), tau_s),)
            headings.append(Heading(w / total, goal, ways, root(p22), tau_s))
        return headings

    @property
    def stable_level_k(self) -> float:
        """Level of the filter with the stated time constant."""
        return self._filters[_STATED][0]

    def restore(self, state: dict[str, Any]) -> None:
        """Take over a saved state."""
        super().restore(state)
        if len(self._filters) > len(_MODELS):
            self._filters = [self._filters[i] for i in _AMONG_TEN]
            self._log_weights = list(_PRIOR_LOG_WEIGHTS)
        self._blend()


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
        Windows come in the order of their times.
        """
        rows = self.rows
        if self._per_bin == 1:
            rows.append((t_ms, seen_k, load_goal_k))
        else:
            n, seen_sum, goal_sum = self._bins
            n, seen_sum, goal_sum = n + 1, seen_sum + seen_k, goal_sum + load_goal_k
            self._bins = (n, seen_sum, goal_sum)
            if n < self._per_bin:
                return
            rows.append((t_ms, seen_sum / n, goal_sum / n))
            self._bins = (0, 0.0, 0.0)
        if self.since_ms is None:
            if len(rows) > 2 * _KEPT_BEFORE:
                del rows[:-_KEPT_BEFORE]
        elif len(rows) > _LONGEST:
            pairs = zip(rows[::2], rows[1::2], strict=False)
            self.rows = [
                ((t + u) // 2, 0.5 * (a + b), 0.5 * (g + h)) for (t, a, g), (u, b, h) in pairs
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
        """Where the course leads; None when there is too little of it."""
        since_ms, rows = self.since_ms, self.rows
        if since_ms is None or len(rows) < _FEWEST or rows[-1][0] <= since_ms:
            return None
        start_k = rows[0][1] if self._start_k is None else self._start_k
        start_sd_k = _START_UNKNOWN_K if self._start_k is None else _START_SURE_K
        goals_k = [goal_k for _, _, goal_k in rows]
        usual_k = sum(goals_k) / len(rows)
        times_s = [(t - since_ms) / 1000.0 for t, _, _ in rows]
        values_k = [value - start_k for _, value, _ in rows]
        loads = [goal_k / usual_k for goal_k in goals_k] if usual_k > 0.0 else [1.0] * len(rows)
        noise_k2 = max(noise_k * noise_k, _LEAST_NOISE_K2) / self._per_bin
        return [_fitted(times_s, values_k, loads, start_k, start_sd_k, noise_k2)]

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


def _fitted(
    times_s: Sequence[float],
    values_k: Sequence[float],
    loads: Sequence[float],
    start_k: float,
    start_sd_k: float,
    noise_k2: float,
) -> Heading:
    """Fit start and ways, all in one direction, and look ahead from the last time.

    Times since the loss, deviations from where they began, and loads over the usual one.
    """
    now_s = times_s[-1]
    n, sign = len(values_k), 1.0 if sum(values_k) >= 0.0 else -1.0
    taus_s = [pace * now_s for pace in _PACES]
    # The start may lie on either side of what was seen of it: two columns, for no coefficient
    # can be negative.
    columns = [[1.0] * n, [-1.0] * n]
    columns += [[sign * value for value in _through(tau_s, times_s, loads)] for tau_s in taus_s]
    squares, products = gram(columns, columns), [inner(column, values_k) for column in columns]
    way_k = max(_WHOLE_WAY * abs(sum(values_k[-3:])) / 3.0, _SMALLEST_WAY_K)
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
        left_k2 = inner(values_k, values_k) - 2.0 * inner(found, products)
        left_k2 += sum(f * inner(row, found) for f, row in zip(found, squares, strict=True))
        scale_k2 = _AUTOCORRELATION * max(left_k2 / max(n - 3, 1), noise_k2)
    load = loads[-1]
    goal_k = start_k + found[0] - found[1] + sign * sum(found[2:]) * load
    rows = zip(found[2:], columns[2:], taus_s, strict=True)
    ways = tuple([(way * (sign * load - column[-1]), tau_s) for way, column, tau_s in rows])
    # The doubt is that of the way gone in as long again.
    ahead = [exp(-1.0 / pace) * (1.0 - exp(-1.0 / pace)) for pace in _PACES]
    ahead_sd_k = root(inner(ahead, solve(matrix, [0.0, 0.0, *ahead])[2:]))
    return Heading(1.0, goal_k, ways, ahead_sd_k / (1.0 - exp(-1.0)), now_s)


def _through(tau_s: float, times_s: Sequence[float], loads: Sequence[float]) -> list[float]:
    """The loads since the loss, each held until the next, through a first-order response."""
    value, last_s = 0.0, 0.0
    column = []
    for t_s, load in zip(times_s, loads, strict=True):
        value += (1.0 - exp(-(t_s - last_s) / tau_s)) * (load - value)
        last_s = t_s
        column.append(value)
    return column


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
