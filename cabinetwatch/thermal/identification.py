"""Finds a device's response and normal rise in the thinned record of its ordinary life.

The temperature is written as a sum of low-passed ambients and low-passed loads over time constants
a factor of two apart, with shares that can't be negative: the time-constant spectrum of a passive
thermal network (Foster form), so one linear problem answers for every device. Outliers lose weight
(Huber). Without power the unknown load is kept out by looking at changes over five minutes only.
"""

from __future__ import annotations

from array import array
from base64 import b64decode, b64encode
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import compress
from math import exp, log
from operator import mul
from typing import Any, TypeAlias
from zlib import compress as zipped
from zlib import decompress as unzipped

from cabinetwatch.thermal.windows import SMALLEST, Window, check, check_positive, inner, nonnegative

_BIN_MS = 59_000
_LONGEST_S = 1_000_000_000
"""Some thirty years: more than any record lasts, and less than its column of seconds holds."""

_COLUMNS = ("temperature_c", "ambient_c", "ambient_mean_c", "power_w", "power_mean_w")
UNKNOWN = -1.0
"""Stands for a power that isn't known."""


class History:
    """One row a minute (or a window, where these are longer), at most `longest` rows.

    Seven days are 10,080 rows of 24 bytes. Columns: end of the bin (s after `start_ms`), its length
    (s), temperature and ambient in its last window, mean ambient, last and mean power.
    """

    def __init__(self, longest: int = 11_000) -> None:
        self.longest = longest
        self.start_ms: int | None = None
        self.end_s = array("i")
        self.columns = {name: array("f") for name in _COLUMNS}
        self._length_ms = 0
        self._ambient_area = 0.0
        self._power_area = 0.0

    def __len__(self) -> int:
        return len(self.end_s)

    def add(self, window: Window) -> None:
        """Take one window. After a gap that no record spans it begins anew with the next.

        ValueError for figures that can't be reckoned with, or a window that goes back in time.
        """
        window.check()
        start_ms, t_ms, step_ms, ends_s = self.start_ms, window.t_ms, window.step_ms, self.end_s
        end_s = 0 if start_ms is None else round((t_ms - start_ms) / 1000.0)
        if end_s > _LONGEST_S or step_ms > 1000 * _LONGEST_S:
            self.clear()
            return
        if end_s < (ends_s[-1] if ends_s else 0):
            raise ValueError("windows don't go back in time")
        if start_ms is None:
            start_ms = self.start_ms = t_ms - step_ms
        self._length_ms += step_ms
        self._ambient_area += window.ambient_mean_c * step_ms
        power = UNKNOWN if window.power_w is None else window.power_w
        self._power_area += power * step_ms
        if self._length_ms < _BIN_MS or len(ends_s) >= self.longest:
            return
        ends_s.append(round((t_ms - start_ms) / 1000.0))
        last_power = UNKNOWN if window.last_power_w is None else window.last_power_w
        row = (
            window.temperature_c,
            window.ambient_c,
            self._ambient_area / self._length_ms,
            last_power,
            self._power_area / self._length_ms,
        )
        for name, value in zip(_COLUMNS, row, strict=True):
            self.columns[name].append(round(value, 3))
        self._length_ms = 0
        self._ambient_area = self._power_area = 0.0

    def clear(self) -> None:
        """Forget all rows."""
        self.start_ms = None
        self._length_ms = 0
        self._ambient_area = self._power_area = 0.0
        self.end_s = array("i")
        self.columns = {name: array("f") for name in _COLUMNS}

    def save(self) -> dict[str, Any]:
        """State for `load`; rows packed, about ten bytes each."""
        return {
            "start_ms": self.start_ms,
            "end_s": _pack(array("i", self.end_s)),
            "columns": {name: _pack(column) for name, column in self.columns.items()},
            "bin": [self._length_ms, self._ambient_area, self._power_area],
            "longest": self.longest,
        }

    @classmethod
    def load(cls, state: dict[str, Any]) -> History:
        """The record as it was at `save`."""
        new = cls(state["longest"])
        new.start_ms = state["start_ms"]
        new.end_s = _unpack("i", state["end_s"])
        new.columns = {name: _unpack("f", text) for name, text in state["columns"].items()}
        new._length_ms, new._ambient_area, new._power_area = state["bin"]
        return new


def _pack(values: array[Any]) -> str:
    return b64encode(zipped(values.tobytes())).decode("ascii")


def _unpack(code: str, text: str) -> array[Any]:
    values: array[Any] = array(code)
    values.frombytes(unzipped(b64decode(text)))
    return values


