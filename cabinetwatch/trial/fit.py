"""Where a phase is heading: settled rise and time constant, averaged over structures.

A device of two masses answers a step of power with two exponentials (textbooks on linear systems).
Seen from outside, what counts is the share of the slow one and the ratio of the two time constants:

    1 - share exp(-t / slow) - (1 - share) exp(-ratio t / slow)

A share of 1 is a single mass; below 1 a fast part comes first; above 1 the warmth arrives late, as
at a sensor on the case. Which of them a device is can't be told from a short phase, so all are
fitted at a grid of time constants, by least squares with priors, and averaged, each weighed by its
marginal likelihood. The likeliest one is fitted once more with its time constant free, for the
picture and for how far the temperature strays from it.

Numbers here are our choice where no source stands beside them, held against the simulated trials of
the tests.
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
LONGEST_TAU = 6.0
"""Slowest response looked for, in lengths of the phase: beyond it all is a straight line."""

MISFIT = 0.006
"""No device is exactly of two masses: residuals of this share of the rise's movement are counted as
the structure's."""

LEAST_CORRELATION = 0.3
"""Neighbouring windows are taken to hang together by at least this."""

UNSEEN = 0.22
"""What the phase did not show is known no better than this; also held against records of two masses
from elsewhere."""

LEAST_SD_K = 0.03
POOR_FROM_K = 0.2
"""Scatter below this is not called a poor fit."""

POOR_SHARE, POOR_CORRELATION = 0.01, 0.6

ROUGHEST_LOG_SD = 0.8
"""A time constant of which the logarithm is known no better than this says nothing."""

LIKELY = 1e-3
"""Designs of less weight than this, beside the likeliest, are let go."""

GRID, SCAN = 24, 9
ENDS = (0.025, 0.5, 0.975)
MIDDLE_68 = (0.16, 0.5, 0.84)


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


class _Weighed(NamedTuple):
    """The designs (k,) with their weights: each gives the settled rise a Student distribution."""

    tau_s: Floats
    weight: Floats
    rise_k: Floats
    rise_sd_k: Floats
    missing_k: Floats
    dof: float


