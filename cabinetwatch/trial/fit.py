"""Where a phase is heading: settled rise and time constant, averaged over structures.

A device of two masses answers a step of power with two exponentials (textbooks on linear systems).
Seen from outside, what counts is the share of the slow one and the ratio of the two time constants:

    1 - share exp(-t / slow) - (1 - share) exp(-ratio t / slow)

A share of 1 is a single mass; below 1 a fast part comes first; above 1 the warmth arrives late, as
at a sensor on the case. Which of them a device is can't be told from a short phase, so all are
tried at a grid of time constants, and averaged, each weighed by its marginal likelihood.

What no sensor tells of the load is a first-order process w of some size and memory,

    w' = w exp(-width / memory) + noise,

and reaches the temperature as any load does: through the slow lag by the share, through the fast
one by the rest. So the scatter about the fit hangs together for as long as load and device
remember, and a phase holds far fewer independent readings than it has. Each design is fitted by
generalised least squares with that covariance, which a Kalman filter gives; size and memory are
averaged over like the structures, by what the scatter makes likely.

Numbers here are our choice where no source stands beside them, held against simulated trials that
are no longer kept; what is reported is of another physics (`tests.benchmarks.trials`).
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from itertools import product
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from cabinetwatch.trial.readings import Estimate, Floats, Profile, lag_one, scatter

SHARES = (0.2, 0.3, 0.4, 0.5, 0.65, 0.8, 0.9, 1.1, 1.25)
WEIGHTS = (0.05, 0.05, 0.05, 0.06, 0.09, 0.12, 0.13, 0.13, 0.06)
RATIOS = (2.0, 4.0, 8.0, 16.0)
STRUCTURES: Floats = np.array(
    [(1.0, 8.0, 0.35)]
    + [
        (share, ratio, weight / len(RATIOS))
        for (share, weight), ratio in product(zip(SHARES, WEIGHTS, strict=True), RATIOS)
    ]
)
"""Share, ratio and prior weight, one structure a row: one mass is the likeliest."""

SENSOR_LAG_S = 40.0
"""A small sensor in moving air follows within about a minute (common practice, no source)."""

TAIL = 0.5
"""Time constant of what is slower than all else in view, as a part of the phase."""

COLUMNS = 7
WAY = [1, 2, 6]
"""The columns that tell how far the end of the phase still is from settled."""

SHORTEST_TAU_S = 15.0
LONGEST_TAU = 4.0
"""Slowest response looked for, in lengths of the phase: beyond it all is a straight line, and what
stood still could be on its way anywhere."""

MISFIT = 0.006
"""No device is exactly of two masses: a window is held to scatter by this share of the rise's
movement at least. Nor is a likelihood then narrower than the grid of time constants."""

UNSEEN = 0.22
"""What the phase did not show is known no better than this part of it."""

SIZES = (0.004, 0.009, 0.018, 0.038, 0.08, 0.2)
SIZE_WEIGHTS = (0.2, 0.2, 0.22, 0.22, 0.12, 0.04)
MEMORIES_S, MEMORY_WEIGHTS = (200.0, 1000.0), (0.6, 0.4)
LOADS: Floats = np.array(
    [
        (size, memory_s, weight * part)
        for (size, weight), (memory_s, part) in product(
            zip(SIZES, SIZE_WEIGHTS, strict=True), zip(MEMORIES_S, MEMORY_WEIGHTS, strict=True)
        )
    ]
)
"""What the load may do that nobody measured, one wander a row: its standard deviation as a share of
the load, its memory in s, prior weight. Large wanders and long memories are held to be rarer."""

FIRST_LOADS: Floats = np.array([(0.006, 300.0, 0.6), (0.03, 600.0, 0.4)])
"""The same, few and coarse, to find out which designs are likely at all."""

SENSOR, SENSOR_WARM = 0.1, 0.4
"""How much changes at once, but for the sensor's lag, as a part of the movement of the rise; and
what is added where a phase began settled: the stream of a fan slowed or set free is another within
seconds."""

ONSET, ONSET_S = 0.1, 60.0
"""That lag is known only roughly, and with it the first minutes of what did not begin cold: they
are held to scatter by this part of the movement besides, less by the time."""

LEAST_SD_K = 0.03
POOR_FROM_K = 0.2
"""Scatter below this is not called a poor fit."""

POOR_SHARE, POOR_CORRELATION = 0.01, 0.6
MOST_WANDER = 0.1
"""A load that wanders by more is no equal load (as in `judgement`): something else has changed."""

ROUGHEST_LOG_SD = 0.8
"""A time constant of which the logarithm is known no better than this says nothing."""

LIKELY = 1e-3
"""Designs of less weight than this, beside the likeliest, are let go."""

GRID, FINE, FINEST = 16, 10, 12
STRUCTURES_AHEAD = 3
"""So many of the likeliest structures tell which loads and time constants are likely."""
UNLIKELY = 0.02
"""Structures and loads of less weight than this, beside the likeliest, are not looked at finely."""

AT_ONCE = 700
"""So many designs and loads go through the filter together: all fits into a processor's cache."""
QUANTILES = 200
"""By so many quantiles each distribution of a mixture stands for itself."""