POLES_S = tuple(60.0 * 2.0**i for i in range(9))
EXPONENTS = (0.4, 0.55, 0.7, 0.85, 1.0)
_FIRST_EXPONENT = 0.85
_BURN_IN_S = 10_800
_GAP_S = 900
_HUBER_SIGMAS = 3.0
_PRIOR_SD = 0.3
_AUTOCORRELATION = 40.0
"""Residuals of neighbouring minutes repeat each other: a row tells this much less."""


@dataclass(slots=True)
class Spectrum:
    """Shares of a response: at once, and by pole of `POLES_S`."""

    at_once: float
    shares: list[float]

    def mean_tau_s(self) -> float | None:
        """Log-mean time constant of the shares that lag by more than a minute."""
        lagging = sum(self.shares)
        if lagging < SMALLEST:
            return None
        return exp(sum(s * log(p) for s, p in zip(self.shares, POLES_S, strict=True)) / lagging)

    def scaled(self) -> Spectrum:
        """The same with a sum of one."""
        total = self.at_once + sum(self.shares)
        if total < SMALLEST:
            # Nothing was found that follows: all of it at once is as good as any.
            return Spectrum(1.0, [0.0 for _ in self.shares])
        return Spectrum(self.at_once / total, [s / total for s in self.shares])


Column: TypeAlias = "array[float]"


