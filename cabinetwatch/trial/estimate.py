"""A figure with its 95 % interval, and how intervals combine."""

import math
from dataclasses import dataclass

import numpy as np
from scipy.stats import t as student

from cabinetwatch.trial.autocorrelation import effective_size
from cabinetwatch.trial.data import Floats

COVERAGE_FACTOR = 2.0
"""Of an expanded uncertainty, for about 95 % (GUM, JCGM 100:2008, 6.3.3; from memory)."""


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

    @property
    def uncertainty_below(self) -> float:
        """Standard uncertainty of the lower side."""
        return (self.value - self.low) / _factor(self.dof)

    @property
    def uncertainty_above(self) -> float:
        """Standard uncertainty of the upper side."""
        return (self.high - self.value) / _factor(self.dof)

    def shifted(self, by: float) -> "Estimate":
        """Give the same figure with something exact added."""
        return Estimate(self.value + by, self.low + by, self.high + by, self.dof)

    def widened(self, half_width: float) -> "Estimate":
        """Add a further, independent 95 % half width, in quadrature."""
        return Estimate(
            self.value,
            self.value - math.hypot(self.value - self.low, half_width),
            self.value + math.hypot(self.high - self.value, half_width),
            self.dof,
        )

    def scaled(self, by: float) -> "Estimate":
        """Multiply by an exact factor above 0."""
        return Estimate(self.value * by, self.low * by, self.high * by, self.dof)

    def minus(self, other: "Estimate") -> "Estimate":
        """Give the difference of two independent figures.

        Standard uncertainties add in quadrature, degrees of freedom by Welch and Satterthwaite
        (Welch 1947; GUM, JCGM 100:2008, G.4).
        """
        below = _combined(self.uncertainty_below, self.dof, other.uncertainty_above, other.dof)
        above = _combined(self.uncertainty_above, self.dof, other.uncertainty_below, other.dof)
        value = self.value - other.value
        return Estimate(
            value,
            value - _factor(below[1]) * below[0],
            value + _factor(above[1]) * above[0],
            min(below[1], above[1]),
        )


def mean_of(values: Floats, *, correlated: bool = True) -> Estimate:
    """Give the mean of readings (n,), n at least 2, with its 95 % interval.

    With `correlated`, neighbours are taken to resemble each other, and fewer of them count.
    """
    size = effective_size(values - np.mean(values)) if correlated else float(len(values))
    dof = max(1.0, size - 1.0)
    half = _factor(dof) * float(np.std(values, ddof=1)) / math.sqrt(size)
    mean = float(np.mean(values))
    return Estimate(mean, mean - half, mean + half, dof)


def rectangular(*half_widths: float) -> float:
    """Give the 95 % half width of errors that may lie anywhere within each of the half widths.

    Each has the standard uncertainty a / sqrt(3) (GUM, JCGM 100:2008, 4.3.7).
    """
    return COVERAGE_FACTOR * math.sqrt(sum(a * a for a in half_widths) / 3.0)


def _factor(dof: float) -> float:
    return float(student.ppf(0.975, dof))


def _combined(one: float, one_dof: float, other: float, other_dof: float) -> tuple[float, float]:
    """Standard uncertainty and degrees of freedom of a sum."""
    square = one**2 + other**2
    if square == 0.0:
        return 0.0, min(one_dof, other_dof)
    share = one**4 / one_dof + other**4 / other_dof
    return math.sqrt(square), square**2 / share if share > 0.0 else math.inf