ENDS = (0.025, 0.5, 0.975)
MIDDLE_68 = (0.16, 0.5, 0.84)


class TimeConstant(NamedTuple):
    """A 63.2 % time in s, and the standard uncertainty of its logarithm."""

    value_s: float
    log_sd: float


class Hypotheses(NamedTuple):
    """The designs and loads that a phase leaves likely, each (n,).

    Logarithm of the time constant in s; weight; settled rise and its standard uncertainty in K, as
    of Student's distribution of `dof`; which of `STRUCTURES` and of `LOADS`.
    """

    log_tau: Floats
    weight: Floats
    rise_k: Floats
    rise_sd_k: Floats
    structure: NDArray[np.int64]
    load: NDArray[np.int64]
    dof: float

    @property
    def wander(self) -> float:
        """What of the load wandered unmeasured, a standard deviation as a share of it."""
        return float(self.weight @ LOADS[self.load, 0])

    def rise(self) -> Estimate:
        """Give the settled rise over all of them."""
        # Their quantiles, each distribution standing for itself by its own quantiles.
        spread = stdtrit(self.dof, (np.arange(QUANTILES) + 0.5) / QUANTILES)
        rises_k = (self.rise_k[:, None] + self.rise_sd_k[:, None] * spread).ravel()
        weight = np.repeat(self.weight / QUANTILES, QUANTILES)
        low, middle, high = quantiles(rises_k, weight, ENDS)
        return Estimate(float(middle), float(low), float(high), self.dof)


@dataclass(frozen=True)
class Settling:
    """Where a phase is heading.

    `rise`: settled rise at the phase's mean load, K; without the accuracy of the sensors.
    `time_constant`: what the phase itself tells of the 63.2 % time, be it next to nothing;
    `hypotheses`: the same together with the rise that goes with each time constant.
    `missing_k`: settled rise less rise at the end of the phase. `spread_k`: standard deviation
    about the fit. `fitted_c` (m,): the response of the likeliest structure, degC.
    `felt_ambient_c` (m,): ambient as that structure feels it, degC. `poor`: the temperature
    followed another curve.
    """

    rise: Estimate
    time_constant: TimeConstant
    hypotheses: Hypotheses
    missing_k: float
    spread_k: float
    fitted_c: Floats
    felt_ambient_c: Floats
    poor: bool

    @property
    def rough_time_constant_s(self) -> float | None:
        """The time constant, however rough: for waiting times. None where it says nothing."""
        told = self.time_constant
        return told.value_s if told.log_sd <= ROUGHEST_LOG_SD else None


class Designs(NamedTuple):
    """Structures with their time constants, k of them, each (k,).

    63.2 % and slow time constant in s, share and ratio, prior weight; which structure it is.
    """

    tau_s: Floats
    slow_s: Floats
    share: Floats
    ratio: Floats
    prior: Floats
    structure: NDArray[np.int64]


class Groups(NamedTuple):
    """Groups of windows, m of them: width in s, which were read, their white noise in K, (m,)."""

    width_s: float
    read: NDArray[np.bool_]
    noise_k: Floats


