"""What a trial is handed, what of it can be used, and figures with their intervals.

A phase comes as it was read: gaps, doubles, fault values, dead sensors. `clean` leaves what can be
used or raises the sentence that says why nothing can; `make_profile` averages it over equal
windows, on which all fitting rests. An `Estimate` is a figure with its 95 % interval; the rules of
the GUM for carrying uncertainty on are its methods.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from cabinetwatch.text import CabinetwatchError, TemperatureUnit, counted, describe_duration

Floats = NDArray[np.float64]
Name = Literal["before", "after"]
Curve = Sequence[tuple[float, float]]
"""A derating curve: (temperature in degC, fraction of rated load allowed)."""


class Series(NamedTuple):
    """Readings of one sensor in SI units, its offset applied.

    `t_ms` (n,) ms, UTC or watch time, in any order; `value` (n,) beside it.
    """

    t_ms: NDArray[np.int64]
    value: Floats


EMPTY = Series(np.empty(0, dtype=np.int64), np.empty(0))


@dataclass(frozen=True)
class Phase:
    """One phase: its interval (ms, the end not included) and the readings that fell into it.

    Readings outside the interval are left aside. `power` is the device's whole power in W; the
    optional ones are None where the device has no such sensor. `let_go`: there were more readings,
    which the store has let go.
    """

    start_ms: int
    end_ms: int
    temperature: Series
    ambient: Series
    power: Series | None = None
    fan: Series | None = None
    sound: Series | None = None
    let_go: bool = False


@dataclass(frozen=True)
class Enclosing:
    """A device that encloses this one: its temperature sensor is this one's ambient.

    `settled_rise_k` is None where it isn't known; `uncertainty_k` is the half width of its 95 %
    interval.
    """

    device: str
    settled_rise_k: float | None
    uncertainty_k: float = 0.0


ASSUMED_ACCURACY_K = 0.5
"""Taken where a sensor's accuracy isn't stated: that of the common digital ones (DS18B20 from -10
to 85 degC, by its data sheet)."""


@dataclass(frozen=True)
class Subject:
    """What is known of the device and the site, from the configuration.

    `curve_lowering_k` is by how much altitude lowers the threshold. Accuracies are half widths in
    K, None where none is stated. `unit` is that in which people read temperatures.
    """

    device: str
    design_ambient_c: float
    derating: Curve | None = None
    derating_air: Literal["device", "ambient"] = "device"
    rated_power_w: float | None = None
    curve_lowering_k: float = 0.0
    temperature_accuracy_k: float | None = None
    ambient_accuracy_k: float | None = None
    unit: TemperatureUnit = TemperatureUnit.CELSIUS
    enclosing: tuple[Enclosing, ...] = ()

    @property
    def accuracies_k(self) -> tuple[float, float]:
        """Those of temperature and ambient, assumed where they aren't stated."""
        stated = self.temperature_accuracy_k, self.ambient_accuracy_k
        temperature, ambient = (ASSUMED_ACCURACY_K if a is None else a for a in stated)
        return temperature, ambient


@dataclass(frozen=True)
class Terms:
    """What the trial is judged by: the margin to accept at, and the activation energy for life."""

    accept_margin_k: float = 5.0
    activation_energy_ev: float = 0.7


@dataclass(frozen=True)
class Trial:
    """Everything of one trial, as far as it has come. `change` phases are not counted."""

    subject: Subject
    before: Phase | None
    after: Phase | None
    zero: Phase | None = None


LEAST_READINGS = 12
"""Fewer can't tell five unknowns with anything to spare; our choice."""

LARGEST_HOLE = 0.25
"""Largest part of a phase in which a temperature may be missing; our choice."""

LARGEST_LOAD_HOLE = 0.5
WILD_K = 3.0

LONGEST_STILLNESS = 0.4
"""Part of a phase that a sensor may stand still in without being asked about; our choice."""

FEWEST_READINGS = 20
STIR_K = 1.0
"""What the air around a device must move by to be seen at the device; our choice."""

FLICKER = 0.5
"""Scatter, in steps of the sensor, with which a long stillness can't be chance; our choice."""


class UnusablePhaseError(CabinetwatchError):
    """Why a phase tells nothing, as one sentence."""


