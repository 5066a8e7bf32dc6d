"""The thermal structures that a device may have, as columns of a linear fit.

A device of two masses answers a step of power with two exponentials (textbooks on linear systems).
Seen from outside, what counts is the share of the slow one and the ratio of the two time constants:

    1 - share exp(-t / slow) - (1 - share) exp(-ratio t / slow)

A share of 1 is a single mass; below 1 a fast part comes first; above 1 the warmth arrives late, as
at a sensor on the case. Which of them a device is can't be told from a short phase, so all are
fitted and averaged, each weighed by how well it fits.
"""

from dataclasses import dataclass
from functools import cache
from itertools import product
from typing import NamedTuple

import numpy as np
from scipy.optimize import brentq
from scipy.signal import lfilter

from cabinetwatch.trial.data import Floats
from cabinetwatch.trial.profile import Profile

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
