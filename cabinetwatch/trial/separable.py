"""Least squares for responses that are linear in all but one time constant.

y = X(tau) b + noise: for any tau the best b is a linear least-squares solution, so that only tau
has to be searched for (variable projection: Golub and Pereyra 1973, from memory).
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.linalg import lstsq
from scipy.optimize import least_squares

from cabinetwatch.trial.autocorrelation import lag_one
from cabinetwatch.trial.data import Floats

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
