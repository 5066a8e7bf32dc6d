"""One phase analysed: rise, interval, whether it settled, load, ambient."""

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from cabinetwatch.trial.cleaning import UnusablePhaseError, clean
from cabinetwatch.trial.data import Phase, Series
from cabinetwatch.trial.estimate import COVERAGE_FACTOR, Estimate
from cabinetwatch.trial.profile import Profile, make_profile
from cabinetwatch.trial.settling import Settling, settle
from cabinetwatch.trial.steady import Steadiness, held, judge_steadiness
from cabinetwatch.trial.stillness import scatter, smallest_step

FIRST_MARK_S, MARK_GROWTH = 60.0, 1.02
"""Instants at which a phase under way is judged, in s from its beginning: a first one, and each
later by this factor than the one before; our choice."""

_MOST_MARKS_BACK = 40


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


def with_history(result: PhaseResult, name: str, limit_c: float | None) -> PhaseResult:
    """Give a phase that is near its limits as settled if it was so before, and has been near since.

    It is judged anew at its marks, backwards, until one tells.
    """
    if not result.steadiness.near:
        return result
    for mark_ms in _marks_back(result.phase.start_ms, result.phase.end_ms):
        earlier = analyse_phase(replace(result.phase, end_ms=mark_ms), name, limit_c)
        if isinstance(earlier, str) or not (earlier.steadiness.settled or earlier.steadiness.near):
            return result
        if earlier.steadiness.settled:
            return replace(result, steadiness=held(result.steadiness, name))
    return result


def last_mark_ms(start_ms: int, now_ms: int) -> int:
    """Give the last mark of a phase under way; now when there is none yet."""
    return next(_marks_back(start_ms, now_ms + 1), now_ms)


def _marks_back(start_ms: int, end_ms: int) -> Iterator[int]:
    """The marks of a phase before an instant, the last one first."""
    lasted_s = (end_ms - start_ms) / 1000.0
    if lasted_s <= FIRST_MARK_S:
        return
    number = math.ceil(math.log(lasted_s / FIRST_MARK_S) / math.log(MARK_GROWTH))
    for each in range(number, max(-1, number - _MOST_MARKS_BACK), -1):
        mark_ms = start_ms + round(1000 * FIRST_MARK_S * MARK_GROWTH**each)
        if mark_ms < end_ms:
            yield mark_ms


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
