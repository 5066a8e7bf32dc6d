"""Whole trials: figures, verdict, reasons, settings."""

import json
import tomllib
from dataclasses import replace

import numpy as np
import pytest

from cabinetwatch.trial.analysis import analyse
from cabinetwatch.trial.readings import Phase, Series, Terms, Trial
from tests.trial.examples import AFTER, BEFORE, SUBJECT, Recipe, enclosed_by, make_trial

KEYS = {
    "device", "before", "after", "time_constant_s", "change_k", "change_ci95_k",
    "hot_day_temperature_c", "hot_day_margin_k", "life_factor", "life_factor_capacitor",
    "sound_change_db", "verdict", "reasons", "setpoints",
}  # fmt: skip


def test_the_figures_of_a_plain_trial() -> None:
    figures = analyse(make_trial())
    report = json.loads(json.dumps(figures.as_json(), allow_nan=False))
    assert set(report) == KEYS
    assert report["before"]["rise_k"] == pytest.approx(10.0, abs=0.3)
    assert report["after"]["rise_k"] == pytest.approx(14.0, abs=0.3)
    assert report["change_k"] == pytest.approx(4.0, abs=0.3)
    assert report["change_ci95_k"][0] < 4.0 < report["change_ci95_k"][1]
    assert report["before"]["settled"] is True
    assert report["after"]["settled"] is True
    assert report["time_constant_s"] == pytest.approx(1500, rel=0.1)
    # 33 degC outside and 14 K; the curve allows 80 % of the load up to 58 degC.
    assert report["hot_day_temperature_c"] == pytest.approx(47.0, abs=0.3)
    assert report["hot_day_margin_k"] == pytest.approx(11.0, abs=0.3)
    assert report["verdict"] == "accept"
    assert any("°C" in reason for reason in report["reasons"])
    assert not any("degC" in reason for reason in report["reasons"])
    # 2^(-4 / 10), the ten-degree rule.
    assert report["life_factor_capacitor"] == pytest.approx(0.758, abs=0.02)
    assert 0.6 < report["life_factor"] < 0.8
    assert report["sound_change_db"] is None
    assert "sound_dba" not in report["before"]


@pytest.mark.parametrize(
    ("design_ambient_c", "verdict"),
    [(33.0, "accept"), (41.0, "watch"), (44.0, "undecided"), (47.0, "reject")],
)
def test_the_verdict_follows_the_margin(design_ambient_c: float, verdict: str) -> None:
    subject = replace(SUBJECT, design_ambient_c=design_ambient_c)
    assert analyse(make_trial(subject=subject)).verdict == verdict


def test_the_margin_to_accept_at_is_a_term() -> None:
    assert analyse(make_trial(), Terms(accept_margin_k=20.0)).verdict == "watch"


def test_enclosing_rises_and_altitude_lower_the_margin() -> None:
    plain = analyse(make_trial()).hot_day_margin
    inside = analyse(make_trial(subject=enclosed_by(3.0, 1.5))).hot_day_margin
    high = analyse(make_trial(subject=replace(SUBJECT, curve_lowering_k=2.0))).hot_day_margin
    assert plain is not None
    assert inside is not None
    assert high is not None
    assert inside.value == pytest.approx(plain.value - 4.5)
    assert high.value == pytest.approx(plain.value - 2.0)


def test_an_unknown_enclosing_rise_leaves_it_undecided() -> None:
    figures = analyse(make_trial(subject=enclosed_by(None)))
    assert figures.verdict == "undecided"
    assert "around-0" in figures.reasons[0]
    assert figures.hot_day_temperature_c is None


def test_without_a_curve_it_is_undecided_but_the_temperature_is_told() -> None:
    figures = analyse(make_trial(subject=replace(SUBJECT, derating=None)))
    assert figures.verdict == "undecided"
    assert figures.hot_day_temperature_c == pytest.approx(47.0, abs=0.3)
    assert figures.hot_day_margin is None


def test_a_curve_for_ambient_air_leaves_the_own_rise_out() -> None:
    figures = analyse(make_trial(subject=replace(SUBJECT, derating_air="ambient")))
    assert figures.hot_day_temperature_c == pytest.approx(33.0)
    assert figures.hot_day_margin is not None
    assert figures.hot_day_margin.low == figures.hot_day_margin.high


def test_a_short_phase_gives_the_asymptote_and_says_so() -> None:
    figures = analyse(make_trial(after=replace(AFTER, length_s=1800.0)))
    assert figures.after.settled is False
    assert figures.after.rise is not None
    assert figures.after.rise.low < 14.0 < figures.after.rise.high
    assert any("fitted asymptote" in reason for reason in figures.reasons)
    assert any("IEC 62368-1" in reason for reason in figures.reasons)


def test_accuracy_counts_in_the_rise_and_cancels_in_the_change() -> None:
    sharp = analyse(
        make_trial(subject=replace(SUBJECT, temperature_accuracy_k=0.0, ambient_accuracy_k=0.0))
    )
    dull = analyse(make_trial(subject=replace(SUBJECT, temperature_accuracy_k=2.0)))
    assert sharp.after.rise is not None
    assert dull.after.rise is not None
    assert dull.after.rise.high - dull.after.rise.low > 4.0
    assert sharp.after.rise.high - sharp.after.rise.low < 1.0
    assert dull.change == sharp.change


