"""Where a phase is heading: settled rise and time constant, averaged over thermal structures."""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from scipy.optimize import brentq
from scipy.stats import t as student

from cabinetwatch.trial.autocorrelation import lag_one, share_that_counts
from cabinetwatch.trial.data import Floats
from cabinetwatch.trial.estimate import Estimate
from cabinetwatch.trial.profile import Profile
from cabinetwatch.trial.separable import fit_separable, is_poor
from cabinetwatch.trial.structures import (
    COLUMNS,
    STRUCTURES,
    Designs,
    columns,
    lagged,
    make_designs,
    priors,
    response_time,
)

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
