"""Where a phase is heading: settled rise and time constant, averaged over structures.

y = X(tau) b + noise: for any tau the best b is a linear least-squares solution, so that only tau
has to be searched for (variable projection: Golub and Pereyra 1973, from memory).

A device of two masses answers a step of power with two exponentials (textbooks on linear systems).
Seen from outside, what counts is the share of the slow one and the ratio of the two time constants:

    1 - share exp(-t / slow) - (1 - share) exp(-ratio t / slow)

A share of 1 is a single mass; below 1 a fast part comes first; above 1 the warmth arrives late, as
at a sensor on the case. Which of them a device is can't be told from a short phase, so all are
fitted and averaged, each weighed by how well it fits.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from itertools import product
from typing import NamedTuple

import numpy as np
from numpy.linalg import lstsq
from scipy.optimize import brentq, least_squares
from scipy.signal import lfilter
from scipy.stats import t as student

from cabinetwatch.trial.readings import Estimate, Floats, Profile, lag_one, share_that_counts

Model = Callable[[float], tuple[Floats, Floats]]
"""Gives, for a time constant, the columns (m, p) and the data (m,) that they shall make up."""

POOR_SHARE = 0.01
POOR_CORRELATION = 0.6
_SLOPE_STEP = 1e-6


@dataclass(frozen=True)
class Fit:
    """A fitted response.

    `coefficients` (p,); `covariance` (p + 1, p + 1) of tau and them, in that order, None when there
    are no more data than unknowns; `residuals` (m,); `data_range` of what was fitted.
    """

    tau: float
    coefficients: Floats
    covariance: Floats | None
    residuals: Floats
    data_range: float

    @property
    def rss(self) -> float:
        """Residual sum of squares."""
        return float(np.dot(self.residuals, self.residuals))

    @property
    def residual_sd(self) -> float:
        """Residual standard deviation."""
        return float(np.sqrt(self.rss / max(1, len(self.residuals) - len(self.coefficients) - 1)))

    @property
    def correlation(self) -> float:
        """Correlation of neighbouring residuals."""
        return lag_one(self.residuals)

    @property
    def poor(self) -> bool:
        """Whether the data follow another curve than this one."""
        return is_poor(self.residuals, self.data_range)


def is_poor(residuals: Floats, data_range: float) -> bool:
    """Tell whether residuals (m,) are those of a wrong curve.

    Residuals of chance scatter; those of a wrong curve hang together, and are large beside the
    range of the data. The limits (0.6 and 1 %) are our choice.
    """
    spread = float(np.std(residuals))
    return lag_one(residuals) > POOR_CORRELATION and spread > POOR_SHARE * data_range


def fit_separable(model: Model, within: tuple[float, float], start: float, scan: int = 60) -> Fit:
    """Fit `model`, tau in `within`, searching from `start`.

    A search may stop in a hollow that isn't the deepest, or where no tau matters any more. So the
    outcome is held against a scan of `within` at `scan` values, and the search begins anew where
    that is better.

    Raises:
        ValueError: fewer data than unknowns, or something in them that is no number.
    """
    columns, y = model(start)
    if len(y) < columns.shape[1] + 1:
        raise ValueError(f"{len(y)} readings can't tell {columns.shape[1] + 1} unknowns")
    if not (np.all(np.isfinite(y)) and np.all(np.isfinite(columns))):
        raise ValueError("readings that are no numbers can't be fitted")
    tau = _search(model, within, start)
    scanned = np.geomspace(*within, scan)
    best = float(scanned[int(np.argmin([_rss(model, at) for at in scanned]))])
    if _rss(model, best) < _rss(model, tau):
        tau = _search(model, within, best)
    return _fit_at(model, tau)


def _search(model: Model, within: tuple[float, float], start: float) -> float:
    found = least_squares(
        lambda log_tau: _residuals(model, float(np.exp(log_tau[0]))),
        [np.log(start)],
        bounds=([np.log(within[0])], [np.log(within[1])]),
        xtol=1e-14,
        ftol=1e-14,
        gtol=1e-14,
    )
    return float(np.exp(found.x[0]))


def _residuals(model: Model, tau: float) -> Floats:
    columns, y = model(tau)
    return np.asarray(y - columns @ lstsq(columns, y, rcond=None)[0])


def _rss(model: Model, tau: float) -> float:
    left = _residuals(model, tau)
    return float(np.dot(left, left))


def _fit_at(model: Model, tau: float) -> Fit:
    columns, y = model(tau)
    coefficients = np.asarray(lstsq(columns, y, rcond=None)[0], dtype=np.float64)
    residuals = np.asarray(y - columns @ coefficients)

    def misses(at: float) -> Floats:
        columns_there, y_there = model(at)
        return np.asarray(columns_there @ coefficients - y_there)

    step = tau * _SLOPE_STEP
    slope = (misses(tau + step) - misses(tau - step)) / (2 * step)
    jacobian = np.column_stack([slope, columns])
    free = len(y) - jacobian.shape[1]
    covariance = None
    if free > 0 and np.linalg.matrix_rank(jacobian) == jacobian.shape[1]:
        variance = float(np.dot(residuals, residuals)) / free
        covariance = np.linalg.inv(jacobian.T @ jacobian) * variance
    return Fit(tau, coefficients, covariance, residuals, float(np.ptp(y)))


_SINGLE = (1.0, 8.0, 0.35)
_SHARES = (
    (0.2, 0.05),
    (0.3, 0.05),
    (0.4, 0.05),
    (0.5, 0.06),
    (0.65, 0.09),
    (0.8, 0.12),
    (0.9, 0.13),
    (1.1, 0.13),
    (1.25, 0.06),
)
_RATIOS = (2.0, 4.0, 8.0, 16.0)

STRUCTURES: Floats = np.array(
    [_SINGLE]
    + [
        (share, ratio, weight / len(_RATIOS))
        for (share, weight), ratio in product(_SHARES, _RATIOS)
    ]
)
"""Share, ratio and prior weight, one structure a row (our choice: one mass is the likeliest)."""

SENSOR_LAG_S = 40.0
"""A small sensor in moving air follows within about a minute (common practice, no source)."""

TAIL = 0.5
"""Time constant of what is slower than all else in view, as a part of the phase; our choice."""

COLUMNS = 7


class Priors(NamedTuple):
    """What is known of the coefficients before the fit: mean and standard deviation (7,)."""

    mean: Floats
    sd: Floats


@dataclass(frozen=True)
class Designs:
    """k candidate designs of m windows.

    `prior` (k,), `time_constant_s` (k,): the 63.2 % time; `x` (k, m, 7); `y` (k, m): temperature
    less the ambient as felt, K. The columns of x: settled rise by load, the response's way from the
    start, its fast part alone, ambient felt at once, the sensor's lag, ambient felt by the fast
    part, the tail.
    """

    prior: Floats
    time_constant_s: Floats
    x: Floats
    y: Floats


@cache
def response_time(share: float, ratio: float) -> float:
    """Give the 63.2 % time of a structure, in slow time constants."""

    def missing(t: float) -> float:
        left = share * np.exp(-t) + (1 - share) * np.exp(-ratio * t)
        return float(left - np.exp(-1.0))

    return float(brentq(missing, 1e-4, 5.0))


def priors(scale_k: float) -> Priors:
    """Give the priors of the seven coefficients, for a rise that moves by `scale_k` in the phase.

    Rises of some tens of K; ambient felt at once by a quarter, give or take; everything that is not
    the response itself small beside how far the rise moves. Our choice, held against the simulated
    trials of the tests.
    """
    return Priors(
        np.array([0.0, 0.0, 0.0, 0.25, 0.0, 0.0, 0.0]),
        np.array([40.0, 20.0, 0.07 * scale_k, 0.25, 0.1 * scale_k, 0.3, 0.07 * scale_k]),
    )


def make_designs(profile: Profile, time_constants_s: Floats) -> Designs:
    """Lay out every structure at every 63.2 % time (n,): k = structures times n designs."""
    count = len(time_constants_s)
    share, ratio, prior = (np.repeat(column, count) for column in STRUCTURES.T)
    units = [response_time(share, ratio) for share, ratio, _ in STRUCTURES.tolist()]
    tau_s = np.tile(time_constants_s, len(STRUCTURES))
    slow_s = tau_s / np.repeat(units, count)
    x, y = columns(profile, slow_s, share, ratio)
    return Designs(prior, tau_s, x, y)


def columns(
    profile: Profile, slow_s: Floats, share: Floats, ratio: Floats
) -> tuple[Floats, Floats]:
    """Give x (k, m, 7) and y (k, m) of k designs, each with its time constant, share and ratio."""
    fast_s = slow_s / ratio
    t_s, width_s = profile.t_s, profile.width_s
    slow_way, fast_way = np.exp(-t_s / slow_s[:, None]), np.exp(-t_s / fast_s[:, None])
    slow_ambient = lagged(profile.ambient_c, width_s, slow_s)
    fast_ambient = lagged(profile.ambient_c, width_s, fast_s)
    part = share[:, None]
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

    Exact for straight lines between the values: y1 = y0 d + u1 (1 - s) + u0 (s - d) with
    d = exp(-w / tau), s = (1 - d) tau / w.

    Returns:
        Shape (k, m).
    """
    decay = np.exp(-width_s / tau_s)
    share = (1 - decay) * tau_s / width_s
    new, old = 1 - share, share - decay
    passed = np.empty((len(tau_s), len(values)))
    if len(tau_s) == 1:
        state = [values[0] * (1 - new[0])]
        passed[0], _ = lfilter([new[0], old[0]], [1.0, -decay[0]], values, zi=state)
        return passed
    level = np.full(len(tau_s), values[0])
    passed[:, 0] = level
    for i in range(1, len(values)):
        level = decay * level + new * values[i] + old * values[i - 1]
        passed[:, i] = level
    return passed