class _Weighed(NamedTuple):
    """The designs (k,) under h loads with their weights, each (h, k); coefficients (h, k, 7).

    Each gives the settled rise a Student distribution of `dof`.
    """

    weight: Floats
    coefficients: Floats
    rise_sd_k: Floats
    missing_k: Floats
    dof: float

    @property
    def rise_k(self) -> Floats:
        return self.coefficients[..., 0]


def settle(profile: Profile) -> Settling:
    """Estimate settled rise and time constant of a phase.

    Expects at least `readings.LEAST_READINGS` windows with readings.
    """
    seen_c = profile.temperature_c[profile.count > 0]
    rise_k = seen_c - profile.ambient_c[profile.count > 0]
    scale = scale_of(rise_k)
    # First all that the phase could be, then more finely what it is likely to be.
    shortest_s = max(profile.group_s, SHORTEST_TAU_S)
    grid_s = np.geomspace(shortest_s, LONGEST_TAU * profile.span_s, GRID)
    largest_k = max(1.0, float(np.max(np.abs(rise_k))))
    designs = _designs(grid_s, range(len(STRUCTURES)))
    coarse = _weigh(profile, designs, _loads(largest_k, FIRST_LOADS), scale)
    by_structure = np.bincount(designs.structure, np.sum(coarse.weight, axis=0))
    settled_k = max(1.0, abs(float(np.sum(coarse.weight * coarse.rise_k))))
    loads = _loads(settled_k, LOADS)
    designs = _designs(
        _likely_s(designs, coarse, FINE), np.argsort(by_structure)[-STRUCTURES_AHEAD:]
    )
    ahead = _weigh(profile, designs, loads, scale)
    by_load = np.sum(ahead.weight, axis=1)
    likely_loads = np.flatnonzero(by_load > UNLIKELY * np.max(by_load))
    designs = _designs(
        _likely_s(designs, ahead, FINEST),
        np.flatnonzero(by_structure > UNLIKELY * np.max(by_structure)),
    )
    weighed = _weigh(profile, designs, loads[likely_loads], scale)
    hypotheses = _likely(weighed, designs, likely_loads)
    load, best = np.unravel_index(np.argmax(weighed.weight), weighed.weight.shape)
    likeliest = Designs._make(each[best : best + 1] for each in designs)
    x, _ = columns(profile, likeliest)
    felt_c = lagged(profile.ambient_c, profile.width_s, likeliest.slow_s)[0]
    fitted_c = felt_c + x[0] @ weighed.coefficients[load, best]
    residuals = (profile.temperature_c - fitted_c)[profile.count > 0]
    spread_k = float(np.std(residuals))
    return Settling(
        rise=hypotheses.rise(),
        time_constant=_time_constant(hypotheses),
        hypotheses=hypotheses,
        missing_k=float(quantiles(weighed.missing_k, weighed.weight, (0.5,))[0]),
        spread_k=spread_k,
        fitted_c=fitted_c,
        felt_ambient_c=felt_c,
        poor=is_poor(residuals, scale.moved_k)
        and spread_k > POOR_FROM_K
        and hypotheses.wander > MOST_WANDER,
    )


def quantiles(values: Floats, weight: Floats, parts: tuple[float, ...]) -> Floats:
    """Give the values below which these parts of the weight lie; both of one shape."""
    order = np.argsort(values, axis=None)
    reached = np.cumsum(weight.ravel()[order])
    return np.interp(parts, reached / reached[-1], values.ravel()[order])


def _loads(rise_k: float, loads: Floats) -> Floats:
    """Bring wanders as shares of the load to K of a settled rise."""
    return np.asarray(loads * [rise_k, 1.0, 1.0])


def _designs(time_constants_s: Floats, structures: Iterable[int]) -> Designs:
    """Lay out the structures at every 63.2 % time."""
    which = np.array(list(structures))
    units = np.array([response_time(*STRUCTURES[each, :2].tolist()) for each in which])
    repeated = np.repeat(which, len(time_constants_s))
    tau_s = np.tile(time_constants_s, len(which))
    share, ratio, prior = STRUCTURES[repeated].T
    slow_s = tau_s / np.repeat(units, len(time_constants_s))
    return Designs(tau_s, slow_s, share, ratio, prior, repeated)