def settle(profile: Profile) -> Settling:
    """Estimate settled rise and time constant of a phase.

    Expects at least `readings.LEAST_READINGS` windows with readings.
    """
    rise_k = profile.temperature_c - profile.ambient_c
    scale_k = max(0.3, float(np.nanmax(rise_k) - np.nanmin(rise_k)))
    # First all that the phase could be, then more finely what it is likely to be.
    shortest_s = max(profile.width_s, SHORTEST_TAU_S)
    grid_s = np.geomspace(shortest_s, LONGEST_TAU * profile.span_s, GRID)
    coarse = _weigh(profile, grid_s, scale_k)
    likely_s = coarse.tau_s[coarse.weight > 1e-4 * np.max(coarse.weight)]
    step = grid_s[1] / grid_s[0]
    fine_s = np.geomspace(
        max(np.min(likely_s) / step, SHORTEST_TAU_S / 2),
        min(np.max(likely_s) * step, grid_s[-1]),
        GRID,
    )
    weighed = _weigh(profile, fine_s, scale_k)
    low, middle, high = (_rise_quantile(weighed, share) for share in ENDS)
    best = int(np.argmax(weighed.weight))
    fitted_c, felt_c = _polish(profile, float(weighed.tau_s[best]), best // GRID, scale_k)
    residuals = (profile.temperature_c - fitted_c)[profile.count > 0]
    likely = weighed.weight > LIKELY * np.max(weighed.weight)
    likely_weight = weighed.weight[likely]
    spread_k = float(np.std(residuals))
    return Settling(
        rise=Estimate(middle, low, high, weighed.dof),
        time_constant=_time_constant(weighed),
        hypotheses=Hypotheses(
            np.log(weighed.tau_s[likely]),
            likely_weight / np.sum(likely_weight),
            weighed.rise_k[likely],
            weighed.rise_sd_k[likely],
        ),
        missing_k=float(np.dot(weighed.weight, weighed.missing_k)),
        spread_k=spread_k,
        fitted_c=fitted_c,
        felt_ambient_c=felt_c,
        poor=is_poor(residuals, scale_k) and spread_k > POOR_FROM_K,
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

    def missing(t: float) -> float:
        left = share * np.exp(-t) + (1 - share) * np.exp(-ratio * t)
        return float(left - np.exp(-1.0))

    return float(brentq(missing, 1e-4, 5.0))


def priors(scale_k: float) -> tuple[Floats, Floats]:
    """Give mean and standard deviation of the coefficients (7,) before the fit.

    Rises of some tens of K; ambient felt at once by a quarter, give or take; everything that is not
    the response itself small beside `scale_k`, by which the rise moves in the phase.
    """
    return (
        np.array([0.0, 0.0, 0.0, 0.25, 0.0, 0.0, 0.0]),
        np.array([40.0, 20.0, 0.07 * scale_k, 0.25, 0.1 * scale_k, 0.3, 0.07 * scale_k]),
    )


def columns(
    profile: Profile, slow_s: Floats, share: Floats, ratio: Floats
) -> tuple[Floats, Floats]:
    """Lay out k designs, each with its time constant, share and ratio: x (k, m, 7), y (k, m).

    y is the temperature less the ambient as felt, K. The columns of x: settled rise by load, the
    response's way from the start, its fast part alone, ambient felt at once, the sensor's lag,
    ambient felt by the fast part, the tail.
    """
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
    d = exp(-w / tau), s = (1 - d) tau / w. Gives (k, m).
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


def _weigh(profile: Profile, time_constants_s: Floats, scale_k: float) -> _Weighed:
    """Fit every structure at every 63.2 % time (n,), and weigh each by its marginal likelihood."""
    count = len(time_constants_s)
    share, ratio, prior = (np.repeat(column, count) for column in STRUCTURES.T)
    units = [response_time(share, ratio) for share, ratio, _ in STRUCTURES.tolist()]
    tau_s = np.tile(time_constants_s, len(STRUCTURES))
    whole_x, whole_y = columns(profile, tau_s / np.repeat(units, count), share, ratio)
    rows = np.flatnonzero(profile.count > 0)
    mean, sd = priors(scale_k)
    x = whole_x[:, rows]
    y = whole_y[:, rows] - x @ mean
    normal = x.transpose(0, 2, 1) @ x
    moment = np.einsum("kmi,km->ki", x, y)
    power = np.einsum("km,km->k", y, y)

    def solved(variance: float) -> tuple[Floats, Floats, Floats]:
        """Information (k, 7, 7), coefficients about their means (k, 7) and misfit (k,)."""
        information = normal / variance + np.diag(sd**-2.0)
        shift = np.linalg.solve(information, moment[..., None] / variance)[..., 0]
        return information, shift, (power - np.einsum("ki,ki->k", moment, shift)) / variance

    # The variance of a window about the best design is raised by what no structure explains, and
    # for autocorrelation.
    floor = (MISFIT * scale_k) ** 2
    variance, residuals = max(floor, 1e-4), y[0]
    for _ in range(4):
        _, shift, misfit = solved(variance)
        best = int(np.argmin(misfit))
        residuals = y[best] - x[best] @ shift[best]
        square = float(np.dot(residuals, residuals))
        variance = square / max(1, len(rows) - COLUMNS + 2) + floor
    # A fit takes part of the correlation of its residuals away: about two windows' worth.
    correlation = max(LEAST_CORRELATION, lag_one(residuals) + 2 / len(residuals))
    factor = share_that_counts(min(correlation, 0.95))
    information, shift, misfit = solved(variance / factor)
    log_weight = np.log(prior) - misfit / 2 - np.linalg.slogdet(information)[1] / 2
    weight = np.exp(log_weight - np.max(log_weight))
    coefficients = shift + mean
    missing_k = -np.einsum("ki,ki->k", whole_x[:, -1, WAY], coefficients[:, WAY])
    rise_variance = np.linalg.inv(information)[:, 0, 0]
    return _Weighed(
        tau_s,
        weight / np.sum(weight),
        coefficients[:, 0],
        np.sqrt(rise_variance + LEAST_SD_K**2 + (UNSEEN * missing_k) ** 2),
        missing_k,
        max(3.0, len(rows) * factor - COLUMNS + 2),
    )


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
    order = np.argsort(weighed.tau_s)
    reached = np.cumsum(weighed.weight[order])
    low, middle, high = np.interp(MIDDLE_68, reached / reached[-1], np.log(weighed.tau_s[order]))
    return TimeConstant(float(np.exp(middle)), float(max(high - middle, middle - low)))


def _polish(
    profile: Profile, tau_s: float, structure: int, scale_k: float
) -> tuple[Floats, Floats]:
    """Fit the likeliest structure once more with its time constant free.

    Gives the fitted temperature and the ambient as felt, degC, both (m,). The priors stand in the
    fit as further rows, in units of a window's scatter.
    """
    share, ratio, _ = STRUCTURES[structure].tolist()
    unit = response_time(share, ratio)
    rows = np.flatnonzero(profile.count > 0)
    mean, sd = priors(scale_k)
    pull = (MISFIT * scale_k + LEAST_SD_K) / sd

    def design(at_s: float) -> tuple[Floats, Floats]:
        x, y = columns(profile, np.array([at_s / unit]), np.array([share]), np.array([ratio]))
        return x[0], y[0]

    def model(at_s: float) -> tuple[Floats, Floats]:
        x, y = design(at_s)
        return np.vstack([x[rows], np.diag(pull)]), np.concatenate([y[rows], pull * mean])

    at_s, coefficients = fit_separable(model, (tau_s / 2, tau_s * 2), tau_s)
    x, _ = design(at_s)
    felt_c = lagged(profile.ambient_c, profile.width_s, np.array([at_s / unit]))[0]
    return felt_c + x @ coefficients, felt_c


Model = Callable[[float], tuple[Floats, Floats]]
"""Gives, for a time constant, the columns (m, p) and the data (m,) that they shall make up."""


def fit_separable(model: Model, within: tuple[float, float], start: float) -> tuple[float, Floats]:
    """Fit y = X(tau) b, tau `within` bounds, searching from `start`; give tau and b (p,).

    For any tau the best b is a linear least-squares solution, so that only tau has to be searched
    for (variable projection: Golub and Pereyra 1973, from memory). A search may stop in a hollow
    that isn't the deepest, or where no tau matters any more. So the outcome is held against a scan
    of the bounds, and the search begins anew where that is better.
    """

    def residuals(tau: float) -> Floats:
        x, y = model(tau)
        return np.asarray(y - x @ lstsq(x, y, rcond=None)[0])

    def square(tau: float) -> float:
        left = residuals(tau)
        return float(np.dot(left, left))

    def search(start: float) -> float:
        found = least_squares(
            lambda log_tau: residuals(float(np.exp(log_tau[0]))),
            [np.log(start)],
            bounds=([np.log(within[0])], [np.log(within[1])]),
            xtol=1e-14,
            ftol=1e-14,
            gtol=1e-14,
        )
        return float(np.exp(found.x[0]))

    tau, scanned = search(start), np.geomspace(*within, SCAN)
    best = float(min(scanned, key=square))
    if square(best) < square(tau):
        tau = search(best)
    x, y = model(tau)
    return tau, np.asarray(lstsq(x, y, rcond=None)[0], dtype=np.float64)