SHORTEST_TAU_S = 15.0
LONGEST_TAU = 6.0
"""Slowest response looked for, in lengths of the phase: beyond it all is a straight line."""

MISFIT = 0.006
"""No device is exactly of two masses: residuals of this share of the rise's movement are counted as
the structure's; our choice, held against simulated trials."""

LEAST_CORRELATION = 0.3
"""Neighbouring windows are taken to hang together by at least this; our choice."""

UNSEEN = 0.22
"""What the phase did not show is known no better than this; our choice, held as above and against
records of two masses from elsewhere."""

LEAST_SD_K = 0.03
POOR_FROM_K = 0.2
"""Scatter below this is not called a poor fit; our choice."""

ROUGHEST_LOG_SD = 0.8
"""A time constant of which the logarithm is known no better than this says nothing; our choice."""

LIKELY = 1e-3
"""Designs of less weight than this, beside the likeliest, are let go; our choice."""

_GRID = 24
_ENDS = (0.025, 0.5, 0.975)
_MIDDLE_68 = (0.16, 0.5, 0.84)


class TimeConstant(NamedTuple):
    """A 63.2 % time in s, and the standard uncertainty of its logarithm."""

    value_s: float
    log_sd: float


class Hypotheses(NamedTuple):
    """The designs that a phase leaves likely, each (n,).

    Logarithm of the time constant in s; weight; settled rise and its standard uncertainty in K.
    """

    log_tau: Floats
    weight: Floats
    rise_k: Floats
    rise_sd_k: Floats


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