def _likely_s(designs: Designs, weighed: _Weighed, count: int) -> Floats:
    """Lay a finer grid over the time constants that are likely, and one step beyond."""
    grid_s = np.unique(designs.tau_s)
    weight = np.bincount(np.searchsorted(grid_s, designs.tau_s), np.sum(weighed.weight, axis=0))
    first, last = np.flatnonzero(weight > LIKELY * np.max(weight))[[0, -1]]
    least_s = max(grid_s[0] * grid_s[0] / grid_s[1], SHORTEST_TAU_S / 2)
    low_s = grid_s[first - 1] if first else least_s
    return np.geomspace(low_s, grid_s[min(last + 1, len(grid_s) - 1)], count)


def _likely(weighed: _Weighed, designs: Designs, loads: NDArray[np.int64]) -> Hypotheses:
    likely = weighed.weight > LIKELY * np.max(weighed.weight)
    load, design = np.nonzero(likely)
    weight = weighed.weight[likely]
    return Hypotheses(
        np.log(designs.tau_s[design]),
        weight / np.sum(weight),
        weighed.rise_k[likely],
        weighed.rise_sd_k[likely],
        designs.structure[design],
        loads[load],
        weighed.dof,
    )


def is_poor(residuals: Floats, data_range: float) -> bool:
    """Tell whether residuals (m,) are those of a wrong curve.

    Residuals of chance scatter; those of a wrong curve hang together, and are large beside the
    range of the data.
    """
    spread = float(np.std(residuals))
    return lag_one(residuals) > POOR_CORRELATION and spread > POOR_SHARE * data_range


@cache
def response_time(share: float, ratio: float) -> float:
    """Give the 63.2 % time of a structure, in slow time constants."""
    # By halves: a root finder of scipy's would take half a second of each report to import.
    low, high = 1e-4, 5.0
    for _ in range(60):
        middle = (low + high) / 2
        left = share * math.exp(-middle) + (1 - share) * math.exp(-ratio * middle)
        low, high = (middle, high) if left > math.exp(-1.0) else (low, middle)
    return high


class Scale(NamedTuple):
    """How far the rise moves in a phase, K, and how warm it began: 0 for cold, at most 1."""

    moved_k: float
    warm: float


