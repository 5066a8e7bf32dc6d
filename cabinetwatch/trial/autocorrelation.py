"""How many readings count, when neighbours resemble each other."""

import numpy as np

from cabinetwatch.trial.data import Floats


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


def effective_size(residuals: Floats) -> float:
    """Give the number of independent readings that residuals (n,) about 0 are worth."""
    return max(2.0, len(residuals) * share_that_counts(lag_one(residuals)))
