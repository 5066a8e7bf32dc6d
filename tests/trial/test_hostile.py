"""Trials that went wrong: undecided or a sentence, never a confident wrong answer."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from cabinetwatch.text import UsageError
from cabinetwatch.trial.analysis import analyse
from cabinetwatch.trial.judgement import TrialFigures
from cabinetwatch.trial.readings import EMPTY, Floats, Phase, Series, Trial
from tests.trial.examples import AFTER, BEFORE, make_phase, make_trial


def _undecided(trial: Trial, why: str) -> TrialFigures:
    figures = analyse(trial)
    assert figures.verdict == "undecided"
    assert any(why in reason for reason in figures.reasons), figures.reasons
    assert figures.as_json()["setpoints"] is None
    return figures


def test_swapped_phases_are_refused() -> None:
    trial = make_trial()
    with pytest.raises(UsageError, match="exchange the two intervals"):
        analyse(replace(trial, before=trial.after, after=trial.before))


def test_overlapping_phases_are_refused() -> None:
    with pytest.raises(UsageError, match="overlap between 2026-"):
        analyse(make_trial(after=replace(AFTER, begin_s=7000.0)))


def test_a_zero_phase_within_another_is_refused() -> None:
    with pytest.raises(UsageError, match="the zero and the before phase overlap"):
        analyse(make_trial(zero=replace(BEFORE, begin_s=-600.0, rise_k=0.0)))


def test_an_empty_interval_is_refused() -> None:
    trial = make_trial()
    with pytest.raises(UsageError, match="later end"):
        analyse(replace(trial, after=replace(trial.after, end_ms=trial.after.start_ms)))


def test_a_phase_without_readings_is_undecided() -> None:
    trial = make_trial()
    figures = _undecided(
        replace(trial, after=replace(trial.after, temperature=EMPTY)),
        "no readings of the temperature",
    )
    assert figures.after.rise is None
    assert figures.before.rise is not None


def test_ten_readings_are_undecided() -> None:
    _undecided(make_trial(after=replace(AFTER, every_s=900.0)), "only 10 readings")


def _after(change: Callable[[Phase], Phase]) -> Trial:
    trial = make_trial()
    return replace(trial, after=change(trial.after))


def _map(series: Series, value: Floats) -> Series:
    return Series(series.t_ms, value)


def test_a_temperature_that_died_midway_is_undecided() -> None:
    def stick(phase: Phase) -> Phase:
        value = phase.temperature.value.copy()
        value[len(value) // 3 :] = value[len(value) // 3]
        return replace(phase, temperature=_map(phase.temperature, value))

    _undecided(_after(stick), "looks dead")


def test_an_ambient_that_stood_still_from_the_start_is_undecided() -> None:
    def stick(phase: Phase) -> Phase:
        return replace(phase, ambient=_map(phase.ambient, np.full(len(phase.ambient.value), 21.0)))

    _undecided(_after(stick), "looks dead")


def test_a_calm_room_and_a_coarse_sensor_are_no_fault() -> None:
    def coarse(phase: Phase) -> Phase:
        warm = np.round(phase.temperature.value * 2) / 2
        still = np.full(len(phase.ambient.value), 21.0)
        return replace(
            phase, temperature=_map(phase.temperature, warm), ambient=_map(phase.ambient, still)
        )

    calm = replace(BEFORE, noise_k=0.0), replace(AFTER, noise_k=0.0)
    trial = make_trial(*calm)
    figures = analyse(replace(trial, before=coarse(trial.before), after=coarse(trial.after)))
    assert figures.after.rise is not None
    assert figures.after.rise.low < 14.0 < figures.after.rise.high


def test_a_sensor_that_fell_silent_is_undecided() -> None:
    def silence(phase: Phase) -> Phase:
        half = len(phase.temperature.t_ms) // 2
        return replace(
            phase,
            temperature=Series(phase.temperature.t_ms[:half], phase.temperature.value[:half]),
        )

    _undecided(_after(silence), "was silent")


def test_readings_that_are_no_numbers_are_left_out() -> None:
    def spoil(phase: Phase) -> Phase:
        value = phase.temperature.value.copy()
        value[::7] = np.nan
        value[5::50] = 85.0
        value[9::70] = -127.0
        return replace(phase, temperature=_map(phase.temperature, value))

    figures, plain = analyse(_after(spoil)), analyse(make_trial())
    assert figures.after.rise is not None
    assert plain.after.rise is not None
    assert figures.after.rise.value == pytest.approx(plain.after.rise.value, abs=0.1)


def test_doubled_load_in_after_is_undecided() -> None:
    _undecided(make_trial(after=replace(AFTER, rise_k=28.0, power_w=80.0)), "no equal load")


def test_a_change_between_loads_far_apart_is_as_unsure_as_what_was_reckoned_away() -> None:
    change = analyse(make_trial(after=replace(AFTER, rise_k=14.0, power_w=80.0))).change
    assert change is not None
    # 10 K before: 4 K more as measured, 6 K less at equal load.
    assert change.low < -6.0
    assert change.high > 4.0


def test_a_load_that_doubled_unmeasured_within_after_is_undecided() -> None:
    before = replace(BEFORE, power_w=None)
    trial = make_trial(before, replace(AFTER, power_w=None, length_s=14_400.0))
    t_s = (trial.after.temperature.t_ms - trial.after.start_ms) / 1000.0
    further_k = np.where(t_s > 7200, 14.0 * (1 - np.exp(-(t_s - 7200) / 1500.0)), 0.0)
    value = trial.after.temperature.value + further_k
    after = replace(trial.after, temperature=_map(trial.after.temperature, value))
    _undecided(replace(trial, after=after), "something changed within it")


def test_swapped_sensors_are_undecided() -> None:
    trial = make_trial()

    def swap(phase: Phase) -> Phase:
        return replace(phase, temperature=phase.ambient, ambient=phase.temperature)

    _undecided(
        replace(trial, before=swap(trial.before), after=swap(trial.after)), "sensors look swapped"
    )


def test_a_device_that_was_off_is_undecided() -> None:
    trial = make_trial(after=replace(AFTER, rise_k=0.0, power_w=0.5))
    _undecided(trial, "no equal load")


def test_readings_out_of_order_and_outside_the_phase_change_nothing() -> None:
    def shuffle(phase: Phase) -> Phase:
        order = np.random.default_rng(5).permutation(len(phase.temperature.t_ms))
        t_ms = np.append(phase.temperature.t_ms[order], phase.end_ms + 5000)
        value = np.append(phase.temperature.value[order], 99.0)
        return replace(phase, temperature=Series(t_ms, value))

    assert analyse(_after(shuffle)).after == analyse(make_trial()).after


@pytest.mark.parametrize("length_s", [60.0, 120.0, 300.0])
def test_a_phase_far_too_short_is_undecided(length_s: float) -> None:
    _undecided(make_trial(after=replace(AFTER, length_s=length_s, every_s=5.0)), "too short")


def test_a_load_never_allowed_is_undecided() -> None:
    trial = make_trial(BEFORE, AFTER)
    never = replace(trial.subject, derating=((40.0, 0.3), (60.0, 0.2)))
    _undecided(replace(trial, subject=never), "never allows the load")


def test_a_full_load_never_allowed_is_undecided_where_no_power_is_measured() -> None:
    trial = make_trial(BEFORE, AFTER)
    never = replace(trial.subject, derating=((40.0, 0.9), (60.0, 0.2)))
    before, after = replace(trial.before, power=None), replace(trial.after, power=None)
    blind = replace(trial, subject=never, before=before, after=after)
    _undecided(blind, "never allows full load")


def test_both_phases_unusable_gives_both_reasons() -> None:
    trial = make_trial(replace(BEFORE, every_s=3000.0), replace(AFTER, every_s=3000.0))
    figures = _undecided(trial, "The before phase has only")
    assert any("The after phase has only" in reason for reason in figures.reasons)
    assert make_phase(AFTER).temperature.value.size > 0
