"""A time constant carried from one phase to the other through the thermal resistance."""

from dataclasses import replace

import numpy as np
import pytest

from cabinetwatch.trial.analysis import analyse
from cabinetwatch.trial.judgement import TrialFigures
from tests.trial.examples import AFTER, BEFORE, Recipe, make_trial

# One mass: the same heat capacity behind 1.4 times the resistance.
SETTLED_AFTER = replace(AFTER, from_k=13.8, rise_k=14.0, tau_s=1680.0)
SETTLED_BEFORE = replace(BEFORE, from_k=9.9)


def _carried(figures: TrialFigures, name: str) -> list[str]:
    begin = f"The time constant of the {name} phase"
    return [reason for reason in figures.reasons if reason.startswith(begin)]


def test_an_after_phase_that_began_settled_has_its_time_constant_from_before() -> None:
    figures = analyse(make_trial(after=SETTLED_AFTER))
    # 1.4 times 1200 s, by tau = R C.
    assert figures.after.time_constant_s == pytest.approx(1680, rel=0.15)
    assert figures.setpoints.values["time_constant_s"] == pytest.approx(1680, rel=0.15)
    (sentence,) = _carried(figures, "after")
    assert "carried over from the before phase" in sentence
    assert "1.4" in sentence
    assert not _carried(figures, "before")


def test_a_before_phase_that_began_settled_has_it_from_after() -> None:
    after = replace(AFTER, from_k=0.0, tau_s=1680.0)
    figures = analyse(make_trial(SETTLED_BEFORE, after))
    assert figures.before.time_constant_s == pytest.approx(1200, rel=0.15)
    assert "carried over from the after phase" in _carried(figures, "before")[0]


def test_more_load_is_not_taken_for_more_resistance() -> None:
    # 14 K at 1.08 times the load: the resistance is 1.296 times as high.
    after = replace(SETTLED_AFTER, tau_s=1200.0 * 1.296, power_w=43.2)
    figures = analyse(make_trial(after=after))
    assert "1.30 times as high" in _carried(figures, "after")[0]
    assert figures.after.time_constant_s == pytest.approx(1200.0 * 1.296, rel=0.15)


def test_between_loads_far_apart_nothing_is_carried() -> None:
    after = replace(SETTLED_AFTER, from_k=10.0, rise_k=14.0, power_w=80.0)
    figures = analyse(make_trial(replace(BEFORE, from_k=10.0), after))
    assert not _carried(figures, "before")
    assert not _carried(figures, "after")
    assert figures.before.time_constant_s is None


def test_where_neither_phase_shows_a_response_no_time_constant_is_told() -> None:
    still = replace(SETTLED_AFTER, from_k=14.0)
    figures = analyse(make_trial(replace(BEFORE, from_k=10.0), still))
    assert figures.before.time_constant_s is None
    assert figures.after.time_constant_s is None
    assert figures.as_json()["time_constant_s"] is None
    assert "time_constant_s" not in figures.setpoints.values
    assert figures.setpoints.values["normal_rise_k"] == pytest.approx(14.0, abs=0.3)
    assert any("too little of a response" in reason for reason in figures.reasons)


def test_a_phase_in_which_something_changed_lends_nothing() -> None:
    trial = make_trial(replace(BEFORE, length_s=14_400.0), replace(SETTLED_AFTER, begin_s=15_000.0))
    t_s = (trial.before.temperature.t_ms - trial.before.start_ms) / 1000.0
    further_k = np.where(t_s > 7200, 8.0 * (1 - np.exp(-(t_s - 7200) / 1500.0)), 0.0)
    value = trial.before.temperature.value + further_k
    temperature = trial.before.temperature._replace(value=value)
    spoilt = replace(trial.before, temperature=temperature)
    figures = analyse(replace(trial, before=spoilt))
    assert figures.verdict == "undecided"
    assert not _carried(figures, "after")


@pytest.mark.parametrize("ratio", [0.7, 1.25, 2.0])
def test_phases_that_both_show_their_response_agree_with_it(ratio: float) -> None:
    after = Recipe(
        begin_s=7800.0, from_k=0.0, rise_k=10.0 * ratio, tau_s=1200.0 * ratio, length_s=9000.0
    )
    figures = analyse(make_trial(after=after))
    assert figures.before.time_constant_s == pytest.approx(1200, rel=0.1)
    assert figures.after.time_constant_s == pytest.approx(1200 * ratio, rel=0.1)
