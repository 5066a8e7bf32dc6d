"""What goes into the core and comes out, readings gathered into windows, and small numerics.

The border of the core is `DeviceObserver`, `learn` and the functions that sums are made with: they
hold readings within `config.values.POSSIBLE` or refuse with a ValueError what lies beyond
`LARGEST`. What they step inside (windows, filters, bounds, courses) trusts them and checks nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, inf, isfinite
from operator import mul
from typing import Any, ClassVar, Self

LARGEST = 1e12
"""No figure of a house comes near it, in SI units; its fourth power is still finite by far."""

SMALLEST = 1e-9
"""What something is divided by lies above it: a time constant in seconds, a power in watts."""


def check(*figures: float) -> None:
    """Refuse with a ValueError what is no number, or beyond `LARGEST` either way."""
    for figure in figures:
        if not -LARGEST <= figure <= LARGEST:
            raise ValueError(f"{figure:zg} is no figure to reckon with")


def check_positive(*figures: float) -> None:
    """Refuse with a ValueError what nothing can be divided by."""
    for figure in figures:
        if not SMALLEST <= figure <= LARGEST:
            raise ValueError(f"{figure:zg} is no positive figure to reckon with")


def checked(result: float) -> float:
    """Give a result back that is finite; ValueError for one that isn't."""
    if not isfinite(result):
        raise ValueError("the figures given lead beyond all numbers; check them")
    return result


def root(square: float) -> float:
    """Square root; 0 for what rounding has brought a little below 0; ValueError for infinity."""
    if 0.0 < square < inf:
        positive: float = square**0.5
        return positive
    return checked(0.0 * square)


class Saved:
    """Saves the attributes that `kept` names, for `restore`.

    What a saved state doesn't have stays as it was made.
    """

    __slots__ = ()
    kept: ClassVar[tuple[str, ...]] = ()

    def save(self) -> dict[str, Any]:
        """State, JSON-able."""
        return {name.lstrip("_"): getattr(self, name) for name in self.kept}

    def restore(self, state: dict[str, Any]) -> None:
        """Take over a saved state."""
        for name in self.kept:
            setattr(self, name, state.get(name.lstrip("_"), getattr(self, name)))


class Kept(Saved):
    """What is made of its saved state alone."""

    __slots__ = ()

    @classmethod
    def load(cls, state: dict[str, Any]) -> Self:
        """A new one, as it was at `save`."""
        new = cls()
        new.restore(state)
        return new


class LowPassRow:
    """First-order low passes with the time constants `poles_s`, all fed with the same signal.

    The signal is given as its mean over a step; each filter takes it with the exact gain
    `1 - exp(-dt/tau)`, so the length of the steps doesn't matter.
    """

    __slots__ = ("_gains", "_step_ms", "poles_s", "values")

    def __init__(self, poles_s: Sequence[float]) -> None:
        self.poles_s = list(poles_s)
        self.values = [0.0] * len(self.poles_s)
        self._step_ms = -1
        self._gains: list[float] = []

    def settle(self, value: float) -> None:
        """Put all filters at `value`, as if the signal had stood there for ever."""
        self.values = [value] * len(self.poles_s)

    def advance(self, step_ms: int, mean: float) -> list[float]:
        """Take the signal's mean over `step_ms` and return the filters' values after it."""
        if step_ms != self._step_ms:
            step_s = step_ms / 1000.0
            self._gains = [1.0 - exp(-step_s / pole_s) for pole_s in self.poles_s]
            self._step_ms = step_ms
        self.values = [v + g * (mean - v) for v, g in zip(self.values, self._gains, strict=True)]
        return self.values


_TOLERANCE = 1e-9
_MOST = 1e60


def _check(matrix: Sequence[Sequence[float]], right: Sequence[float]) -> None:
    if not right or [len(row) for row in matrix] != [len(right)] * len(right):
        raise ValueError("a system has as many rows as columns, and as many right sides")
    if not all(-_MOST <= figure <= _MOST for row in (right, *matrix) for figure in row):
        raise ValueError("a system with such figures can't be solved")


def inner(a: Sequence[float], b: Sequence[float]) -> float:
    """Sum of products; ValueError for one that a float doesn't hold."""
    return checked(float(sum(map(mul, a, b))))