def scale_of(rise_k: Floats) -> Scale:
    """Tell both from the rises of a phase (m,)."""
    part = max(1, len(rise_k) // 20)
    first_k, last_k = (float(np.mean(each)) for each in (rise_k[:part], rise_k[-part:]))
    warm = first_k / last_k if last_k > 0 else 0.0
    return Scale(max(0.3, float(np.ptp(rise_k))), min(max(warm, 0.0), 1.0))


def priors(scale: Scale) -> tuple[Floats, Floats]:
    """Give mean and standard deviation of the coefficients (7,) before the fit.

    Rises of some tens of K; ambient felt at once by a quarter, give or take; everything that is not
    the response itself small beside what the rise moves by in the phase.
    """
    moved_k = scale.moved_k
    sensor = SENSOR + SENSOR_WARM * scale.warm
    return (
        np.array([0.0, 0.0, 0.0, 0.25, 0.0, 0.0, 0.0]),
        np.array([40.0, 20.0, 0.07 * moved_k, 0.25, sensor * moved_k, 0.3, 0.07 * moved_k]),
    )


def columns(profile: Profile, designs: Designs) -> tuple[Floats, Floats]:
    """Lay out k designs: x (k, m, 7), y (k, m).

    y is the temperature less the ambient as felt, K. The columns of x: settled rise by load, the
    response's way from the start, its fast part alone, ambient felt at once, the sensor's lag,
    ambient felt by the fast part, the tail.
    """
    slow_s, fast_s = designs.slow_s, designs.slow_s / designs.ratio
    t_s, width_s = profile.t_s, profile.width_s
    slow_way, fast_way = np.exp(-t_s / slow_s[:, None]), np.exp(-t_s / fast_s[:, None])
    slow_ambient = lagged(profile.ambient_c, width_s, slow_s)
    fast_ambient = lagged(profile.ambient_c, width_s, fast_s)
    part = designs.share[:, None]
    load = np.ones_like(slow_way)
    if np.ptp(profile.load) > 0:
        load = part * lagged(profile.load, width_s, slow_s)
        load += (1 - part) * lagged(profile.load, width_s, fast_s)
    shape = slow_way.shape
    x = np.stack(
        [
            load,
            part * slow_way + (1 - part) * fast_way,
            fast_way,
            profile.ambient_c - slow_ambient,
            np.broadcast_to(np.exp(-t_s / SENSOR_LAG_S), shape),
            fast_ambient - slow_ambient,
            np.broadcast_to(np.exp(-t_s / (TAIL * profile.span_s)), shape),
        ],
        axis=-1,
    )
    return x, profile.temperature_c - slow_ambient


def lagged(values: Floats, width_s: float, tau_s: Floats) -> Floats:
    """Pass evenly spaced values (m,) through first-order lags tau_s (k,), settled at the start.

    Exact for straight lines between the values. Gives (k, m).
    """
    decay, new, old = _lag(width_s, tau_s)
    passed = np.empty((len(tau_s), len(values)))
    level = np.full(len(tau_s), values[0])
    passed[:, 0] = level
    for i in range(1, len(values)):
        level = decay * level + new * values[i] + old * values[i - 1]
        passed[:, i] = level
    return passed


def _lag(width_s: float, tau_s: Floats) -> tuple[Floats, Floats, Floats]:
    """What a first-order lag keeps over a window, and takes of the new and of the old value.

    For a straight line between the two: y1 = y0 d + u1 (1 - s) + u0 (s - d) with d = exp(-w / tau),
    s = (1 - d) tau / w.
    """
    decay = np.exp(-width_s / tau_s)
    share = (1 - decay) * tau_s / width_s
    return decay, 1 - share, share - decay


def _weigh(profile: Profile, designs: Designs, loads: Floats, scale: Scale) -> _Weighed:
    """Weigh every design under every load (h, 3) by its marginal likelihood.

    `loads` has the size of the wander in K, its memory in s and its prior weight, a row each.
    """
    x, y = columns(profile, designs)
    mean, sd = priors(scale)
    fine = np.concatenate([x, (y - x @ mean)[..., None]], axis=-1)
    groups, data = _grouped(profile, scale, fine)
    once = max(1, AT_ONCE // len(designs.prior))
    parts = [
        whitened_products(groups, designs, loads[i : i + once], data)
        for i in range(0, len(loads), once)
    ]
    products, log_det = (np.concatenate(each) for each in zip(*parts, strict=True))
    information = products[..., :COLUMNS, :COLUMNS] + np.diag(sd**-2.0)
    moment = products[..., :COLUMNS, COLUMNS]
    covariance = np.linalg.inv(information)
    shift = np.einsum("hkij,hkj->hki", covariance, moment)
    misfit = products[..., COLUMNS, COLUMNS] - np.einsum("hki,hki->hk", moment, shift)
    log_weight = np.log(loads[:, 2:] * designs.prior) - log_det / 2
    log_weight += np.linalg.slogdet(covariance)[1] / 2
    log_weight -= misfit / 2
    weight = np.exp(log_weight - np.max(log_weight))
    coefficients = shift + mean
    missing_k = -np.einsum("ki,hki->hk", x[:, -1, WAY], coefficients[..., WAY])
    rise_sd_k = np.sqrt(covariance[..., 0, 0] + LEAST_SD_K**2 + (UNSEEN * missing_k) ** 2)
    dof = max(3.0, float(np.sum(groups.read)) - COLUMNS + 2)
    return _Weighed(weight / np.sum(weight), coefficients, rise_sd_k, missing_k, dof)


def _grouped(profile: Profile, scale: Scale, fine: Floats) -> tuple[Groups, Floats]:
    """Average data of windows (k, n, 8) over groups, and say how a group scatters by itself."""
    read = profile.count > 0
    noise_k = scatter(profile.temperature_c[read]) / math.sqrt(profile.together)
    read = read.reshape(-1, profile.together)
    width_s = profile.group_s
    middles_s = width_s * (np.arange(len(read)) + 0.5)
    onset_k = ONSET * scale.warm * scale.moved_k * np.exp(-middles_s / ONSET_S)
    sd_k = np.sqrt(noise_k**2 + (MISFIT * scale.moved_k) ** 2 + onset_k**2)
    share = read / np.maximum(1, np.sum(read, axis=1, keepdims=True))
    whole = np.nan_to_num(fine).reshape(len(fine), *read.shape, -1)
    groups = Groups(width_s, np.any(read, axis=1), sd_k)
    return groups, np.einsum("kmgi,mg->kmi", whole, share)


def whitened_products(
    groups: Groups, designs: Designs, loads: Floats, data: Floats
) -> tuple[Floats, Floats]:
    """Products (h, k, 8, 8) of the data (k, m, 8) after a Kalman filter, and log determinants.

    Its state is the load's wander w, a first-order process, and w passed through two lags, slow and
    fast; what is seen is both by their shares, with white noise. Innovations over their
    standard deviations are uncorrelated and of unit variance, so that least squares on them are
    generalised least squares on the data (textbooks on state-space models). Each column goes
    through the same filter.
    """
    width_s, read, noise_k = groups
    keep = np.exp(-width_s / loads[:, 1])[:, None]
    # The mean over a window wanders less than an instant.
    part = loads[:, 1] / width_s
    size = (loads[:, 0] ** 2 * 2 * part * (1 - part * (1 - np.exp(-1 / part))))[:, None]
    kicks = size * (1 - keep**2)
    # What is of the two lags, slow and fast, has them on its first axes.
    tau_s, share = (
        np.stack(both)[:, None]
        for both in (
            (designs.slow_s, designs.slow_s / designs.ratio),
            (designs.share, 1 - designs.share),
        )
    )
    decay, new, old = _lag(width_s, tau_s)
    passed = old + new * keep
    shape = len(loads), len(designs.prior)
    # The covariance of the state, at first of the wander alone: what came before is in the fit.
    ww, wl, ll = np.broadcast_to(size, shape), np.zeros((2, *shape)), np.zeros((2, 2, *shape))
    w, lags = np.zeros((data.shape[-1], *shape)), np.zeros((2, data.shape[-1], *shape))
    seen = np.ascontiguousarray(data.transpose(1, 2, 0))[:, :, None, :]
    white, log_det = [], np.zeros(shape)
    for i in range(len(read)):
        if i:
            across = passed[:, None] * decay * wl
            ll = passed[:, None] * passed * ww + decay[:, None] * decay * ll
            ll += across + across.swapaxes(0, 1) + new[:, None] * new * kicks
            wl = keep * (passed * ww + decay * wl) + new * kicks
            ww = keep**2 * ww + kicks
            lags = passed[:, None] * w + decay[:, None] * lags
            w = keep * w
        if not read[i]:
            continue
        to_w, to_l = np.sum(share * wl, axis=0), np.sum(share * ll, axis=1)
        variance = np.sum(share * to_l, axis=0) + noise_k[i] ** 2
        innovation = seen[i] - np.sum(share[:, None] * lags, axis=0)
        white.append(innovation / np.sqrt(variance))
        log_det += np.log(variance)
        innovation /= variance
        w = w + to_w * innovation
        lags = lags + to_l[:, None] * innovation
        ww = ww - to_w**2 / variance
        wl = wl - to_w * to_l / variance
        ll = ll - to_l[:, None] * to_l / variance
    stacked = np.stack(white, axis=-1).transpose(1, 2, 0, 3)
    return stacked @ stacked.transpose(0, 1, 3, 2), log_det


def _time_constant(told: Hypotheses) -> TimeConstant:
    """Median over all designs, and the wider half of their middle 68 %, as logarithms."""
    low, middle, high = quantiles(told.log_tau, told.weight, MIDDLE_68)
    return TimeConstant(float(np.exp(middle)), float(max(high - middle, middle - low)))
