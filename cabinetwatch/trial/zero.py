"""The zero phase: device off, both sensors in the same air; their difference is an offset."""

from dataclasses import dataclass

import numpy as np

from cabinetwatch.trial.cleaning import UnusablePhaseError, clean
from cabinetwatch.trial.data import Phase, Subject
from cabinetwatch.trial.estimate import Estimate, mean_of
from cabinetwatch.trial.profile import make_profile

MOST_DRIFT_K = 0.3
"""Most that the difference may move from the first third of the phase to the last; our choice."""

OFF_PART = 0.1
"""A device that draws more than this part of its running load is not off; our choice."""


@dataclass(frozen=True)
class Zero:
    """The offset of the rise in K, None when the phase can't be used, and why in words."""

    offset_k: Estimate | None
    sentence: str


def zero_offset(phase: Phase, subject: Subject, running_w: float | None, limit_k: float) -> Zero:
    """Measure the offset, unless the phase shows that the device was not off or not yet cold.

    `running_w` is the power of the before phase; `limit_k` the most that the accuracies allow.
    """
    try:
        cleaned = clean(phase, "zero")
    except UnusablePhaseError as problem:
        return Zero(None, f"The zero phase is not used. {problem}")
    profile = make_profile(cleaned)
    power_w = profile.mean_power_w
    if power_w is not None and running_w is not None and power_w > OFF_PART * running_w:
        return Zero(
            None,
            f"The zero phase is not used: {subject.device} drew {power_w:z.1f} W, it was not off.",
        )
    apart_k = (profile.temperature_c - profile.ambient_c)[profile.count > 0]
    third = len(apart_k) // 3
    drift_k = float(np.mean(apart_k[-third:]) - np.mean(apart_k[:third]))
    offset = mean_of(apart_k)
    if abs(drift_k) > MOST_DRIFT_K:
        return Zero(
            None,
            f"The zero phase is not used: the difference still moved by {drift_k:+z.2f} K,"
            " so the device was not yet as cold as the air.",
        )
    if offset.low > limit_k or offset.high < -limit_k:
        return Zero(
            None,
            f"The zero phase is not used: the sensors differ by {offset.value:+z.2f} K, more than"
            f" their accuracies allow ({limit_k:z.2f} K): they were not in the same air,"
            " or one is bad.",
        )
    return Zero(
        offset,
        f"An offset of {offset.value:+z.2f} K between the sensors (zero phase) is taken off.",
    )