def gram(
    columns: Sequence[Sequence[float]], weighted: Sequence[Sequence[float]]
) -> list[list[float]]:
    """The matrix X' W X; `weighted` are the columns times the weights.

    ValueError for one that a float doesn't hold, and columns that have no weighted ones.
    """
    n = len(columns)
    if len(weighted) != n:
        raise ValueError("each column has a weighted one")
    rows = [[0.0] * n for _ in range(n)]
    for i in range(n):
        for j in range(i, n):
            rows[i][j] = rows[j][i] = inner(weighted[i], columns[j])
    return rows


def solve(matrix: list[list[float]], right: list[float]) -> list[float]:
    """Solve a symmetric positive definite system by Gauss elimination with row pivoting.

    A pivot that vanishes (a column that repeats others) gets the coefficient 0. ValueError for a
    system that isn't square, and for figures whose products a float doesn't hold.
    """
    _check(matrix, right)
    n = len(right)
    rows = [[*row, value] for row, value in zip(matrix, right, strict=True)]
    for i in range(n):
        best = max(range(i, n), key=lambda r: abs(rows[r][i]))
        rows[i], rows[best] = rows[best], rows[i]
        pivot = rows[i]
        if abs(pivot[i]) < 1e-14:
            continue
        for lower in rows[i + 1 :]:
            factor = lower[i] / pivot[i]
            if factor:
                lower[i:] = [v - factor * p for v, p in zip(lower[i:], pivot[i:], strict=True)]
    answer = [0.0] * n
    for i in reversed(range(n)):
        if abs(rows[i][i]) >= 1e-14:
            answer[i] = (rows[i][n] - inner(rows[i][i + 1 : n], answer[i + 1 :])) / rows[i][i]
    return answer


def nonnegative(matrix: list[list[float]], right: list[float]) -> list[float]:
    """Minimise x'Mx/2 - r'x over x >= 0 by the active-set method (Lawson and Hanson).

    ValueError as in `solve`.
    """
    _check(matrix, right)
    n = len(right)
    scale = [max(matrix[i][i], 1e-30) ** 0.5 for i in range(n)]
    m = [[matrix[i][j] / (scale[i] * scale[j]) for j in range(n)] for i in range(n)]
    r = [right[i] / scale[i] for i in range(n)]
    size = max(abs(v) for v in r) or 1.0
    x = [0.0] * n
    active: list[int] = []
    for _ in range(6 * n):
        slope = [r[i] - inner(m[i], x) for i in range(n)]
        outside = [i for i in range(n) if i not in active]
        best = max(outside, key=lambda i: slope[i], default=-1)
        if best < 0 or slope[best] <= _TOLERANCE * size:
            break
        active.append(best)
        x = _step_inside(m, r, x, active)
    return [value / s for value, s in zip(x, scale, strict=True)]


def _step_inside(
    m: list[list[float]], r: list[float], x: list[float], active: list[int]
) -> list[float]:
    """Go to the free minimum over the active set, dropping what would turn negative."""
    while active:
        free = solve([[m[i][j] for j in active] for i in active], [r[i] for i in active])
        if min(free) > 0.0:
            break
        # One that is 0 and stays 0 (a column that repeats others) leaves no room for a step.
        step = min(
            x[i] / (x[i] - f) if x[i] > f else 0.0
            for i, f in zip(active, free, strict=True)
            if f <= 0.0
        )
        for i, f in zip(active, free, strict=True):
            x[i] += step * (f - x[i])
        active[:] = [i for i in active if x[i] > 1e-12]
    else:
        free = []
    result = [0.0] * len(r)
    for i, f in zip(active, free, strict=True):
        result[i] = f
    return result


@dataclass(frozen=True, slots=True)
class DeviceSettings:
    """What the configuration says about one device.

    `normal_rise_k` at `normal_power_w` and `time_constant_s` are commissioned values: what is given
    isn't learnt. `off_below_w` None means 5 % of the normal or rated power. The rates are those
    that the tests for lost cooling and for a missing rise are made for.
    """

    has_power: bool = False
    normal_rise_k: float | None = None
    normal_power_w: float | None = None
    time_constant_s: float | None = None
    rated_power_w: float | None = None
    off_below_w: float | None = None
    learning_days: float = 7.0
    false_alarms_per_year: float = 0.5
    false_missing_per_year: float = 0.5


