"""One phase analysed: rise, interval, whether it settled, load, ambient."""

import math
from dataclasses import dataclass

import numpy as np

from cabinetwatch.trial.cleaning import UnusablePhaseError, clean
from cabinetwatch.trial.data import Phase, Series
from cabinetwatch.trial.estimate import COVERAGE_FACTOR, Estimate
from cabinetwatch.trial.profile import Profile, make_profile
from cabinetwatch.trial.settling import Settling, settle
from cabinetwatch.trial.steady import Steadiness, judge_steadiness
from cabinetwatch.trial.stillness import scatter, smallest_step


@dataclass(frozen=True)
class PhaseResult:
    """A phase that could be used. `rise` is without the sensors' accuracy, but with quantisation.

    `power_w` is the mean load, None where it isn't known.
    """

    phase: Phase
    profile: Profile
    settling: Settling
    steadiness: Steadiness
    rise: Estimate
    ambient_c: float
    power_w: float | None
    samples: int


def analyse_phase(
    phase: Phase, name: str, limit_c: float | None, other: Phase | None = None
) -> PhaseResult | str:
    """Analyse a phase; a sentence when it can't be used. `other` knows the same sensors."""
    try:
        cleaned = clean(phase, name, other)
    except UnusablePhaseError as problem:
        return str(problem)
    profile = make_profile(cleaned)
    settling = settle(profile)
    steps_k = math.hypot(_step_error_k(cleaned.temperature), _step_error_k(cleaned.ambient))
    return PhaseResult(
        phase=cleaned,
        profile=profile,
        settling=settling,
        steadiness=judge_steadiness(settling, profile, limit_c, name),
        rise=settling.rise.widened(COVERAGE_FACTOR * steps_k),
        ambient_c=float(np.mean(profile.ambient_c)),
        power_w=profile.mean_power_w,
        samples=len(cleaned.temperature.value),
    )


def _step_error_k(series: Series) -> float:
    """Standard uncertainty that the steps of a sensor leave in a mean.

    A value that stays within a step is off by up to half of it: step / sqrt(12) (GUM, JCGM
    100:2008, F.2.2.1). Scatter of sd s smooths the steps out, by exp(-2 pi^2 (s / step)^2)
    (theory of dither, from memory).
    """
    step_k = smallest_step(series.value)
    if step_k == 0.0:
        return 0.0
    smoothed = math.exp(-2 * (math.pi * scatter(series.value) / step_k) ** 2)
    return step_k / math.sqrt(12.0) * smoothed
