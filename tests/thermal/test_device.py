"""The device observer: rise, heading, lost cooling, and what must never raise an alarm."""

import json
from dataclasses import asdict
from math import sin

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cabinetwatch.thermal.device import DeviceObserver
from cabinetwatch.thermal.windows import DeviceSettings
from tests.thermal.scenes import DAY_S, HOUR_S, Scene, door, step_at

WITH_POWER = DeviceSettings(
    has_power=True, normal_rise_k=12.0, normal_power_w=40.0, time_constant_s=900.0
)
WITHOUT_POWER = DeviceSettings(normal_rise_k=12.0, time_constant_s=900.0)
FAULT_S = 6 * HOUR_S


def run(
    scene: Scene, duration_s: float, configured: DeviceSettings = WITH_POWER
) -> tuple[DeviceObserver, float | None, bool]:
    """The observer at the end, when cooling loss was found (s), and was rise ever missing."""
    observer = DeviceObserver(configured)
    found_s, missing = None, False
    for t_ms, temperature_c, ambient_c, power_w in scene.readings(duration_s):
        observer.update(t_ms, temperature_c, ambient_c, power_w)
        missing = missing or observer.rise_missing.standing
        if found_s is None and observer.cooling_loss.standing:
            found_s = t_ms / 1000
    return observer, found_s, missing


def test_rise_and_settled_rise_are_found_in_the_steady_state() -> None:
    observer, _, _ = run(Scene(), 4 * HOUR_S)
    figures = observer.figures
    assert figures is not None
    assert figures.rise_k == pytest.approx(12.0, abs=0.2)
    assert figures.settled_rise_k == pytest.approx(12.0, abs=2 * figures.settled_rise_sd_k)
    assert figures.resistance_k_per_w == pytest.approx(0.3, abs=0.03)


@pytest.mark.parametrize("configured", [WITH_POWER, WITHOUT_POWER], ids=["power", "no power"])
def test_a_stall_is_found_in_three_minutes_and_dated(configured: DeviceSettings) -> None:
    scene = Scene(loss=step_at(FAULT_S, 1.0, 2.0))
    observer, found_s, _ = run(scene, FAULT_S + HOUR_S, configured)
    assert found_s is not None
    assert 0 < found_s - FAULT_S <= 180
    assert observer.cooling_loss.since_ms / 1000 == pytest.approx(FAULT_S, abs=60)
    assert observer.cooling_loss.standing


def test_a_half_stall_is_found() -> None:
    _, found_s, _ = run(Scene(loss=step_at(FAULT_S, 1.0, 1.4)), FAULT_S + 2 * HOUR_S)
    assert found_s is not None
    assert found_s - FAULT_S < 900


def test_lost_cooling_is_found_though_the_load_falls_at_once() -> None:
    scene = Scene(loss=step_at(FAULT_S, 1.0, 2.5), power_w=step_at(FAULT_S, 40.0, 20.0))
    _, found_s, _ = run(scene, FAULT_S + 2 * HOUR_S)
    assert found_s is not None


def test_lost_cooling_returns_when_it_is_mended() -> None:
    scene = Scene(loss=lambda t: 2.0 if FAULT_S <= t < FAULT_S + HOUR_S else 1.0)
    observer, found_s, _ = run(scene, FAULT_S + 6 * HOUR_S)
    assert found_s is not None
    assert not observer.cooling_loss.standing


def test_a_loss_that_lasted_long_returns_as_soon_as_one_that_did_not() -> None:
    lasted_s = 8 * HOUR_S
    scene = Scene(loss=lambda t: 1.6 if FAULT_S <= t < FAULT_S + lasted_s else 1.0)
    observer, found_s, _ = run(scene, FAULT_S + lasted_s + 1.25 * HOUR_S)
    assert found_s is not None
    assert not observer.cooling_loss.standing


QUIET = {
    "load step": Scene(power_w=step_at(FAULT_S, 20.0, 40.0)),
    "load falls": Scene(power_w=step_at(FAULT_S, 40.0, 15.0)),
    "door": Scene(ambient_c=door(FAULT_S, FAULT_S + 600, 22.0, 8.0)),
    "short door": Scene(ambient_c=door(FAULT_S, FAULT_S + 120, 22.0, 10.0)),
    "hot week": Scene(ambient_c=lambda t: 20.0 + 10.0 * min(1.0, t / (12 * HOUR_S))),
    "heating": Scene(ambient_c=lambda t: 20.0 + 1.5 * sin(t / 300.0)),
    "switched": Scene(power_w=lambda t: 0.0 if FAULT_S <= t < FAULT_S + 3 * HOUR_S else 40.0),
}


@pytest.mark.parametrize("name", QUIET)
def test_ordinary_life_raises_nothing(name: str) -> None:
    _, found_s, missing = run(QUIET[name], FAULT_S + 12 * HOUR_S)
    assert found_s is None
    assert not missing


@pytest.mark.parametrize("factor", [0.6, 1.4])
def test_a_time_constant_forty_percent_wrong_raises_nothing_on_load_steps(factor: float) -> None:
    configured = DeviceSettings(True, 12.0, 40.0, 900.0 * factor)
    scene = Scene(power_w=lambda t: 40.0 if (t % 7200) < 3600 else 15.0)
    _, found_s, missing = run(scene, DAY_S, configured)
    assert found_s is None
    assert not missing