@dataclass(slots=True)
class Figures:
    """The device as last judged. `normal_*` and `resistance_k_per_w` are None where unknown.

    `rise_sd_k` and `settled_rise_sd_k` are standard deviations; 1.96 of them make the 95 %
    interval. `rise_at_load_k` is the rise as if the present load had stood long enough for its part
    to have come.
    """

    t_ms: int
    temperature_c: float
    ambient_c: float
    felt_ambient_c: float
    power_w: float | None
    raw_rise_k: float
    rise_k: float
    rise_sd_k: float
    rise_at_load_k: float
    settled_rise_k: float
    settled_rise_sd_k: float
    normal_rise_k: float | None
    highest_normal_k: float | None
    lowest_normal_k: float | None
    resistance_k_per_w: float | None
    time_constant_s: float
    noise_k: float


@dataclass(slots=True)
class Resolution:
    """Smallest difference seen between neighbouring values (K); 0 until two differ."""

    last: float | None = None
    step: float = 0.0

    def take(self, value: float) -> None:
        """Look at the next value."""
        last, self.last = self.last, value
        if last is not None:
            change = value - last if value > last else last - value
            if change > 1e-3 and (change < self.step - 1e-6 or self.step == 0.0):
                self.step = min(change, 1.0)


SHORTEST_WINDOW_MS = 9_000
"""Our choice: ten-second readings with jitter make one window each, faster ones are averaged."""

LONGEST_LINE_MS = 600_000
"""Ambient readings further apart than this are not joined by a straight line."""


@dataclass(slots=True)
class Window:
    """What the inputs were over one window that ends at `t_ms`.

    `ambient_c` is the ambient at the readings, `ambient_mean_c` its mean over the whole window
    (straight lines between readings), `ambient_age_ms` how old its last reading is, `power_w` the
    mean power, `last_power_w` the latest one; None = unknown.
    """

    t_ms: int
    step_ms: int
    temperature_c: float
    ambient_c: float
    ambient_mean_c: float
    power_w: float | None
    last_power_w: float | None
    ambient_age_ms: int = 0

    def check(self) -> None:
        """Refuse with a ValueError a figure beyond all reckoning, or a step that isn't above 0."""
        power_w, last_power_w = self.power_w or 0.0, self.last_power_w or 0.0
        if not (
            -LARGEST <= self.temperature_c <= LARGEST
            and -LARGEST <= self.ambient_c <= LARGEST
            and -LARGEST <= self.ambient_mean_c <= LARGEST
            and -LARGEST <= power_w <= LARGEST
            and -LARGEST <= last_power_w <= LARGEST
        ):
            check(self.temperature_c, self.ambient_c, self.ambient_mean_c, power_w, last_power_w)
        if self.step_ms <= 0:
            raise ValueError(f"a window lasts some time, not {self.step_ms} ms")


