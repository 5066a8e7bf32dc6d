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
from math import exp, log
from operator import mul
from typing import Any, TypeAlias
from zlib import compress, decompress

from cabinetwatch.thermal.windows import SMALLEST, Window, check, check_positive, gram, nonnegative

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
        end_s = 0 if self.start_ms is None else round((window.t_ms - self.start_ms) / 1000.0)
        if max(end_s, window.step_ms // 1000) > _LONGEST_S:
            self.clear()
            return
        if end_s < (self.end_s[-1] if self.end_s else 0):
            raise ValueError("windows don't go back in time")
        if self.start_ms is None:
            self.start_ms = window.t_ms - window.step_ms
        self._length_ms += window.step_ms
        self._ambient_area += window.ambient_mean_c * window.step_ms
        power = UNKNOWN if window.power_w is None else window.power_w
        self._power_area += power * window.step_ms
        if self._length_ms < _BIN_MS or len(self) >= self.longest:
            return
        self.end_s.append(round((window.t_ms - self.start_ms) / 1000.0))
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
    return b64encode(compress(values.tobytes())).decode("ascii")


def _unpack(code: str, text: str) -> array[Any]:
    values: array[Any] = array(code)
    values.frombytes(decompress(b64decode(text)))
    return values


POLES_S = tuple(60.0 * 2.0**i for i in range(9))
EXPONENTS = (0.4, 0.55, 0.7, 0.85, 1.0)
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
        for pole in POLES_S:
            value = signal[0]
            gains: dict[float, float] = {}
            column = array("d")
            for mean, length_s in zip(signal, self.lengths_s, strict=True):
                gain = gains.get(length_s)
                if gain is None:
                    gain = gains[length_s] = 1.0 - exp(-length_s / pole)
                value += gain * (mean - value)
                column.append(value)
            columns.append(column)
        return columns

    def pick(self, column: Sequence[float]) -> Column:
        """The sound rows of a column."""
        return array("d", (v for v, ok in zip(column, self.sound, strict=True) if ok))


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
    return array("d", (1.0 if abs(r) <= limit else limit / abs(r) for r in residuals))


def _residuals(
    target: Sequence[float], columns: Sequence[Sequence[float]], x: Sequence[float]
) -> Column:
    left = array("d", target)
    for column, factor in zip(columns, x, strict=True):
        if factor:
            left = array("d", (v - factor * c for v, c in zip(left, column, strict=True)))
    return left


def _solve_shares(
    target: Column,
    columns: list[Column],
    weights: Column,
    ambient_n: int,
    prior: Sequence[float],
    noise_k2: float,
) -> list[float]:
    """Weighted nonnegative fit; the first `ambient_n` coefficients sum to 1 and lean to `prior`."""
    weighted = [array("d", map(mul, weights, column)) for column in columns]
    matrix = gram(columns, weighted)
    right = [sum(map(mul, column, target)) for column in weighted]
    pull = noise_k2 * _AUTOCORRELATION
    tie = 1e3 * max(matrix[i][i] for i in range(ambient_n)) + 1.0
    for i in range(len(columns)):
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
    target = array("d", (t - centre for t in record.pick(record.temperature)))
    ambient = [
        array("d", (v - centre for v in record.pick(column)))
        for column in [record.ambient, *record.ambient_columns]
    ]
    ones = array("d", [1.0]) * len(target)
    minus = array("d", [-1.0]) * len(target)
    prior = ambient_prior(tau_guess_s)
    weights, noise_k2 = ones, 0.04
    best: LoadFit | None = None
    exponents = EXPONENTS if varied else (0.85,)
    for turn in range(2):
        for exponent in exponents if turn == 0 or best is None else (best.exponent,):
            law = [(p / reference_w) ** exponent for p in mean_power]
            law_now = [(p / reference_w) ** exponent for p in power]
            load = [record.pick(column) for column in [law_now, *record.low_passed(law)]]
            columns = [*ambient, *load, ones, minus]
            x = _solve_shares(target, columns, weights, len(ambient), prior, noise_k2)
            left = _residuals(target, columns, x)
            loss = sum(map(mul, map(mul, left, left), weights)) / len(left)
            if best is None or turn == 1 or loss**0.5 < best.residual_k:
                n = len(ambient)
                gains = x[n : n + len(load)]
                best = LoadFit(
                    Spectrum(x[0], x[1:n]).scaled(),
                    Spectrum(gains[0], gains[1:]),
                    sum(gains),
                    x[-2] - x[-1],
                    exponent,
                    reference_w,
                    loss**0.5,
                )
                kept = left
        sigma = robust_sigma(kept)
        noise_k2 = sigma**2
        weights = _huber(kept, sigma)
    if best is None:
        raise ArithmeticError("a fit over at least one candidate has a best one")
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
    weights = array("d", [1.0]) * len(target)
    prior = ambient_prior(tau_guess_s)
    noise_k2 = max(robust_sigma(target), 0.02) ** 2
    x = prior
    for _ in range(4):
        x = _solve_shares(target, columns, weights, len(columns), prior, noise_k2)
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