def clean(phase: Phase, name: str, other: Phase | None = None) -> Phase:
    """Give the phase with usable readings only, in order of time.

    Readings outside the interval, that are no numbers, or that stand alone and wild between calm
    neighbours are left out. An optional sensor with too little to say becomes None. `other` is
    another phase of the same sensors, to know them by.

    Raises:
        UnusablePhaseError: too few readings, too large a hole, or a sensor that stood still.
    """
    if phase.end_ms <= phase.start_ms:
        raise UnusablePhaseError(f"The {name} phase is empty: it ends when it begins.")
    temperature = _without_wild(_within(phase.temperature, phase))
    ambient = _without_wild(_within(phase.ambient, phase))
    for series, what in ((temperature, "temperature"), (ambient, "ambient")):
        _check_amount(series, phase, f"The {name} phase", what)
    # The device must follow its ambient, so that is a witness for it; not the other way about.
    for series, witness, elsewhere, what in (
        (temperature, ambient, None if other is None else other.temperature, "temperature"),
        (ambient, None, None if other is None else other.ambient, "ambient"),
    ):
        part = _stood_still(series, witness, elsewhere)
        if part is not None:
            raise UnusablePhaseError(
                f"The {what} did not move at all for {100 * part:z.0f} % of the {name} phase,"
                " though it or the air moved at other times: its sensor looks dead."
            )
    return replace(
        phase,
        temperature=temperature,
        ambient=ambient,
        power=_optional(phase.power, phase),
        fan=_optional(phase.fan, phase),
        sound=_optional(phase.sound, phase),
    )


def _within(series: Series, phase: Phase) -> Series:
    keep = (
        (series.t_ms >= phase.start_ms) & (series.t_ms < phase.end_ms) & np.isfinite(series.value)
    )
    order = np.argsort(series.t_ms[keep], kind="stable")
    return Series(series.t_ms[keep][order], series.value[keep][order])


def _without_wild(series: Series) -> Series:
    """Leave out a reading far from two neighbours that agree with each other."""
    value = series.value
    if len(value) < 3:
        return series
    apart = np.abs(value[2:] - value[:-2])
    off = np.abs(value[1:-1] - (value[2:] + value[:-2]) / 2)
    wild = np.zeros(len(value), dtype=bool)
    wild[1:-1] = off > np.maximum(WILD_K, 3 * apart)
    wild[0] = abs(value[0] - value[1]) > max(WILD_K, 5 * abs(value[1] - value[2]))
    wild[-1] = abs(value[-1] - value[-2]) > max(WILD_K, 5 * abs(value[-2] - value[-3]))
    return Series(series.t_ms[~wild], value[~wild])


def _optional(series: Series | None, phase: Phase) -> Series | None:
    if series is None:
        return None
    within = _within(series, phase)
    if len(within.value) < 2 or _largest_hole(within, phase) > LARGEST_LOAD_HOLE:
        return None
    return within


def _check_amount(series: Series, phase: Phase, begin: str, what: str) -> None:
    count, hole = len(series.value), _largest_hole(series, phase)
    if phase.let_go and (count < LEAST_READINGS or hole > LARGEST_HOLE):
        raise UnusablePhaseError(
            f"{begin} can't be judged any more: single readings of its {what} were deleted. The"
            " store keeps them for keep_raw_days, and those of a trial's phases for"
            " keep_minutes_days, up to a week of each."
        )
    if count == 0:
        raise UnusablePhaseError(f"{begin} has no readings of the {what}.")
    if count < LEAST_READINGS:
        raise UnusablePhaseError(
            f"{begin} has only {counted(count, 'reading')} of the {what}; at least {LEAST_READINGS}"
            " are needed, and a phase of three time constants is better."
        )
    if hole > LARGEST_HOLE:
        hole_s = hole * (phase.end_ms - phase.start_ms) / 1000
        raise UnusablePhaseError(
            f"{begin} has no reading of the {what} for {describe_duration(hole_s)},"
            f" {100 * hole:z.0f} % of it: the sensor was silent, or the clock was set."
        )


def _largest_hole(series: Series, phase: Phase) -> float:
    """The longest time without a reading, as a part of the phase; 1 for no readings."""
    marks = np.concatenate([[phase.start_ms], series.t_ms, [phase.end_ms]])
    return float(np.max(np.diff(marks))) / (phase.end_ms - phase.start_ms)


def _stood_still(series: Series, witness: Series | None, elsewhere: Series | None) -> float | None:
    """The part of its time that a sensor stood still for, when it must be dead; else None.

    Dead is one that flickers at other times (of this phase, or `elsewhere`), or one whose
    `witness`, which it would have to follow, moved meanwhile by more than its own steps.
    """
    t_ms, value = series
    changes = np.flatnonzero(np.diff(value)) + 1
    firsts = np.concatenate([[0], changes])
    lasts = np.concatenate([changes - 1, [len(value) - 1]])
    longest = int(np.argmax(lasts - firsts))
    first, last = int(firsts[longest]), int(lasts[longest])
    part = int(t_ms[last] - t_ms[first]) / max(1, int(t_ms[-1] - t_ms[0]))
    if part <= LONGEST_STILLNESS or last - first + 1 < FEWEST_READINGS:
        return None
    moved_k = 0.0
    if witness is not None:
        during = witness.value[(witness.t_ms >= t_ms[first]) & (witness.t_ms <= t_ms[last])]
        if len(during):
            moved_k = float(np.ptp(during)) - 2 * smallest_step(witness.value)
    outside = [value[:first], value[last + 1 :], *([] if elsewhere is None else [elsewhere.value])]
    return part if moved_k > STIR_K or any(_flickers(each) for each in outside) else None