@dataclass(frozen=True)
class _Weighed:
    """Designs with their weights: each gives the settled rise a normal distribution."""

    designs: Designs
    weight: Floats
    rise_k: Floats
    rise_sd_k: Floats
    missing_k: Floats
    dof: float


def settle(profile: Profile) -> Settling:
    """Estimate settled rise and time constant of a phase.

    Expects at least `cleaning.LEAST_READINGS` windows with readings.
    """
    shortest_s = max(profile.width_s, SHORTEST_TAU_S)
    grid_s = np.geomspace(shortest_s, LONGEST_TAU * profile.span_s, _GRID)
    coarse = _weigh(make_designs(profile, grid_s), profile)
    likely_s = coarse.designs.time_constant_s[coarse.weight > 1e-4 * np.max(coarse.weight)]
    step = grid_s[1] / grid_s[0]
    fine_s = np.geomspace(
        max(np.min(likely_s) / step, SHORTEST_TAU_S / 2),
        min(np.max(likely_s) * step, grid_s[-1]),
        _GRID,
    )
    weighed = _weigh(make_designs(profile, fine_s), profile)
    low, middle, high = (_rise_quantile(weighed, share) for share in _ENDS)
    best = int(np.argmax(weighed.weight))
    tau_s = float(weighed.designs.time_constant_s[best])
    fitted_c, felt_c = _polish(profile, tau_s, best // _GRID)
    rows = profile.count > 0
    residuals = (profile.temperature_c - fitted_c)[rows]
    return Settling(
        rise=Estimate(middle, low, high, weighed.dof),
        time_constant=_time_constant(weighed),
        hypotheses=_likely(weighed),
        missing_k=float(np.dot(weighed.weight, weighed.missing_k)),
        spread_k=float(np.std(residuals)),
        fitted_c=fitted_c,
        felt_ambient_c=felt_c,
        poor=is_poor(residuals, _scale_k(profile)) and float(np.std(residuals)) > POOR_FROM_K,
    )


def _scale_k(profile: Profile) -> float:
    rise_k = profile.temperature_c - profile.ambient_c
    return max(0.3, float(np.nanmax(rise_k) - np.nanmin(rise_k)))


def _weigh(designs: Designs, profile: Profile) -> _Weighed:
    """Fit every design by least squares with priors, and weigh it by its marginal likelihood."""
    rows = np.flatnonzero(profile.count > 0)
    scale_k = _scale_k(profile)
    prior = priors(scale_k)
    x = designs.x[:, rows]
    y = designs.y[:, rows] - x @ prior.mean
    normal = x.transpose(0, 2, 1) @ x
    moment = np.einsum("kmi,km->ki", x, y)
    power = np.einsum("km,km->k", y, y)
    variance, factor = _noise(
        x=x, y=y, normal=normal, moment=moment, power=power, sd=prior.sd, scale_k=scale_k
    )
    information = normal / variance + np.diag(prior.sd**-2.0)
    shift = np.linalg.solve(information, moment[..., None] / variance)[..., 0]
    misfit = (power - np.einsum("ki,ki->k", moment, shift)) / variance
    log_weight = np.log(designs.prior) - misfit / 2 - np.linalg.slogdet(information)[1] / 2
    weight = np.exp(log_weight - np.max(log_weight))
    coefficients = shift + prior.mean
    way = [1, 2, 6]
    missing_k = -np.einsum("ki,ki->k", designs.x[:, -1, way], coefficients[:, way])
    rise_variance = np.linalg.inv(information)[:, 0, 0]
    return _Weighed(
        designs,
        weight / np.sum(weight),
        coefficients[:, 0],
        np.sqrt(rise_variance + LEAST_SD_K**2 + (UNSEEN * missing_k) ** 2),
        missing_k,
        max(3.0, len(rows) * factor - COLUMNS + 2),
    )


def _noise(
    *,
    x: Floats,
    y: Floats,
    normal: Floats,
    moment: Floats,
    power: Floats,
    sd: Floats,
    scale_k: float,
) -> tuple[float, float]:
    """Variance of a window about the best design, raised for autocorrelation; share that counts."""
    floor = (MISFIT * scale_k) ** 2
    variance = max(floor, 1e-4)
    free = max(1, y.shape[1] - COLUMNS + 2)
    best, shift = 0, moment
    for _ in range(4):
        information = normal / variance + np.diag(sd**-2.0)
        solved = np.linalg.solve(information, moment[..., None] / variance)
        shift = np.asarray(solved[..., 0], dtype=np.float64)
        best = int(np.argmin(power / variance - np.einsum("ki,ki->k", moment, shift) / variance))
        residuals = y[best] - x[best] @ shift[best]
        variance = float(np.dot(residuals, residuals)) / free + floor
    residuals = y[best] - x[best] @ shift[best]
    # A fit takes part of the correlation of its residuals away: about two windows' worth.
    correlation = max(LEAST_CORRELATION, lag_one(residuals) + 2 / len(residuals))
    factor = share_that_counts(min(correlation, 0.95))
    return variance / factor, factor


def _rise_quantile(weighed: _Weighed, share: float) -> float:
    """Quantile of the settled rise over all designs."""
    keep = weighed.weight > 1e-6
    weight = weighed.weight[keep] / np.sum(weighed.weight[keep])
    rise_k, sd_k = weighed.rise_k[keep], weighed.rise_sd_k[keep]

    def above(at_k: float) -> float:
        return float(weight @ student.cdf((at_k - rise_k) / sd_k, weighed.dof)) - share

    reach = 30 * float(np.max(sd_k))
    return float(brentq(above, np.min(rise_k) - reach, np.max(rise_k) + reach, xtol=1e-5))


def _time_constant(weighed: _Weighed) -> TimeConstant:
    """Median over all designs, and the wider half of their middle 68 %, as logarithms."""
    order = np.argsort(weighed.designs.time_constant_s)
    log_tau = np.log(weighed.designs.time_constant_s[order])
    reached = np.cumsum(weighed.weight[order])
    low, middle, high = np.interp(_MIDDLE_68, reached / reached[-1], log_tau)
    return TimeConstant(float(np.exp(middle)), float(max(high - middle, middle - low)))


def _likely(weighed: _Weighed) -> Hypotheses:
    keep = weighed.weight > LIKELY * np.max(weighed.weight)
    weight = weighed.weight[keep]
    return Hypotheses(
        np.log(weighed.designs.time_constant_s[keep]),
        weight / np.sum(weight),
        weighed.rise_k[keep],
        weighed.rise_sd_k[keep],
    )


def _polish(profile: Profile, tau_s: float, structure: int) -> tuple[Floats, Floats]:
    """Fit the likeliest structure once more with its time constant free.

    The priors stand in the fit as further rows, in units of a window's scatter.

    Returns:
        The fitted temperature and the ambient as felt, degC, both (m,).
    """
    share, ratio, _ = STRUCTURES[structure].tolist()
    unit = response_time(share, ratio)
    rows = np.flatnonzero(profile.count > 0)
    scale_k = _scale_k(profile)
    prior = priors(scale_k)
    pull = (MISFIT * scale_k + LEAST_SD_K) / prior.sd

    def design(at_s: float) -> tuple[Floats, Floats]:
        x, y = columns(profile, np.array([at_s / unit]), np.array([share]), np.array([ratio]))
        return x[0], y[0]

    def model(at_s: float) -> tuple[Floats, Floats]:
        x, y = design(at_s)
        return np.vstack([x[rows], np.diag(pull)]), np.concatenate([y[rows], pull * prior.mean])

    fit = fit_separable(model, (tau_s / 2, tau_s * 2), tau_s, scan=9)
    x, _ = design(fit.tau)
    felt_c = lagged(profile.ambient_c, profile.width_s, np.array([fit.tau / unit]))[0]
    return felt_c + x @ fit.coefficients, felt_c