class WindowGatherer(Kept):
    """Closes a window at the reading that completes it.

    A window is complete when every input has spoken in it and it is long enough. An input that
    stays silent is waited for up to `patience_ms`; that is noticed at a temperature reading. A
    reading dated before others (one that waited for its turn) counts as one of their instant.
    """

    __slots__ = kept = (
        "_ambient_area", "_ambient_c", "_ambient_n", "_ambient_sum", "_ambient_t_ms",
        "_latest_ms", "_opened_ms", "_power_area", "_power_n", "_power_t_ms", "_power_w",
        "_temperature_n", "_temperature_sum", "expects_power", "patience_ms",
    )  # fmt: skip

    def __init__(self, expects_power: bool = False, patience_ms: int = 60_000) -> None:
        self.expects_power = expects_power
        self.patience_ms = patience_ms
        self._latest_ms: int | None = None
        self._opened_ms: int | None = None
        self._temperature_sum = 0.0
        self._temperature_n = 0
        self._ambient_c: float | None = None
        self._ambient_t_ms = 0
        self._ambient_area = 0.0
        self._ambient_sum = 0.0
        self._ambient_n = 0
        self._power_w: float | None = None
        self._power_t_ms = 0
        self._power_area = 0.0
        self._power_n = 0

    def ambient(self, t_ms: int, ambient_c: float) -> Window | None:
        """Take an ambient reading; return the window that it completes, if it does."""
        latest_ms = self._latest_ms
        if latest_ms is not None and t_ms < latest_ms:
            t_ms = latest_ms
        self._latest_ms = t_ms
        before_c, before_ms, opened_ms = self._ambient_c, self._ambient_t_ms, self._opened_ms
        if before_c is None:
            self._ambient_area = 0.0 if opened_ms is None else ambient_c * (t_ms - opened_ms)
        else:
            # The window before counted the old value as held; the straight line puts that right.
            uncounted_ms = line_ms = t_ms - before_ms
            if opened_ms is not None and opened_ms > before_ms:
                uncounted_ms = t_ms - opened_ms
            line_ms = min(line_ms, LONGEST_LINE_MS)
            self._ambient_area += before_c * uncounted_ms
            self._ambient_area += 0.5 * (ambient_c - before_c) * line_ms
        self._ambient_c, self._ambient_t_ms = ambient_c, t_ms
        self._ambient_sum += ambient_c
        self._ambient_n += 1
        return self._closed_if_complete(t_ms)

    def power(self, t_ms: int, power_w: float | None) -> Window | None:
        """Take a power reading, or None when the power is no longer known."""
        latest_ms = self._latest_ms
        if latest_ms is not None and t_ms < latest_ms:
            t_ms = latest_ms
        self._latest_ms = t_ms
        before_w, before_ms, opened_ms = self._power_w, self._power_t_ms, self._opened_ms
        if before_w is None:
            self._power_area = 0.0 if opened_ms is None else (power_w or 0.0) * (t_ms - opened_ms)
        else:
            uncounted_ms = t_ms - before_ms
            if opened_ms is not None and opened_ms > before_ms:
                uncounted_ms = t_ms - opened_ms
            self._power_area += before_w * uncounted_ms
            if power_w is not None and opened_ms is not None:
                # Loads step at an unknown instant between two readings: take the middle.
                self._power_area += 0.5 * (power_w - before_w) * uncounted_ms
        self._power_w, self._power_t_ms = power_w, t_ms
        self._power_n += 1
        return self._closed_if_complete(t_ms)

    def temperature(self, t_ms: int, temperature_c: float) -> Window | None:
        """Take a reading of the device's temperature."""
        latest_ms = self._latest_ms
        if latest_ms is not None and t_ms < latest_ms:
            t_ms = latest_ms
        self._latest_ms = t_ms
        opened_ms = self._opened_ms
        if opened_ms is None:
            self._open(t_ms)
            return None
        self._temperature_sum += temperature_c
        self._temperature_n += 1
        if self._ambient_c is None:
            return None
        lasts_ms = t_ms - opened_ms
        if lasts_ms >= self.patience_ms and lasts_ms >= SHORTEST_WINDOW_MS:
            return self._close(t_ms, opened_ms)
        return self._closed_if_complete(t_ms)

    def forget_ambient(self) -> None:
        """The ambient is lost: no window closes until it speaks again."""
        self._ambient_c = None
        self._ambient_area = 0.0
        self._ambient_sum = 0.0
        self._ambient_n = 0

    def _closed_if_complete(self, t_ms: int) -> Window | None:
        opened_ms = self._opened_ms
        if opened_ms is None or t_ms - opened_ms < SHORTEST_WINDOW_MS:
            return None
        if self._temperature_n and self._ambient_n and (self._power_n or not self.expects_power):
            return self._close(t_ms, opened_ms)
        return None

    def _close(self, t_ms: int, opened_ms: int) -> Window:
        ambient_c = self._ambient_c
        if ambient_c is None:
            raise ArithmeticError("only a window that has an ambient is closed")
        step_ms = t_ms - opened_ms
        ambient_area = self._ambient_area
        ambient_area += ambient_c * (t_ms - max(self._ambient_t_ms, opened_ms))
        power_w = self._power_w
        mean_power_w = power_w
        if power_w is not None:
            power_area = self._power_area + power_w * (t_ms - max(self._power_t_ms, opened_ms))
            mean_power_w = max(0.0, power_area / step_ms)
        window = Window(
            t_ms,
            step_ms,
            self._temperature_sum / self._temperature_n,
            self._ambient_sum / self._ambient_n if self._ambient_n else ambient_c,
            ambient_area / step_ms,
            mean_power_w,
            power_w,
            t_ms - self._ambient_t_ms,
        )
        self._open(t_ms)
        return window

    def _open(self, t_ms: int) -> None:
        self._opened_ms = t_ms
        self._temperature_sum = self._ambient_sum = 0.0
        self._temperature_n = self._ambient_n = self._power_n = 0
        self._ambient_area = self._power_area = 0.0