def test_a_zero_phase_takes_the_offset_off() -> None:
    shift = 0.4
    zero = Recipe(begin_s=-4000.0, length_s=1800.0, rise_k=0.0, power_w=0.0, offset_k=shift, seed=3)
    figures = analyse(
        make_trial(replace(BEFORE, offset_k=shift), replace(AFTER, offset_k=shift), zero=zero)
    )
    assert figures.after.rise is not None
    assert figures.after.rise.value == pytest.approx(14.0, abs=0.2)
    assert figures.after.rise.high - figures.after.rise.low < 0.6
    assert any("taken off" in reason for reason in figures.reasons)


@pytest.mark.parametrize(
    ("zero", "why"),
    [
        (Recipe(begin_s=-4000.0, length_s=1800.0, rise_k=0.0, power_w=38.0), "was not off"),
        (
            Recipe(begin_s=-4000.0, length_s=1800.0, rise_k=0.0, from_k=8.0, power_w=0.0),
            "still moved",
        ),
        (
            Recipe(begin_s=-4000.0, length_s=1800.0, rise_k=3.0, from_k=3.0, power_w=0.0),
            "more than",
        ),
        (Recipe(begin_s=-4000.0, length_s=60.0, rise_k=0.0, power_w=0.0), "has only 6 readings"),
    ],
)
def test_a_zero_phase_that_was_none_is_not_used(zero: Recipe, why: str) -> None:
    figures = analyse(make_trial(zero=zero))
    plain = analyse(make_trial())
    assert figures.after.rise == plain.after.rise
    assert any("not used" in reason and why in reason for reason in figures.reasons)


def test_a_little_more_load_is_compared_through_the_resistance() -> None:
    more = 42.0 / 40.0
    figures = analyse(make_trial(after=replace(AFTER, rise_k=14.0 * more, power_w=42.0)))
    assert figures.change is not None
    assert figures.change.value == pytest.approx(4.0 * more, abs=0.3)
    assert any("K/W" in reason for reason in figures.reasons)


def test_without_power_equal_load_is_assumed_and_said() -> None:
    figures = analyse(make_trial(replace(BEFORE, power_w=None), replace(AFTER, power_w=None)))
    # Without power the load counts as full: the threshold is 50 degC.
    assert figures.threshold_c == 50.0
    assert any("Equal load" in reason and "scattered" in reason for reason in figures.reasons)


def test_an_unstated_accuracy_is_assumed_and_said() -> None:
    figures = analyse(make_trial(subject=replace(SUBJECT, ambient_accuracy_k=None)))
    assert any("No accuracy is stated for the ambient" in reason for reason in figures.reasons)


def test_settings_follow_as_a_stanza_for_the_configuration() -> None:
    text = analyse(make_trial()).as_json()["setpoints"]
    table = tomllib.loads(text)["devices"]["nas"]
    assert table["normal_rise_k"] == pytest.approx(14.0, abs=0.3)
    assert table["normal_power_w"] == 40.0
    assert table["time_constant_s"] == pytest.approx(1500, rel=0.1)
    assert table["normal_rise_k"] < table["max_rise_k"] < 25.0


def test_the_highest_rise_never_passes_the_hot_day_limit() -> None:
    figures = analyse(make_trial(subject=replace(SUBJECT, design_ambient_c=42.0)))
    assert figures.hot_day_margin is not None
    assert figures.after.rise is not None
    limit_k = figures.after.rise.value + figures.hot_day_margin.value
    assert figures.setpoints.values["max_rise_k"] <= limit_k


def test_a_rejected_change_gives_no_settings() -> None:
    figures = analyse(make_trial(subject=replace(SUBJECT, design_ambient_c=47.0)))
    assert figures.as_json()["setpoints"] is None


def _with_sound(trial: Trial, before: float, after: float, kind: str) -> Trial:
    def series(like: Series, value: float) -> Series:
        return Series(like.t_ms, np.full(len(like.t_ms), value))

    def phase(like: Phase, value: float) -> Phase:
        told = series(like.temperature, value)
        return replace(like, fan=told) if kind == "fan" else replace(like, sound=told)

    return replace(trial, before=phase(trial.before, before), after=phase(trial.after, after))


def test_measured_sound_is_compared_by_energy() -> None:
    report = analyse(_with_sound(make_trial(), 38.0, 31.5, "sound")).as_json()
    assert report["before"]["sound_dba"] == 38.0
    assert report["sound_change_db"] == pytest.approx(-6.5)


def test_sound_is_predicted_from_fan_speed_where_it_was_not_measured() -> None:
    figures = analyse(_with_sound(make_trial(), 1200.0, 700.0, "fan"))
    # "Basic Fan Laws", cpemma: 12 -> 7 is 11.7 dB.
    assert figures.sound_change_db == pytest.approx(-11.7, abs=0.05)
    assert any("expected" in reason and "fan law" in reason for reason in figures.reasons)
    assert figures.before.sound_dba is None


def test_a_fan_that_stood_still_tells_nothing_of_the_sound() -> None:
    figures = analyse(_with_sound(make_trial(), 1200.0, 0.0, "fan"))
    assert figures.sound_change_db is None
    assert any("the fan stood still for part of a phase" in reason for reason in figures.reasons)
