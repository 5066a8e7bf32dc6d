"""The steady state by the published criterion."""

import numpy as np
import pytest

from cabinetwatch.trial.phases import PhaseResult, analyse_phase
from tests.trial.examples import Recipe, make_phase

TAU_S, RISE_K = 1200.0, 20.0


def _analyse(
    length_s: float, limit_c: float | None = None, *, rise_k: float = RISE_K, tau_s: float = TAU_S
) -> PhaseResult:
    recipe = Recipe(length_s=length_s, rise_k=rise_k, tau_s=tau_s, noise_k=0.01)
    result = analyse_phase(make_phase(recipe), "after", limit_c)
    assert isinstance(result, PhaseResult)
    return result


def test_the_criterion_is_met_when_arithmetic_says() -> None:
    # IEC 62368-1, from memory: at most 3 K in 30 min. The first window that passes starts at
    # tau ln(D (1 - exp(-1800/tau)) / 3) = 1973.57 s; 0.862 K are missing at its end.
    end_s = TAU_S * np.log(RISE_K * (1 - np.exp(-1800 / TAU_S)) / 3) + 1800
    assert end_s == pytest.approx(1973.57 + 1800, abs=0.01)
    assert not _analyse(end_s - 200).steadiness.by_criterion
    late = _analyse(end_s + 200)
    assert late.steadiness.by_criterion
    assert late.settling.missing_k == pytest.approx(0.862, abs=0.25)


def test_slow_gear_that_passes_the_criterion_is_not_called_settled() -> None:
    result = _analyse(2100.0, rise_k=8.0, tau_s=3600.0)
    assert result.steadiness.by_criterion
    assert not result.steadiness.settled
    assert "still to come" in result.steadiness.sentence


def test_a_phase_shorter_than_the_window_is_not_settled_near_its_limit() -> None:
    result = _analyse(1500.0, limit_c=42.0, tau_s=200.0)
    assert not result.steadiness.settled
    assert "is shorter than" in result.steadiness.sentence


def test_a_short_phase_well_below_its_limit_is_judged_over_five_minutes() -> None:
    assert _analyse(1500.0, limit_c=80.0, tau_s=200.0).steadiness.settled
