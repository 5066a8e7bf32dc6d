"""A cover that was off though nobody said so."""

from dataclasses import replace

import numpy as np
import pytest

from cabinetwatch.trial.analysis import analyse
from cabinetwatch.trial.phases import Fall, cover_off
from cabinetwatch.trial.readings import Phase, Series, make_profile
from tests.trial.examples import AFTER, BEFORE, Recipe, make_phase, make_trial

LONG = replace(BEFORE, from_k=10.0, length_s=9000.0)


def _opened(phase: Phase, from_s: float, to_s: float, fall_k: float = 6.0) -> Phase:
    """Take the cover off for a time: the rise falls within minutes, and comes back."""
    t_s = (phase.temperature.t_ms - phase.start_ms) / 1000.0
    kept = np.where(t_s < to_s, 1 - np.exp(-(t_s - from_s) / 150.0), 0.0)
    after = (1 - np.exp(-(to_s - from_s) / 150.0)) * np.exp(-(t_s - to_s) / 900.0)
    lost_k = fall_k * np.where(t_s < from_s, 0.0, np.where(t_s < to_s, kept, after))
    return replace(
        phase, temperature=Series(phase.temperature.t_ms, phase.temperature.value - lost_k)
    )


def _found(phase: Phase) -> Fall | None:
    return cover_off(make_profile(phase))


@pytest.mark.parametrize("seed", range(5))
def test_a_cover_taken_off_is_noticed(seed: int) -> None:
    fall = _found(_opened(make_phase(replace(LONG, seed=seed)), 4000.0, 5500.0))
    assert fall is not None
    assert fall.fall_k > 3.0
    assert fall.at_s == pytest.approx(4000.0, abs=400.0)


@pytest.mark.parametrize(
    "recipe",
    [
        LONG,
        BEFORE,
        AFTER,
        # A fan set free: the phase begins warm and falls, ever slower.
        replace(BEFORE, from_k=22.0, rise_k=10.0),
        replace(BEFORE, from_k=22.0, rise_k=10.0, tau_s=300.0),
        replace(BEFORE, from_k=22.0, rise_k=10.0, noise_k=0.3),
    ],
)
def test_ordinary_phases_are_not_suspected(recipe: Recipe) -> None:
    assert _found(make_phase(recipe)) is None


def test_a_load_that_fell_explains_a_fall() -> None:
    phase = _opened(make_phase(LONG), 4000.0, 9000.0)
    assert phase.power is not None
    t_s = (phase.power.t_ms - phase.start_ms) / 1000.0
    power = Series(phase.power.t_ms, np.where(t_s < 4000.0, 40.0, 15.0))
    assert _found(phase) is not None
    assert _found(replace(phase, power=power)) is None


def test_cold_air_let_in_explains_a_fall() -> None:
    phase = make_phase(LONG)
    t_s = (phase.ambient.t_ms - phase.start_ms) / 1000.0
    fall_k = np.where(t_s < 4000.0, 0.0, 5.0 * (1 - np.exp(-np.maximum(t_s - 4000, 0) / 120.0)))
    cold = replace(
        phase,
        temperature=Series(phase.temperature.t_ms, phase.temperature.value - fall_k),
        ambient=Series(phase.ambient.t_ms, phase.ambient.value - fall_k),
    )
    assert _found(cold) is None


def test_a_cover_off_in_after_leaves_the_trial_undecided_and_says_so() -> None:
    trial = make_trial()
    after = _opened(trial.after, 6000.0, 9000.0)
    figures = analyse(replace(trial, after=after))
    assert figures.verdict == "undecided"
    assert any("cover was off" in reason for reason in figures.reasons)
    assert not figures.setpoints.values