def _flickers(value: Floats) -> bool:
    step = smallest_step(value)
    return len(value) >= FEWEST_READINGS and step > 0 and scatter(value) >= FLICKER * step


def smallest_step(value: Floats) -> float:
    """Give the smallest difference between values (n,) that occur; 0 when all are the same."""
    apart = np.diff(np.unique(value))
    return float(np.min(apart)) if len(apart) else 0.0


def scatter(value: Floats) -> float:
    """Give the standard deviation of the noise, from second differences: blind to slow changes."""
    return float(np.sqrt(np.mean(np.diff(value, 2) ** 2) / 6.0)) if len(value) > 2 else 0.0


MOST_WINDOWS = 120
"""Enough to see a response (20 windows a time constant over six of them); our choice."""

LEAST_W = 0.1
"""A mean below this is a meter that sees nothing of the device, not a load; our choice."""

MOST_TOGETHER = 40
"""For a likelihood their means over groups are enough: so many groups at most."""


def _together(windows: int) -> int:
    return -(-windows // MOST_TOGETHER)


@dataclass(frozen=True)
class Profile:
    """Means of a phase over m equal windows.

    `t_s` (m,) middles of the windows, from the begin of the phase; `temperature_c` and `count` (m,)
    with NaN and 0 where nothing was read; `ambient_c` and `power_w` (m,) without holes, the latter
    None where no power is known, or none was drawn.
    """

    t_s: Floats
    width_s: float
    temperature_c: Floats
    count: Floats
    ambient_c: Floats
    power_w: Floats | None

    @property
    def span_s(self) -> float:
        """The length of the phase in s."""
        return self.width_s * len(self.t_s)

    @property
    def together(self) -> int:
        """How many neighbouring windows make a group, such that groups are few."""
        return _together(len(self.t_s))

    @property
    def group_s(self) -> float:
        """The width of a group in s: no response faster than that can be made out."""
        return self.width_s * self.together

    @property
    def mean_power_w(self) -> float | None:
        """Time mean of the power in W; None where none is known."""
        return None if self.power_w is None else float(np.mean(self.power_w))

    @property
    def load(self) -> Floats:
        """Power over its mean (m,); all 1 where it isn't known."""
        if self.power_w is None:
            return np.ones_like(self.t_s)
        return np.asarray(self.power_w / np.mean(self.power_w))


def make_profile(phase: Phase) -> Profile:
    """Average a cleaned phase over equal windows, as many as its temperature readings can fill."""
    span_s = (phase.end_ms - phase.start_ms) / 1000.0
    gap_s = float(np.median(np.diff(phase.temperature.t_ms))) / 1000.0
    windows = int(min(MOST_WINDOWS, max(2.0, span_s / max(gap_s, 1e-3))))
    windows -= windows % _together(windows)
    edges_s = np.linspace(0.0, span_s, windows + 1)
    middles_s = (edges_s[1:] + edges_s[:-1]) / 2

    def means(series: Series) -> tuple[Floats, Floats, Floats]:
        """Mean instant, mean value and number of readings per window."""
        t_s = (series.t_ms - phase.start_ms) / 1000.0
        row = np.clip(np.searchsorted(edges_s, t_s, side="right") - 1, 0, windows - 1)
        count = np.bincount(row, minlength=windows).astype(float)
        with np.errstate(invalid="ignore"):
            instant = np.bincount(row, t_s, windows) / count
            return instant, np.bincount(row, series.value, windows) / count, count

    def filled(series: Series) -> Floats:
        """Window means, on straight lines through the windows in which nothing was read."""
        instant, mean, count = means(series)
        known = count > 0
        return np.interp(middles_s, instant[known], mean[known])

    _, temperature_c, count = means(phase.temperature)
    power_w = None if phase.power is None else filled(phase.power)
    if power_w is not None and float(np.mean(power_w)) < LEAST_W:
        power_w = None
    ambient_c = filled(phase.ambient)
    return Profile(middles_s, span_s / windows, temperature_c, count, ambient_c, power_w)


COVERAGE_FACTOR = 2.0
"""Of an expanded uncertainty, for about 95 % (GUM, JCGM 100:2008, 6.3.3; from memory)."""


_EVEN_K = 0.15
"""Half widths that differ by less are written as one."""


@dataclass(frozen=True)
class Estimate:
    """A value and its 95 % interval, which needn't lie evenly about it; `dof` degrees of freedom.

    `dof` says how far the tails reach: the half widths are Student's t(dof) times a standard
    uncertainty on that side.
    """

    value: float
    low: float
    high: float
    dof: float = math.inf

    def written(self, unit: TemperatureUnit, *, sign: bool = False) -> str:
        r"""Write a figure in K with the half width of its 95 % interval, or its ends if uneven.

        >>> even, uneven = Estimate(2.0, 1.2, 2.8), Estimate(2.0, 1.6, 3.4)
        >>> even.written(TemperatureUnit.CELSIUS), even.written(TemperatureUnit.FAHRENHEIT)
        ('2.0\xa0K ± 0.8\xa0K', '3.6\xa0°F ± 1.4\xa0°F')
        >>> uneven.written(TemperatureUnit.FAHRENHEIT, sign=True)
        '+3.6\xa0°F (+2.9\xa0°F to +6.1\xa0°F)'
        """
        value, low, high = (
            unit.difference(each, sign=sign) for each in (self.value, self.low, self.high)
        )
        below, above = self.value - self.low, self.high - self.value
        if abs(below - above) < _EVEN_K:
            return f"{value} ± {unit.difference(max(below, above))}"
        return f"{value} ({low} to {high})"

    def shifted(self, by: float) -> "Estimate":
        """Give the same figure with something exact added."""
        return Estimate(self.value + by, self.low + by, self.high + by, self.dof)

    def scaled(self, by: float) -> "Estimate":
        """Multiply by an exact factor above 0."""
        return Estimate(self.value * by, self.low * by, self.high * by, self.dof)

    def widened(self, half_width: float) -> "Estimate":
        """Add a further, independent 95 % half width, in quadrature."""
        return Estimate(
            self.value,
            self.value - math.hypot(self.value - self.low, half_width),
            self.value + math.hypot(self.high - self.value, half_width),
            self.dof,
        )

    def minus(self, other: "Estimate") -> "Estimate":
        """Give the difference of two independent figures.

        Standard uncertainties add in quadrature, degrees of freedom by Welch and Satterthwaite
        (Welch 1947; GUM, JCGM 100:2008, G.4).
        """

        def side(half_width: float, other_half_width: float) -> tuple[float, float]:
            one, two = half_width / _factor(self.dof), other_half_width / _factor(other.dof)
            square = one**2 + two**2
            if square == 0.0:
                return 0.0, min(self.dof, other.dof)
            share = one**4 / self.dof + two**4 / other.dof
            dof = square**2 / share if share > 0.0 else math.inf
            return _factor(dof) * math.sqrt(square), dof

        below, dof_below = side(self.value - self.low, other.high - other.value)
        above, dof_above = side(self.high - self.value, other.value - other.low)
        value = self.value - other.value
        return Estimate(value, value - below, value + above, min(dof_below, dof_above))


def mean_of(values: Floats) -> Estimate:
    """Give the mean of readings (n,), n at least 2; neighbours that resemble count for less."""
    mean = float(np.mean(values))
    size = max(2.0, len(values) * share_that_counts(lag_one(values - np.mean(values))))
    dof = max(1.0, size - 1.0)
    half = _factor(dof) * float(np.std(values, ddof=1)) / math.sqrt(size)
    return Estimate(mean, mean - half, mean + half, dof)


def rectangular(*half_widths: float) -> float:
    """Give the 95 % half width of errors that may lie anywhere within each of the half widths.

    Each has the standard uncertainty a / sqrt(3) (GUM, JCGM 100:2008, 4.3.7).
    """
    return COVERAGE_FACTOR * math.sqrt(sum(a * a for a in half_widths) / 3.0)


def lag_one(residuals: Floats) -> float:
    """Give the correlation of evenly spaced residuals (n,) about 0 with their neighbours.

    0 for fewer than three, and where all are 0.
    """
    power = float(np.dot(residuals, residuals))
    if len(residuals) < 3 or power == 0.0:
        return 0.0
    return float(np.dot(residuals[1:], residuals[:-1])) / power


def share_that_counts(correlation: float) -> float:
    """Give the effective share of a sample: (1 - r) / (1 + r) for a first-order process.

    Source: Bayley and Hammersley 1946, from memory. Never above 1: neighbours that lean away from
    each other are not taken for more readings than there are.
    """
    correlation = min(max(correlation, 0.0), 0.99)
    return (1.0 - correlation) / (1.0 + correlation)


def _factor(dof: float) -> float:
    return float(stdtrit(dof, 0.975))
