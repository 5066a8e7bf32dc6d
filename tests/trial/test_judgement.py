"""Whole trials: figures, verdict, reasons, settings; and no confident answer to what went wrong."""

import json
import tomllib
from collections.abc import Callable
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from cabinetwatch.text import UsageError
from cabinetwatch.trial import phases
from cabinetwatch.trial.fit import Settling, settle
from cabinetwatch.trial.judgement import TrialFigures, analyse
from cabinetwatch.trial.readings import EMPTY, Phase, Profile, Series, Subject, Terms, Trial
from tests.trial.examples import (
    AFTER,
    BEFORE,
    SUBJECT,
    Recipe,
    cover_opened,
    enclosed_by,
    make_trial,
)

FITTED: dict[bytes, Settling] = {}


@pytest.fixture(autouse=True)
def _fitted_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Fit once what the tests have in common: most of their time goes there."""

    def once(profile: Profile) -> Settling:
        key = b"".join(np.asarray(each).tobytes() for each in vars(profile).values())
        if key not in FITTED:
            FITTED[key] = settle(profile)
        return FITTED[key]

    monkeypatch.setattr(phases, "settle", once)


@cache
def plain() -> TrialFigures:
    """The figures of a slowed fan: 10 K before, 14 K after."""
    return analyse(make_trial())


def _of(**changes: object) -> TrialFigures:
    """Analyse the plain trial of a subject that differs in something."""
    return analyse(make_trial(subject=replace(SUBJECT, **changes)))  # type: ignore[arg-type]


def _says(figures: TrialFigures, *words: str) -> bool:
    return any(all(each in reason for each in words) for reason in figures.reasons)


def test_the_figures_of_a_plain_trial() -> None:
    report = json.loads(json.dumps(plain().as_json(), allow_nan=False))
    assert report["before"]["rise_k"] == pytest.approx(10.0, abs=0.3)
    assert report["after"]["rise_k"] == pytest.approx(14.0, abs=0.3)
    assert report["change_k"] == pytest.approx(4.0, abs=0.3)
    assert report["change_ci95_k"][0] < 4.0 < report["change_ci95_k"][1]
    assert report["before"]["settled"] is report["after"]["settled"] is True
    assert report["time_constant_s"] == pytest.approx(1500, rel=0.1)
    # 33 degC outside and 14 K; the curve allows 80 % of the load up to 58 degC.
    assert report["hot_day_temperature_c"] == pytest.approx(47.0, abs=0.3)
    assert report["hot_day_margin_k"] == pytest.approx(11.0, abs=0.3)
    assert report["verdict"] == "accept"
    assert _says(plain(), "°C")
    assert not _says(plain(), "degC")
    # 2^(-4 / 10), the ten-degree rule.
    assert report["life_factor_capacitor"] == pytest.approx(0.758, abs=0.02)
    assert 0.6 < report["life_factor"] < 0.8
    assert report["sound_change_db"] is None
    assert "sound_dba" not in report["before"]
    table = tomllib.loads(report["setpoints"])["devices"]["nas"]
    assert table["normal_rise_k"] == pytest.approx(14.0, abs=0.3)
    assert table["normal_power_w"] == 40.0
    assert table["time_constant_s"] == pytest.approx(1500, rel=0.1)
    assert table["normal_rise_k"] < table["max_rise_k"] < 25.0


@pytest.mark.parametrize(
    ("design_ambient_c", "verdict"),
    [(33.0, "accept"), (41.0, "watch"), (44.0, "undecided"), (47.0, "reject")],
)
def test_the_verdict_follows_the_margin(design_ambient_c: float, verdict: str) -> None:
    figures = _of(design_ambient_c=design_ambient_c)
    assert figures.verdict == verdict
    assert figures.hot_day_margin is not None
    assert figures.after.rise is not None
    # The highest rise never passes the limit of the hottest day; a rejected change sets nothing.
    limit_k = figures.after.rise.value + figures.hot_day_margin.value
    assert figures.setpoints.values.get("max_rise_k", 0.0) <= limit_k
    assert bool(figures.setpoints.values) == (verdict != "reject")


def test_the_margin_to_accept_at_is_a_term() -> None:
    assert analyse(make_trial(), Terms(accept_margin_k=20.0)).verdict == "watch"


@pytest.mark.parametrize(
    ("subject", "less_k"),
    [(enclosed_by(3.0, 1.5), 4.5), (replace(SUBJECT, curve_lowering_k=2.0), 2.0)],
)
def test_enclosing_rises_and_altitude_lower_the_margin(subject: Subject, less_k: float) -> None:
    lowered, unlowered = analyse(make_trial(subject=subject)).hot_day_margin, plain().hot_day_margin
    assert lowered is not None
    assert unlowered is not None
    assert lowered.value == pytest.approx(unlowered.value - less_k)


def test_what_is_not_known_of_the_hottest_day_leaves_it_undecided() -> None:
    inside = analyse(make_trial(subject=enclosed_by(None)))
    assert inside.verdict == "undecided"
    assert "around-0" in inside.reasons[0]
    assert inside.hot_day_temperature_c is None
    without_curve = _of(derating=None)
    assert without_curve.verdict == "undecided"
    assert without_curve.hot_day_temperature_c == pytest.approx(47.0, abs=0.3)
    assert without_curve.hot_day_margin is None


def test_a_curve_for_ambient_air_leaves_the_own_rise_out() -> None:
    figures = _of(derating_air="ambient")
    assert figures.hot_day_temperature_c == pytest.approx(33.0)
    assert figures.hot_day_margin is not None
    assert figures.hot_day_margin.low == figures.hot_day_margin.high


def test_a_short_phase_gives_the_asymptote_and_says_so() -> None:
    figures = analyse(make_trial(after=replace(AFTER, length_s=1800.0)))
    assert figures.after.settled is False
    assert figures.after.rise is not None
    assert figures.after.rise.low < 14.0 < figures.after.rise.high
    assert _says(figures, "had not settled: the fit leads")


def test_accuracy_counts_in_the_rise_and_cancels_in_the_change() -> None:
    sharp = _of(temperature_accuracy_k=0.0, ambient_accuracy_k=0.0)
    dull = _of(temperature_accuracy_k=2.0)
    assert sharp.after.rise is not None
    assert dull.after.rise is not None
    assert dull.after.rise.high - dull.after.rise.low > 4.0
    assert sharp.after.rise.high - sharp.after.rise.low < 1.0
    assert dull.change == sharp.change
    assert _says(_of(ambient_accuracy_k=None), "No accuracy is stated for the surrounding-air")


OFF = Recipe(begin_s=-4000.0, length_s=1800.0, rise_k=0.0, power_w=0.0, seed=3)


def test_a_zero_phase_takes_the_offset_off() -> None:
    both = replace(BEFORE, offset_k=0.4), replace(AFTER, offset_k=0.4)
    figures = analyse(make_trial(*both, zero=replace(OFF, offset_k=0.4)))
    assert figures.after.rise is not None
    assert figures.after.rise.value == pytest.approx(14.0, abs=0.2)
    assert figures.after.rise.high - figures.after.rise.low < 0.6
    assert _says(figures, "taken off")


@pytest.mark.parametrize(
    ("zero", "why"),
    [
        (replace(OFF, power_w=38.0), "was not off"),
        (replace(OFF, from_k=8.0), "still moved"),
        (replace(OFF, length_s=60.0), "has only 6 readings"),
    ],
)
def test_a_zero_phase_that_was_none_is_not_used(zero: Recipe, why: str) -> None:
    figures = analyse(make_trial(zero=zero))
    assert figures.after.rise == plain().after.rise
    assert _says(figures, "not used", why)


def test_sensors_further_apart_than_they_may_be_widen_what_they_measured() -> None:
    # Two kelvin too low, or only in other air when they were compared: nobody knows.
    both = replace(BEFORE, offset_k=-2.0), replace(AFTER, offset_k=-2.0)
    figures = analyse(make_trial(*both, zero=replace(OFF, rise_k=-2.0, from_k=-2.0)))
    assert _says(figures, "not used", "more than", "intervals of the rises allow for that")
    for phase, true_k in ((figures.before, 10.0), (figures.after, 14.0)):
        assert phase.rise is not None
        assert phase.rise.low < true_k - 2.0 < true_k < phase.rise.high + 0.1
    assert figures.change is not None
    assert figures.change.high - figures.change.low < 1.0


def test_a_fall_is_not_said_to_be_none_of_a_load_that_nobody_measured() -> None:
    trial = make_trial(after=replace(AFTER, power_w=None))
    assert trial.after is not None
    figures = analyse(replace(trial, after=cover_opened(trial.after, 6000.0, 9000.0)))
    assert _says(figures, "cover may have been off, or the load, which is not measured, fell")


def test_loads_are_compared_through_the_resistance() -> None:
    more = 42.0 / 40.0
    figures = analyse(make_trial(after=replace(AFTER, rise_k=14.0 * more, power_w=42.0)))
    assert figures.change is not None
    assert figures.change.value == pytest.approx(4.0 * more, abs=0.3)
    assert _says(figures, "K/W")
    # As unsure as what was reckoned away: 4 K more as measured, 6 K less at equal load.
    far = analyse(make_trial(after=replace(AFTER, rise_k=14.0, power_w=80.0))).change
    assert far is not None
    assert far.low < -6.0
    assert far.high > 4.0


def test_without_power_equal_load_is_assumed_and_said() -> None:
    figures = analyse(make_trial(replace(BEFORE, power_w=None), replace(AFTER, power_w=None)))
    # Without power the load counts as full: the threshold is 50 degC.
    assert figures.threshold_c == 50.0
    assert _says(figures, "Equal load", "scattered")


@pytest.mark.parametrize(
    ("kind", "before", "after", "change_db", "words"),
    [
        ("sound", 38.0, 31.5, -6.5, "measured"),
        # "Basic Fan Laws", cpemma: 12 -> 7 is 11.7 dB.
        ("fan", 1200.0, 700.0, -11.7, "expected to change by -11.7 dB, by the fan law"),
        ("fan", 1200.0, 0.0, None, "the fan was stopped for part of a phase"),
    ],
)
def test_sound_is_measured_else_by_the_fan_law_else_unknown(
    kind: str, before: float, after: float, change_db: float | None, words: str
) -> None:
    def phase(like: Phase | None, value: float) -> Phase:
        assert like is not None
        series = Series(like.temperature.t_ms, np.full(len(like.temperature.t_ms), value))
        return replace(like, fan=series) if kind == "fan" else replace(like, sound=series)

    trial = make_trial()
    figures = analyse(
        replace(trial, before=phase(trial.before, before), after=phase(trial.after, after))
    )
    assert figures.sound_change_db == (change_db and pytest.approx(change_db, abs=0.05))
    assert _says(figures, words)
    assert figures.before.sound_dba == (before if kind == "sound" else None)


# One mass: the same heat capacity behind 1.4 times the resistance.
SETTLED_AFTER = replace(AFTER, from_k=13.8, rise_k=14.0, tau_s=1680.0)


def test_a_phase_that_began_settled_has_its_time_constant_from_the_other() -> None:
    figures = analyse(make_trial(after=SETTLED_AFTER))
    # 1.4 times 1200 s, by tau = R C.
    assert figures.after.time_constant_s == pytest.approx(1680, rel=0.15)
    assert figures.setpoints.values["time_constant_s"] == pytest.approx(1680, rel=0.15)
    assert _says(figures, "of the after phase", "carried over from the before phase", "1.4")
    assert not _says(figures, "The time constant of the before phase")
    after = replace(AFTER, from_k=0.0, tau_s=1680.0)
    figures = analyse(make_trial(replace(BEFORE, from_k=9.9), after))
    assert figures.before.time_constant_s == pytest.approx(1200, rel=0.15)
    assert _says(figures, "of the before phase", "carried over from the after phase")
    # 14 K at 1.08 times the load: the resistance is 1.296 times as high.
    after = replace(SETTLED_AFTER, tau_s=1200.0 * 1.296, power_w=43.2)
    figures = analyse(make_trial(after=after))
    assert _says(figures, "carried over from the before phase", "1.30 times as high")
    assert figures.after.time_constant_s == pytest.approx(1200.0 * 1.296, rel=0.15)


def test_between_loads_far_apart_nothing_is_carried() -> None:
    after = replace(SETTLED_AFTER, from_k=10.0, rise_k=14.0, power_w=80.0)
    figures = analyse(make_trial(replace(BEFORE, from_k=10.0), after))
    assert not _says(figures, "carried over")
    assert figures.before.time_constant_s is None


def test_where_neither_phase_shows_a_response_no_time_constant_is_told() -> None:
    figures = analyse(make_trial(replace(BEFORE, from_k=10.0), replace(SETTLED_AFTER, from_k=14.0)))
    assert figures.before.time_constant_s is None
    assert figures.as_json()["time_constant_s"] is None
    assert "time_constant_s" not in figures.setpoints.values
    assert figures.setpoints.values["normal_rise_k"] == pytest.approx(14.0, abs=0.3)
    assert _says(figures, "too little of a response")


@pytest.mark.parametrize("ratio", [0.7, 2.0])
def test_phases_that_both_show_their_response_agree_with_it(ratio: float) -> None:
    after = replace(AFTER, from_k=0.0, rise_k=10.0 * ratio, tau_s=1200.0 * ratio)
    figures = analyse(make_trial(after=after))
    assert figures.before.time_constant_s == pytest.approx(1200, rel=0.1)
    assert figures.after.time_constant_s == pytest.approx(1200 * ratio, rel=0.1)


def test_a_phase_that_lasted_a_day_still_shows_a_response_of_minutes() -> None:
    day = replace(BEFORE, tau_s=300.0, length_s=86_400.0, every_s=60.0)
    after = replace(day, begin_s=87_000.0, rise_k=14.0, tau_s=420.0, seed=2)
    figures = analyse(make_trial(day, after))
    assert figures.before.time_constant_s == pytest.approx(300, rel=0.15)
    assert figures.after.time_constant_s == pytest.approx(420, rel=0.15)
    # One that a reading a minute can't show is not given.
    fast = replace(day, tau_s=10.0), replace(after, tau_s=14.0)
    assert "time_constant_s" not in analyse(make_trial(*fast)).setpoints.values


def test_what_is_not_the_response_of_one_device_gives_no_time_constant() -> None:
    # The cover has just been put on: the probe comes back into the stream of a warm device.
    figures = analyse(make_trial(after=replace(AFTER, from_k=3.0, tau_s=150.0)))
    assert figures.before.time_constant_s is figures.after.time_constant_s is None
    assert _says(figures, "No time constant is given")
    assert figures.verdict == "accept"
    assert "time_constant_s" not in figures.setpoints.values


def test_of_two_phases_only_one_can_show_more_than_the_other() -> None:
    before = replace(BEFORE, tau_s=300.0, length_s=10_800.0, noise_k=0.1)
    after = replace(before, begin_s=12_000.0, rise_k=14.0, from_k=2.0, tau_s=420.0, seed=2)
    figures = analyse(make_trial(before, after))
    assert figures.before.time_constant_s == pytest.approx(300, rel=0.15)
    assert sum("which shows more" in reason for reason in figures.reasons) == 1


TRIAL = make_trial()


@pytest.mark.parametrize(
    ("trial", "why"),
    [
        (replace(TRIAL, before=TRIAL.after, after=TRIAL.before), "exchange the two intervals"),
        (make_trial(after=replace(AFTER, begin_s=7000.0)), "overlap between 2026-"),
        (
            make_trial(zero=replace(BEFORE, begin_s=-600.0, rise_k=0.0)),
            "the zero and the before phase overlap",
        ),
        (make_trial(after=replace(AFTER, length_s=0.0)), "later end"),
    ],
)
def test_intervals_that_make_no_sense_are_refused(trial: Trial, why: str) -> None:
    with pytest.raises(UsageError, match=why):
        analyse(trial)


def test_a_trial_that_has_not_come_far_is_undecided() -> None:
    assert analyse(replace(TRIAL, before=None, after=None)).reasons == (
        "There is no before phase yet.",
    )
    zero_later = make_trial(zero=replace(BEFORE, begin_s=7200.0, rise_k=0.0)).zero
    figures = analyse(replace(TRIAL, after=None, zero=zero_later))
    assert figures.reasons == ("There is no after phase yet.",)
    assert figures.before.time_constant_s == pytest.approx(1200, rel=0.1)


Spoil = Callable[[Phase], Phase]


def _temperature(change: Callable[[np.ndarray, np.ndarray], np.ndarray]) -> Spoil:
    """Change the temperatures, given with the seconds since the phase began."""

    def spoil(phase: Phase) -> Phase:
        series = phase.temperature
        value = change((series.t_ms - phase.start_ms) / 1000.0, series.value.copy())
        return replace(phase, temperature=series._replace(value=value))

    return spoil


def _step(at_s: float, by_k: float) -> Spoil:
    return _temperature(
        lambda t_s, value: (
            value + np.where(t_s > at_s, by_k * (1 - np.exp(-(t_s - at_s) / 1500.0)), 0.0)
        )
    )


def _silenced(phase: Phase) -> Phase:
    half = len(phase.temperature.t_ms) // 2
    t_ms, value = phase.temperature
    return replace(phase, temperature=Series(t_ms[:half], value[:half]))


@pytest.mark.parametrize(
    ("recipe", "spoil", "why"),
    [
        (AFTER, lambda p: replace(p, temperature=EMPTY), "no readings of the temperature"),
        (replace(AFTER, every_s=900.0), None, "only 10 readings"),
        (
            AFTER,
            _temperature(lambda _, v: np.where(np.arange(900) > 300, v[300], v)),
            "The temperature did not move at all",
        ),
        (
            AFTER,
            lambda p: replace(p, ambient=p.ambient._replace(value=np.full(900, 21.0))),
            "The ambient did not move at all",
        ),
        (AFTER, _silenced, "was silent"),
        (replace(AFTER, rise_k=28.0, power_w=80.0), None, "not an equal load"),
        (replace(AFTER, rise_k=0.0, power_w=0.5), None, "not an equal load"),
        (
            replace(AFTER, power_w=None, length_s=14_400.0),
            _step(7200.0, 14.0),
            "something changed within it",
        ),
        (
            AFTER,
            lambda p: replace(p, temperature=p.ambient, ambient=p.temperature),
            "sensors look swapped",
        ),
        (replace(AFTER, length_s=60.0, every_s=5.0), None, "too short"),
        (replace(AFTER, length_s=300.0, every_s=5.0), None, "too short"),
        (AFTER, lambda p: cover_opened(p, 6000.0, 9000.0), "cover may have been off"),
    ],
)
def test_what_went_wrong_after_leaves_it_undecided(
    recipe: Recipe, spoil: Spoil | None, why: str
) -> None:
    trial = make_trial(after=recipe)
    assert trial.after is not None
    figures = analyse(replace(trial, after=spoil(trial.after)) if spoil else trial)
    assert figures.verdict == "undecided"
    assert _says(figures, why), figures.reasons
    assert figures.as_json()["setpoints"] is None
    assert figures.before.rise is not None


def test_nothing_follows_from_a_phase_that_cannot_be_trusted() -> None:
    trial = make_trial()
    assert trial.after is not None
    swapped = replace(trial.after, temperature=trial.after.ambient, ambient=trial.after.temperature)
    figures = analyse(replace(trial, after=swapped))
    assert figures.after.rise is not None
    assert figures.after.rise.high < 0
    assert not _says(figures, "hottest day")
    followed = figures.as_json().items()
    changed = {key: value for key, value in followed if key.startswith(("change", "hot", "life"))}
    assert len(changed) == 6
    assert set(changed.values()) == {None}


def test_a_phase_in_which_something_changed_lends_nothing() -> None:
    trial = make_trial(replace(BEFORE, length_s=14_400.0), replace(SETTLED_AFTER, begin_s=15_000.0))
    assert trial.before is not None
    figures = analyse(replace(trial, before=_step(7200.0, 8.0)(trial.before)))
    assert figures.verdict == "undecided"
    assert not _says(figures, "The time constant of the after phase")


def test_both_phases_unusable_gives_both_reasons() -> None:
    figures = analyse(make_trial(replace(BEFORE, every_s=3000.0), replace(AFTER, every_s=3000.0)))
    assert _says(figures, "The before phase has only")
    assert _says(figures, "The after phase has only")


@pytest.mark.parametrize(
    ("power", "curve", "words"),
    [
        (40.0, ((40.0, 0.3), (60.0, 0.2)), "never allows the load"),
        (None, ((40.0, 0.9), (60.0, 0.2)), "never allows full load"),
    ],
)
def test_a_load_never_allowed_is_undecided(
    power: float | None, curve: tuple[tuple[float, float], ...], words: str
) -> None:
    both = replace(BEFORE, power_w=power), replace(AFTER, power_w=power)
    figures = analyse(make_trial(*both, subject=replace(SUBJECT, derating=curve)))
    assert figures.verdict == "undecided"
    assert _says(figures, words)


def _spoilt(_: np.ndarray, value: np.ndarray) -> np.ndarray:
    value[::7], value[5::50], value[9::70] = np.nan, 85.0, -127.0
    return value


def _shuffled(phase: Phase) -> Phase:
    order = np.random.default_rng(5).permutation(900)
    t_ms = np.append(phase.temperature.t_ms[order], phase.end_ms + 5000)
    return replace(phase, temperature=Series(t_ms, np.append(phase.temperature.value[order], 99.0)))


def test_readings_that_tell_nothing_are_left_out() -> None:
    assert TRIAL.after is not None
    assert analyse(replace(TRIAL, after=_shuffled(TRIAL.after))).after == plain().after
    figures = analyse(replace(TRIAL, after=_temperature(_spoilt)(TRIAL.after)))
    assert figures.after.rise is not None
    assert figures.after.rise.value == pytest.approx(14.0, abs=0.3)


def test_a_calm_room_and_a_coarse_sensor_are_no_fault() -> None:
    def coarse(phase: Phase | None) -> Phase:
        assert phase is not None
        still = phase.ambient._replace(value=np.full(len(phase.ambient.value), 21.0))
        return replace(_temperature(lambda _, v: np.round(v * 2) / 2)(phase), ambient=still)

    trial = make_trial(replace(BEFORE, noise_k=0.0), replace(AFTER, noise_k=0.0))
    figures = analyse(replace(trial, before=coarse(trial.before), after=coarse(trial.after)))
    assert figures.after.rise is not None
    assert figures.after.rise.low < 14.0 < figures.after.rise.high


@pytest.mark.parametrize("power_w", [0.0, 0.04, -3.0])
def test_a_meter_that_sees_nothing_lends_no_margin(power_w: float) -> None:
    both = replace(BEFORE, power_w=power_w), replace(AFTER, power_w=power_w)
    figures = analyse(make_trial(*both))
    assert figures.threshold_c == 50.0
    assert figures.before.power_w is figures.after.power_w is None
    assert _says(figures, "power was not measured in both")
    assert _says(figures, "derating threshold of 50.0\xa0°C at full load")


def test_a_load_above_the_rated_one_is_said_to_be() -> None:
    figures = _of(rated_power_w=30.0)
    assert figures.threshold_c == 50.0
    assert _says(figures, "threshold of 50.0\xa0°C at full load", "more than its rated 30 W")


def test_a_rise_brought_to_quite_another_load_may_be_none_that_can_be() -> None:
    before = replace(BEFORE, rise_k=-4.0, power_w=0.5)
    figures = analyse(make_trial(before, replace(AFTER, power_w=45.0)))
    assert figures.verdict == "undecided"
    assert figures.life_factor is None