@pytest.mark.parametrize("factor", [0.6, 1.0, 1.4])
def test_the_interval_of_the_settled_rise_holds_the_truth(factor: float) -> None:
    configured = DeviceSettings(True, 12.0, 40.0, 900.0 * factor)
    scene = Scene(
        power_w=lambda t: 40.0 if (t % 7200) < 3600 else 20.0, loss=step_at(FAULT_S, 1.0, 1.8)
    )
    observer = DeviceObserver(configured)
    held = judged = 0
    for t_ms, temperature_c, ambient_c, power_w in scene.readings(2 * FAULT_S):
        if not observer.update(t_ms, temperature_c, ambient_c, power_w) or t_ms < 3_600_000:
            continue
        truth = 12.0 * power_w / 40.0 * scene.loss(t_ms / 1000)
        figures = observer.figures
        assert figures is not None
        judged += 1
        held += abs(figures.settled_rise_k - truth) <= 1.96 * figures.settled_rise_sd_k
    assert held / judged >= 0.9


def test_a_slipped_probe_is_a_missing_rise() -> None:
    _, found_s, missing = run(Scene(loss=step_at(FAULT_S, 1.0, 0.15)), FAULT_S + 2 * HOUR_S)
    assert missing
    assert found_s is None


def test_a_cover_that_is_off_for_half_an_hour_is_no_missing_rise() -> None:
    scene = Scene(loss=lambda t: 0.15 if FAULT_S <= t < FAULT_S + HOUR_S / 2 else 1.0)
    _, found_s, missing = run(scene, FAULT_S + 4 * HOUR_S)
    assert not missing
    assert found_s is None


def test_an_outage_raises_nothing() -> None:
    observer = DeviceObserver(WITH_POWER)
    for t_ms, temperature_c, ambient_c, power_w in Scene().readings(12 * HOUR_S):
        if 4 * HOUR_S < t_ms / 1000 < 8 * HOUR_S:
            continue
        observer.update(t_ms, temperature_c, ambient_c, power_w)
        assert not observer.cooling_loss.standing
        assert not observer.rise_missing.standing


def test_one_wild_value_raises_nothing() -> None:
    observer = DeviceObserver(WITH_POWER)
    for i, (t_ms, temperature_c, ambient_c, power_w) in enumerate(Scene().readings(4 * HOUR_S)):
        observer.update(t_ms, temperature_c + 50.0 * (i % 200 == 199), ambient_c, power_w)
        assert not observer.cooling_loss.standing


def test_doubled_readings_change_no_verdict() -> None:
    observer = DeviceObserver(WITH_POWER)
    for row in Scene().readings(4 * HOUR_S):
        observer.update(*row)
        observer.update(*row)
        assert not observer.cooling_loss.standing


@pytest.mark.parametrize("configured", [WITH_POWER, WITHOUT_POWER], ids=["power", "no power"])
def test_halfway_the_forecast_is_within_thirty_percent(configured: DeviceSettings) -> None:
    scene = Scene(loss=step_at(FAULT_S, 1.0, 2.0))
    observer = DeviceObserver(configured)
    threshold_c = 20.0 + 12.0 + 0.6 * 12.0
    crossing_s = 0.9163 * 1800.0  # -ln(1 - 0.6) time constants of the slowed response
    for row in scene.readings(FAULT_S + crossing_s / 2):
        observer.update(*row)
    forecast = observer.forecast(threshold_c, 4 * HOUR_S)
    assert forecast.probability > 0.9
    assert forecast.time_left_s == pytest.approx(crossing_s / 2, rel=0.3)


def test_nothing_is_forecast_in_the_steady_state() -> None:
    observer, _, _ = run(Scene(), 4 * HOUR_S)
    assert observer.forecast(45.0, HOUR_S).probability < 0.01


@settings(max_examples=15, deadline=None)
@given(shift_k=st.integers(-40, 40), split=st.integers(5, 900), has_power=st.booleans())
def test_a_shift_changes_no_rise_and_a_save_changes_nothing(
    shift_k: int, split: int, has_power: bool
) -> None:
    configured = WITH_POWER if has_power else WITHOUT_POWER
    plain, shifted = DeviceObserver(configured), DeviceObserver(configured)
    saved = DeviceObserver(configured)
    scene = Scene(
        loss=step_at(2 * HOUR_S, 1.0, 1.7),
        power_w=lambda t: 40.0 if t % 5000 < 2500 else 25.0,
        ambient_c=door(3000, 3400, 21.0, 5.0),
    )
    for i, (t_ms, temperature_c, ambient_c, power_w) in enumerate(scene.readings(10_000)):
        plain.update(t_ms, temperature_c, ambient_c, power_w)
        shifted.update(t_ms, temperature_c + shift_k, ambient_c + shift_k, power_w)
        saved.update(t_ms, temperature_c, ambient_c, power_w)
        if i == split:
            saved = DeviceObserver.load(configured, json.loads(json.dumps(saved.save())))
    assert plain.figures is not None
    assert shifted.figures is not None
    assert asdict(plain.figures) == asdict(saved.figures)  # type: ignore[arg-type]
    assert plain.save() == saved.save()
    assert shifted.figures.rise_k == pytest.approx(plain.figures.rise_k, abs=1e-6)
    assert shifted.figures.settled_rise_k == pytest.approx(plain.figures.settled_rise_k, abs=1e-5)
    assert shifted.cooling_loss.standing == plain.cooling_loss.standing


def test_the_time_between_readings_may_be_anything() -> None:
    for interval_s in (1.0, 7.0, 60.0, 600.0):
        observer, found_s, _ = run(Scene(interval_s=interval_s), 6 * HOUR_S)
        assert found_s is None
        assert observer.figures is not None
        assert observer.figures.rise_k == pytest.approx(12.0, abs=0.3)
