"""A cover that was off though nobody said so: the temperature falls within minutes."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cabinetwatch.trial.data import Floats
from cabinetwatch.trial.profile import Profile

WITHIN_S = 600.0
"""Taking the cover off drops the temperature within minutes (common practice, no source)."""

LEAST_FALL_K = 1.5
LEAST_PART = 0.2
"""A fall that counts, in K and as a part of the rise before it; our choice."""

MOST_BY_AMBIENT = 0.4
MOST_BY_LOAD = 0.15
"""A fall is explained when the ambient fell by this part of it, or the load by this part of
itself; our choice."""


@dataclass(frozen=True)
class Fall:
    """The steepest fall that nothing explains: how far, K, and how long into the phase, s."""

    fall_k: float
    at_s: float


def cover_off(profile: Profile) -> Fall | None:
    """Find where the temperature suddenly fell with neither ambient nor load behind it.

    A phase that begins warm falls too, but from its start on and ever slower: a fall counts only
    after ten minutes in which the temperature did not fall.
    """
    rows = np.flatnonzero(profile.count > 0)
    t_s, temperature = profile.t_s[rows], profile.temperature_c[rows]
    if len(t_s) < 3 or t_s[-1] - t_s[0] < 3 * WITHIN_S:
        return None
    ambient = profile.ambient_c[rows]
    starts = t_s[(t_s >= t_s[0] + WITHIN_S) & (t_s <= t_s[-1] - WITHIN_S)]
    fell_k = _at(starts, t_s, temperature) - _at(starts + WITHIN_S, t_s, temperature)
    fell_before_k = _at(starts - WITHIN_S, t_s, temperature) - _at(starts, t_s, temperature)
    with_ambient_k = _at(starts - WITHIN_S, t_s, ambient) - _at(starts + WITHIN_S, t_s, ambient)
    rise_k = _at(starts, t_s, temperature) - _at(starts, t_s, ambient)
    sudden = fell_k >= np.maximum(LEAST_FALL_K, LEAST_PART * rise_k)
    sudden &= fell_before_k < 0.25 * fell_k
    sudden &= with_ambient_k < MOST_BY_AMBIENT * fell_k
    sudden &= ~_load_fell(profile, starts)
    if not np.any(sudden):
        return None
    worst = int(np.argmax(np.where(sudden, fell_k, -np.inf)))
    return Fall(float(fell_k[worst]), float(starts[worst]))


def _at(when_s: Floats, t_s: Floats, values: Floats) -> Floats:
    return np.interp(when_s, t_s, values)


def _load_fell(profile: Profile, starts_s: Floats) -> NDArray[np.bool_]:
    """Where the power fell as well, so that the temperature had to."""
    power = profile.power_w
    if power is None:
        return np.zeros(len(starts_s), dtype=bool)
    first = _at(starts_s - WITHIN_S, profile.t_s, power)
    last = _at(starts_s + WITHIN_S, profile.t_s, power)
    return np.asarray(first - last > MOST_BY_LOAD * np.abs(first))
