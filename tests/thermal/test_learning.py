"""Learning from ordinary life: normal rise, time constant, and honesty where it can't be known."""

import json
import math
from collections.abc import Iterator
from dataclasses import replace
from math import sin

import pytest
from scipy import stats

from cabinetwatch.thermal.device import DeviceObserver
from cabinetwatch.thermal.learning import yearly_sigmas
from cabinetwatch.thermal.rise import NormalRise
from cabinetwatch.thermal.windows import DeviceSettings
from tests.thermal.scenes import DAY_S, Scene, TwoParts, step_at


def room(t_s: float) -> float:
    """Day, night and heating."""
    return 20.0 + 1.5 * sin(t_s / 13_751.0) + 0.8 * sin(t_s / 400.0)


def load(t_s: float) -> float:
    """A load that changes every 50 minutes, from half to full."""
    return 20.0 + 10.0 * (int(t_s // 3000) * 7 % 3)


def learning(scene: Scene, has_power: bool, *days: float) -> Iterator[DeviceObserver]:
    """Give one observer as it is after so many days, and so many more."""
    observer = DeviceObserver(DeviceSettings(has_power=has_power))
    stops = iter(days)
    stop_s = next(stops) * DAY_S
    for row in scene.readings(days[-1] * DAY_S):
        observer.update(*row)
        if row[0] >= 1000 * stop_s:
            yield observer
            stop_s = next(stops, math.inf) * DAY_S


def learnt(scene: Scene, days: float, has_power: bool) -> DeviceObserver:
    (observer,) = learning(scene, has_power, days)
    return observer


@pytest.mark.parametrize("tau_s", [300.0, 1500.0])
def test_normal_rise_and_time_constant_are_learnt_with_power(tau_s: float) -> None:
    scene = Scene(tau_s=tau_s, interval_s=120.0, ambient_c=room, power_w=load)
    observer = learnt(scene, 7.1, True)
    assert observer.learning.stage == "frozen"
    assert observer.learning.confidence in ("good", "fair")
    assert observer.response.tau_s == pytest.approx(tau_s, rel=0.25)
    normal = observer.normal
    assert normal is not None
    for power_w in (20.0, 30.0, 40.0):
        assert normal.at(power_w) == pytest.approx(0.3 * power_w, rel=0.1)
    assert observer.learning.loads_w == (20.0, 40.0)


def test_a_provisional_band_serves_from_the_third_day() -> None:
    scene = Scene(interval_s=120.0, ambient_c=room, power_w=load)
    stages = [each.learning.stage for each in learning(scene, True, 2.9, 3.2)]
    assert stages == ["none", "provisional"]


def test_the_band_is_learnt_without_power_and_some_days_leave_more_room_than_all() -> None:
    scene = Scene(interval_s=120.0, ambient_c=room, power_w=load)
    provisional, frozen = (
        (each.normal, each.response) for each in learning(scene, False, 3.1, 7.1)
    )
    early, band = provisional[0], frozen[0]
    assert early is not None
    assert band is not None
    assert early.guard >= 0.3 > band.guard
    assert band.rise_k == pytest.approx(12.0, abs=0.2)
    assert frozen[1].tau_s == pytest.approx(900.0, rel=0.4)


def test_without_power_a_device_that_was_never_on_has_no_provisional_band() -> None:
    scene = Scene(interval_s=120.0, ambient_c=room, power_w=lambda t: 40.0 * (t > 4.5 * DAY_S))
    early, band = (each.normal for each in learning(scene, False, 4.4, 7.1))
    assert early is None
    assert band is not None
    assert band.rise_k > 10.0


def test_a_history_too_quiet_gets_a_safe_default_and_says_so() -> None:
    observer = learnt(Scene(interval_s=120.0), 7.1, False)
    assert not observer.response.tau_known
    assert any("safe default" in remark for remark in observer.learning.remarks)


def test_learning_goes_on_over_a_restart() -> None:
    scene = Scene(interval_s=300.0, ambient_c=room, power_w=load)
    settings = DeviceSettings(has_power=True)
    whole, broken = DeviceObserver(settings), DeviceObserver(settings)
    for i, row in enumerate(scene.readings(7.2 * DAY_S)):
        whole.update(*row)
        broken.update(*row)
        if i in (100, 700, 1500):
            broken = DeviceObserver.load(settings, json.loads(json.dumps(broken.save())))
    assert whole.learning.stage == "frozen"
    assert whole.save() == broken.save()


def test_a_frozen_band_learns_no_dust() -> None:
    scene = Scene(
        interval_s=300.0, ambient_c=room, power_w=load, loss=lambda t: 1.0 + 0.005 * t / DAY_S
    )
    observer = learnt(scene, 21.0, True)
    assert observer.normal is not None
    # By the end the rise is 13.3 K; the mean of the learning week was 12.2 K.
    assert observer.normal.at(40.0) < 12.8


def test_commissioned_values_are_kept() -> None:
    settings = DeviceSettings(True, 13.0, 40.0, 1000.0)
    observer = DeviceObserver(settings)
    for row in Scene(interval_s=300.0, ambient_c=room, power_w=load).readings(7.2 * DAY_S):
        observer.update(*row)
    assert observer.learning.stage == "commissioned"
    assert observer.normal is not None
    assert observer.normal.at(40.0) == pytest.approx(13.0)
    assert observer.response.tau_s == 1000.0


def test_a_commissioned_rise_of_which_part_is_there_without_load_is_not_taken_for_a_loss() -> None:
    # Of 70 W the meter misses 30: 5.1 of the 12 K at 40 W are there at any load.
    scene = Scene(
        normal_power_w=70.0,
        interval_s=60.0,
        ambient_c=room,
        power_w=lambda t: 40.0 + 15.0 * (int(t // 10_000) * 7 % 3),
        loss=step_at(8.0 * DAY_S, 1.0, 2.0),
    )
    observer = DeviceObserver(DeviceSettings(True, 12.0, 40.0))
    found_s = []
    for t_ms, temperature_c, ambient_c, power_w in scene.readings(8.1 * DAY_S):
        observer.update(t_ms, temperature_c, ambient_c, power_w - 30.0)
        if observer.cooling_loss.standing:
            found_s.append(t_ms / 1000.0)
    assert 8.0 * DAY_S < found_s[0] < 8.0 * DAY_S + 900.0


def moody(t_s: float) -> float:
    """A load whose daily peak differs from day to day."""
    peak = 31.0 + 2.0 * (int(t_s // DAY_S) * 5 % 4)
    return peak if 18.0 < (t_s % DAY_S) / 3600.0 < 21.0 else 30.0


def test_peaks_that_differ_from_day_to_day_leave_room_for_a_higher_one() -> None:
    varied = learnt(Scene(interval_s=120.0, ambient_c=room, power_w=moody), 7.1, False).normal
    assert varied is not None
    # The highest load seen, 37 W, makes 11.1 K.
    assert 11.8 < varied.rise_k < 12.8


def test_few_days_are_carried_to_a_year_by_students_t() -> None:
    """To the tail that 3 deviations of seven days make (scipy's distribution)."""
    tail = stats.t.sf(yearly_sigmas(7) / (1.0 + 1.0 / 7.0) ** 0.5, 6)
    for days in (3, 4, 5, 6, 7):
        sigmas = stats.t.isf(tail, days - 1) * (1.0 + 1.0 / days) ** 0.5
        assert yearly_sigmas(days) == pytest.approx(float(sigmas), abs=0.006)
    assert yearly_sigmas(2) == yearly_sigmas(3)
    assert yearly_sigmas(30) == yearly_sigmas(7) == 3.0


def heavier(t_s: float) -> float:
    """Evenings of much the same load, and on the fourth day one that is heavier."""
    peak = (33.0, 31.0, 32.0, 48.0, 32.0)[int(t_s // DAY_S)]
    return peak if 18.0 < (t_s % DAY_S) / 3600.0 < 21.0 else 30.0


def test_the_first_evening_that_is_heavier_than_three_before_is_no_lost_cooling() -> None:
    observer = DeviceObserver(DeviceSettings())
    for row in Scene(interval_s=120.0, ambient_c=room, power_w=heavier).readings(4 * DAY_S):
        observer.update(*row)
        assert not observer.cooling_loss.standing
    assert observer.learning.stage == "provisional"


def test_with_power_too_few_days_leave_more_room_than_all() -> None:
    scene = Scene(interval_s=120.0, ambient_c=room, power_w=load)
    early, band = (each.normal for each in learning(scene, True, 3.1, 7.1))
    assert early is not None
    assert band is not None
    assert early.guard > 1.8 * band.guard


def test_a_quick_part_of_the_device_doesnt_hide_a_stall_without_power() -> None:
    stall_s, found_s = 7.55 * DAY_S, None
    scene = TwoParts(
        tau_s=1500.0,
        interval_s=30.0,
        ambient_c=room,
        power_w=load,
        loss=lambda t: 2.2 if t > stall_s else 1.0,
    )
    observer = DeviceObserver(DeviceSettings())
    for t_ms, temperature_c, ambient_c, power_w in scene.readings(7.7 * DAY_S):
        observer.update(t_ms, temperature_c, ambient_c, power_w)
        if found_s is None and observer.cooling_loss.standing:
            found_s = t_ms / 1000.0
    assert found_s is not None
    assert 0.0 < found_s - stall_s < 300.0


# As learnt of a device whose fan turns faster the more it draws.
FLAT = NormalRise(
    24.8, 30.0, exponent=0.4, low_exponent=0.4, high_exponent=0.4, offset_k=-10.1,
    guard=0.15, highest_power_w=40.0,
)  # fmt: skip


def test_the_top_of_a_band_is_near_its_law_also_where_its_offset_is_negative() -> None:
    for power_w in (15.0, 20.0, 30.0, 40.0):
        assert FLAT.at(power_w) < FLAT.highest_k(power_w) <= 1.16 * FLAT.at(power_w)


def test_no_load_makes_a_rise_far_below_none() -> None:
    assert FLAT.at(0.0) == -1.0
    assert replace(FLAT, offset_k=-0.4).at(0.0) == pytest.approx(-0.4)
    assert replace(FLAT, offset_k=0.7).at(0.0) == pytest.approx(0.7)
    assert FLAT.highest_k(0.0) >= 0.0


def test_a_load_that_isnt_known_may_be_the_highest_that_was_seen() -> None:
    assert FLAT.highest_k(None) == FLAT.highest_k(40.0)
    assert NormalRise(12.0, 40.0).highest_k(None) == pytest.approx(12.0 * 1.2)