class Record:
    """A device's history with its low-passed ambient, ready for fitting; ValueError without any."""

    def __init__(self, history: History) -> None:
        if not len(history):
            raise ValueError("an empty record teaches nothing")
        self.end_s = history.end_s
        self.temperature = history.columns["temperature_c"]
        self.ambient = history.columns["ambient_c"]
        self.ambient_mean = history.columns["ambient_mean_c"]
        self.power = history.columns["power_w"]
        self.power_mean = history.columns["power_mean_w"]
        self.lengths_s = self._lengths()
        self.sound = self._sound_rows()

    @cached_property
    def ambient_columns(self) -> list[Column]:
        """The mean ambient through each of `POLES_S`."""
        return self.low_passed(self.ambient_mean)

    def _lengths(self) -> list[float]:
        previous = [self.end_s[0] - 60, *self.end_s[:-1]]
        return [float(b - a) for a, b in zip(previous, self.end_s, strict=True)]

    def _sound_rows(self) -> list[bool]:
        """Rows far enough from the start and from gaps for the low passes to be right."""
        usual = sorted(self.lengths_s)[len(self.lengths_s) // 2]
        ready_s = self.end_s[0] + _BURN_IN_S
        sound = []
        for end_s, length_s in zip(self.end_s, self.lengths_s, strict=True):
            if length_s > max(_GAP_S, 3.0 * usual):
                ready_s = end_s + 3600
            sound.append(end_s >= ready_s)
        return sound

    def low_passed(self, signal: Sequence[float]) -> list[Column]:
        """The signal through each of `POLES_S`."""
        columns = []
        means, lengths_s = list(signal), set(self.lengths_s)
        for pole in POLES_S:
            gain_of = {length_s: 1.0 - exp(-length_s / pole) for length_s in lengths_s}
            value, values = means[0], []
            for mean, gain in zip(means, map(gain_of.__getitem__, self.lengths_s), strict=True):
                value += gain * (mean - value)
                values.append(value)
            columns.append(array("d", values))
        return columns

    def pick(self, column: Sequence[float]) -> Column:
        """The sound rows of a column."""
        return array("d", compress(column, self.sound))


@dataclass(slots=True)
class LoadFit:
    """A fit with known power: temperature = ambient part + offset + gain (P/ref)^exponent part."""

    ambient: Spectrum
    load: Spectrum
    gain_k: float
    offset_k: float
    exponent: float
    reference_w: float
    residual_k: float


def robust_sigma(values: Sequence[float]) -> float:
    """Standard deviation from the median absolute value; ValueError for what is no figure."""
    check(*values)
    return sorted(abs(v) for v in values)[len(values) // 2] / 0.6745 if values else 0.0


def _huber(residuals: Sequence[float], sigma: float) -> Column:
    limit = _HUBER_SIGMAS * max(sigma, 1e-3)
    return array("d", [1.0 if r <= limit else limit / r for r in map(abs, residuals)])


def _residuals(
    target: Sequence[float], columns: Sequence[Sequence[float]], x: Sequence[float]
) -> Column:
    left = list(target)
    for column, factor in zip(columns, x, strict=True):
        if factor:
            left = [v - factor * c for v, c in zip(left, column, strict=True)]
    return array("d", left)


def _weighted(columns: list[Column], weights: Column | None) -> list[Column]:
    if weights is None:
        return columns
    return [array("d", map(mul, weights, column)) for column in columns]


def _products(
    columns: list[Column], weighted: list[Column], known: Sequence[list[float]] = ()
) -> list[list[float]]:
    """The matrix X' W X; `known` are the products of the first columns with each other."""
    rows = [list(row) for row in known]
    for n in range(len(rows), len(columns)):
        column = columns[n]
        row = [inner(each, column) for each in weighted[: n + 1]]
        for above, product in zip(rows, row, strict=False):
            above.append(product)
        rows.append(row)
    return rows


def _solve_shares(
    matrix: list[list[float]],
    right: list[float],
    ambient_n: int,
    prior: Sequence[float],
    noise_k2: float,
) -> list[float]:
    """Nonnegative fit; the first `ambient_n` coefficients sum to 1 and lean to `prior`."""
    pull = noise_k2 * _AUTOCORRELATION
    tie = 1e3 * max(matrix[i][i] for i in range(ambient_n)) + 1.0
    for i in range(len(right)):
        if i < ambient_n:
            matrix[i][i] += pull / _PRIOR_SD**2
            right[i] += prior[i] * pull / _PRIOR_SD**2 + tie
            for j in range(ambient_n):
                matrix[i][j] += tie
        else:
            matrix[i][i] += pull
    return nonnegative(matrix, right)


def ambient_prior(tau_s: float) -> list[float]:
    """Shares expected before anything is seen: a fifth at once, the rest near `tau_s`."""
    check_positive(tau_s)
    near_s = min(max(tau_s, 0.1 * POLES_S[0]), 10.0 * POLES_S[-1])
    shares = [exp(-(log(p / near_s) ** 2)) for p in POLES_S]
    total = sum(shares)
    return [0.2, *(0.8 * s / total for s in shares)]


def fit_with_power(record: Record, tau_guess_s: float, varied: bool) -> LoadFit:
    """Fit response and power law; `varied` is False when the power hardly changed.

    ValueError for a record without a sound row.
    """
    power = [max(p, 0.0) for p in record.power]
    mean_power = [max(p, 0.0) for p in record.power_mean]
    running = sorted(p for p in record.pick(power))
    if not running:
        raise ValueError("a record without a sound row teaches nothing")
    reference_w = max(running[int(0.9 * (len(running) - 1))], 1e-6)
    centre = sum(record.ambient) / len(record.ambient)
    target = array("d", [t - centre for t in record.pick(record.temperature)])
    ambient = [
        array("d", [v - centre for v in record.pick(column)])
        for column in [record.ambient, *record.ambient_columns]
    ]
    n, count = len(ambient), len(target)
    ones, minus = array("d", [1.0]) * count, array("d", [-1.0]) * count
    fixed = [*ambient, ones]
    known = _products(fixed, fixed)
    prior = ambient_prior(tau_guess_s)

    def load_columns(exponent: float) -> list[Column]:
        law, law_now = (
            [(p / reference_w) ** exponent for p in watts] for watts in (mean_power, power)
        )
        return [record.pick(column) for column in [law_now, *record.low_passed(law)]]

    def fit(
        exponent: float, load: list[Column], weights: Column | None, noise_k2: float
    ) -> tuple[LoadFit, Column]:
        """Fit with a law of this exponent; also gives what is left of the record."""
        columns = [*fixed, *load]
        weighted = _weighted(columns, weights)
        matrix = _products(columns, weighted, known if weights is None else ())
        right = [inner(column, target) for column in weighted]
        # The offset may have either sign: last of all come ones, and minus ones.
        order = [*range(n), *range(n + 1, len(columns)), n]
        matrix = [[matrix[i][j] for j in order] for i in order]
        matrix = [[*row, -row[-1]] for row in (*matrix, [-product for product in matrix[-1]])]
        right = [right[i] for i in order] + [-right[n]]
        x = _solve_shares(matrix, right, n, prior, noise_k2)
        left = _residuals(target, [*ambient, *load, ones, minus], x)
        squares = map(mul, left, left)
        loss = sum(squares if weights is None else map(mul, squares, weights)) / count
        gains = x[n:-2]
        found = LoadFit(
            Spectrum(x[0], x[1:n]).scaled(),
            Spectrum(gains[0], gains[1:]),
            sum(gains),
            x[-2] - x[-1],
            exponent,
            reference_w,
            loss**0.5,
        )
        return found, left

    def first_fit(exponent: float) -> tuple[LoadFit, Column, list[Column]]:
        load = load_columns(exponent)
        return (*fit(exponent, load, None, 0.04), load)

    place = EXPONENTS.index(_FIRST_EXPONENT)
    best, left, load = first_fit(_FIRST_EXPONENT)
    for way in (-1, 1) if varied else ():
        # Downhill: what is left has one valley along the exponents.
        while 0 <= place + way < len(EXPONENTS):
            other = first_fit(EXPONENTS[place + way])
            if other[0].residual_k >= best.residual_k:
                break
            place += way
            best, left, load = other
        if place != EXPONENTS.index(_FIRST_EXPONENT):
            break
    sigma = robust_sigma(left)
    best, _ = fit(best.exponent, load, _huber(left, sigma), sigma**2)
    best.load = best.load.scaled() if best.gain_k > 0.0 else Spectrum(0.0, [])
    return best


def fit_ambient_only(record: Record, tau_guess_s: float) -> tuple[Spectrum, float]:
    """Shares of the ambient's response from changes over five minutes, and their robust sigma."""
    lag = max(1, round(300.0 / max(record.lengths_s[len(record.lengths_s) // 2], 60.0)))

    def changes(column: Sequence[float]) -> Column:
        good = record.sound
        return array(
            "d",
            (
                b - a
                for a, b, ok in zip(column[:-lag], column[lag:], good[:-lag], strict=True)
                if ok
            ),
        )

    target = changes(record.temperature)
    columns = [changes(column) for column in [record.ambient, *record.ambient_columns]]
    weights: Column | None = None
    prior = ambient_prior(tau_guess_s)
    noise_k2 = max(robust_sigma(target), 0.02) ** 2
    x = prior
    for _ in range(4):
        weighted = _weighted(columns, weights)
        matrix = _products(columns, weighted)
        right = [inner(column, target) for column in weighted]
        x = _solve_shares(matrix, right, len(columns), prior, noise_k2)
        left = _residuals(target, columns, x)
        sigma = robust_sigma(left)
        noise_k2 = max(sigma, 0.01) ** 2
        weights = _huber(left, sigma)
    return Spectrum(x[0], x[1:]).scaled(), noise_k2**0.5


def decay_tau_s(end_s: Sequence[int], rise_k: Sequence[float], sigma_k: float) -> float | None:
    """Time constant from how the rise's own changes die away, after changes of load.

    While the rise relaxes, its means over successive blocks of length L change by `exp(-L/tau)`
    times the change before. The weighted median of that ratio over all clear pairs is robust
    against the jumps between. The shortest block that shows a clear decay counts: longer ones hold
    several jumps. ValueError for rises that can't be reckoned with; None for fewer than two.
    """
    check(sigma_k, *rise_k)
    if len(end_s) < 2 or len(rise_k) != len(end_s) or end_s[-1] <= end_s[0]:
        return None
    sums = [0.0]
    for value in rise_k:
        sums.append(sums[-1] + value)
    row_s = (end_s[-1] - end_s[0]) / (len(end_s) - 1)
    for block in _BLOCKS:
        pairs = _block_ratios(end_s, sums, block, row_s, sigma_k)
        if len(pairs) < _FEWEST_PAIRS:
            continue
        ratio = weighted_median(pairs)
        if ratio <= 0.05:
            return 0.33 * block * row_s
        if ratio < _CLEAR_DECAY:
            return -block * row_s / log(ratio)
    return None


_BLOCKS = (1, 2, 4, 8, 16, 32, 64, 120)
_FEWEST_PAIRS = 12
_CLEAR_DECAY = 0.75


def _block_ratios(
    end_s: Sequence[int], sums: Sequence[float], block: int, row_s: float, sigma_k: float
) -> list[tuple[float, float]]:
    """(ratio, weight) of successive changes between block means, the first clear of noise."""
    clear_k = 6.0 * sigma_k * (2.0 / block) ** 0.5 + 0.05
    pairs: list[tuple[float, float]] = []
    for i in range(3 * block, len(sums), max(1, block // 2)):
        if end_s[i - 1] - end_s[i - 3 * block] > 3.3 * block * row_s:
            continue
        means = [(sums[i - n * block] - sums[i - (n + 1) * block]) / block for n in range(3)]
        first, second = means[1] - means[2], means[0] - means[1]
        if abs(first) > clear_k and -0.3 < second / first < 1.2:
            pairs.append((second / first, abs(first)))
    return pairs


def weighted_median(pairs: Sequence[tuple[float, float]]) -> float:
    """The value at which half of the weight lies below; ValueError without any, or no figures."""
    if not pairs:
        raise ValueError("nothing has no median")
    check(*(figure for pair in pairs for figure in pair))
    half = 0.5 * sum(weight for _, weight in pairs)
    for value, weight in sorted(pairs):
        half -= weight
        if half <= 0.0:
            return value
    return max(pairs)[0]
