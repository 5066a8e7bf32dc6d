"""A sensor that stood still: dead, or only of coarse steps in a calm room?"""

import numpy as np

from cabinetwatch.trial.data import Floats, Series

LONGEST_STILLNESS = 0.4
"""Part of a phase that a sensor may stand still in without being asked about; our choice."""

FEWEST_READINGS = 20
STIR_K = 1.0
"""What the air around a device must move by to be seen at the device; our choice."""

FLICKER = 0.5
"""Scatter, in steps of the sensor, with which a long stillness can't be chance; our choice."""


def smallest_step(value: Floats) -> float:
    """Give the smallest difference between values (n,) that occur; 0 when all are the same."""
    apart = np.diff(np.unique(value))
    return float(np.min(apart)) if len(apart) else 0.0


def scatter(value: Floats) -> float:
    """Give the standard deviation of the noise, from second differences: blind to slow changes."""
    if len(value) < 3:
        return 0.0
    return float(np.sqrt(np.mean(np.diff(value, 2) ** 2) / 6.0))


def stood_still(series: Series, witness: Series | None, elsewhere: Series | None) -> float | None:
    """Give the part of its time that a sensor stood still for, when it must be dead; else None.

    It must be dead when it flickered at other times (in this phase, or in `elsewhere`, the same
    sensor's readings of another phase), or when `witness`, which it would have to follow, moved
    meanwhile. Readings in order of time.
    """
    first, last = _longest_run(series.value)
    span_ms = max(1, int(series.t_ms[-1] - series.t_ms[0]))
    part = int(series.t_ms[last] - series.t_ms[first]) / span_ms
    if part <= LONGEST_STILLNESS or last - first + 1 < FEWEST_READINGS:
        return None
    outside = [series.value[:first], series.value[last + 1 :]]
    if elsewhere is not None:
        outside.append(elsewhere.value)
    if any(_flickers(value) for value in outside):
        return part
    if witness is not None and _moved_k(witness, series.t_ms[first], series.t_ms[last]) > STIR_K:
        return part
    return None


def _longest_run(value: Floats) -> tuple[int, int]:
    """First and last row of the longest run of one and the same value."""
    changes = np.flatnonzero(np.diff(value)) + 1
    firsts = np.concatenate([[0], changes])
    lasts = np.concatenate([changes - 1, [len(value) - 1]])
    longest = int(np.argmax(lasts - firsts))
    return int(firsts[longest]), int(lasts[longest])


def _flickers(value: Floats) -> bool:
    step = smallest_step(value)
    return len(value) >= FEWEST_READINGS and step > 0 and scatter(value) >= FLICKER * step


def _moved_k(series: Series, from_ms: int, to_ms: int) -> float:
    """By how much a sensor moved within a time, beyond two of its steps."""
    during = (series.t_ms >= from_ms) & (series.t_ms <= to_ms)
    if not during.any():
        return 0.0
    return float(np.ptp(series.value[during])) - 2 * smallest_step(series.value)
