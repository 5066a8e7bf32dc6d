"""Learning from ordinary life: normal rise, time constant, and honesty where it can't be known."""

import json
import math
from collections.abc import Iterator
from dataclasses import replace
from math import sin

import pytest

from cabinetwatch.thermal.device import DeviceObserver
from cabinetwatch.thermal.learning import Learnt, provisional, yearly_sigmas
from cabinetwatch.thermal.response import unlearnt_response
from cabinetwatch.thermal.rise import NormalRise
from cabinetwatch.thermal.windows import DeviceSettings
from tests.thermal.scenes import DAY_S, Scene, TwoParts, step_at


def room(t_s: float) -> float:
    """Day, night and heating."""
    return 20.0 + 1.5 * sin(t_s / 13_751.0) + 0.8 * sin(t_s / 400.0)


def load(t_s: float) -> float:
    """A load that changes every 50 minutes, from half to full."""
    return 20.0 + 10.0 * (int(t_s // 3000) * 7 % 3)


def taught(scene: Scene, settings: DeviceSettings, *days: float) -> Iterator[DeviceObserver]:
    """Give one observer as it is after so many days, and so many more."""
    observer = DeviceObserver(settings)
    stops = iter(days)
    stop_s = next(stops) * DAY_S
    for row in scene.readings(days[-1] * DAY_S):
        observer.update(*row)
        if row[0] >= 1000 * stop_s:
            yield observer
            stop_s = next(stops, math.inf) * DAY_S


def learnt(scene: Scene, settings: DeviceSettings, days: float) -> DeviceObserver:
    (observer,) = taught(scene, settings, days)
    return observer


LIFE = Scene(interval_s=300.0, ambient_c=room, power_w=load)


@pytest.mark.parametrize(("tau_s", "interval_s"), [(300.0, 120.0), (1500.0, 300.0)])
def test_normal_rise_and_time_constant_are_learnt_with_power(
    tau_s: float, interval_s: float
) -> None:
    scene = replace(LIFE, tau_s=tau_s, interval_s=interval_s)
    observer = learnt(scene, DeviceSettings(has_power=True, learning_days=3.0), 3.1)
    assert observer.learning.stage == "frozen"
    assert observer.learning.confidence in ("good", "fair")
    assert observer.response.tau_s == pytest.approx(tau_s, rel=0.25)
    normal = observer.normal
    assert normal is not None
    for power_w in (20.0, 30.0, 40.0):
        assert normal.at(power_w) == pytest.approx(0.3 * power_w, rel=0.1)
    assert observer.learning.loads_w == (20.0, 40.0)


@pytest.mark.parametrize("has_power", [True, False])
def test_a_provisional_band_serves_from_the_third_day_and_leaves_more_room(
    has_power: bool,
) -> None:
    bands = [
        (each.learning.stage, each.normal, each.response.tau_s)
        for each in taught(LIFE, DeviceSettings(has_power=has_power), 2.9, 3.2, 7.1)
    ]
    assert [stage for stage, *_ in bands] == ["none", "provisional", "frozen"]
    (_, early, _), (_, band, tau_s) = bands[1:]
    assert early is not None
    assert band is not None
    assert early.guard > 1.8 * band.guard
    assert band.at(40.0) == pytest.approx(12.0, abs=0.4)
    assert tau_s == pytest.approx(900.0, rel=0.4)


@pytest.mark.parametrize(("has_power", "bound_tau_s"), [(False, 2000.0), (True, 18_000.0)])
def test_some_days_of_a_load_nobody_measures_slow_no_bound(
    has_power: bool, bound_tau_s: float
) -> None:
    """What lasts for hours may be the load's memory, and a bound that slow calls it heat."""
    slow = NormalRise(8.0, 40.0 if has_power else None, bound_tau_s=18_000.0)
    lesson = Learnt(unlearnt_response(18_000.0), slow, 0.1, 3.0, None, None, "fair", ())
    early = provisional(lesson, DeviceSettings(has_power=has_power))
    assert early is not None
    assert early.normal.bound_tau_s == bound_tau_s


def test_without_power_a_device_that_was_never_on_has_no_provisional_band() -> None:
    scene = replace(LIFE, power_w=lambda t: 40.0 * (t > 4.5 * DAY_S))
    early, band = (each.normal for each in taught(scene, DeviceSettings(), 4.4, 7.1))
    assert early is None
    assert band is not None
    assert band.rise_k > 10.0


def test_readings_twenty_minutes_apart_are_no_gaps_in_the_record() -> None:
    scene = replace(LIFE, tau_s=4000.0, interval_s=1200.0)
    observer = learnt(scene, DeviceSettings(has_power=True, learning_days=6.0), 6.1)
    assert observer.learning.stage == "frozen"


def test_a_history_too_quiet_gets_a_safe_default_and_says_so() -> None:
    observer = learnt(Scene(interval_s=300.0), DeviceSettings(learning_days=2.0), 2.1)
    assert not observer.response.tau_known
    assert any("safe default" in remark for remark in observer.learning.remarks)


def test_learning_goes_on_over_a_restart() -> None:
    settings = DeviceSettings(has_power=True, learning_days=4.0)
    whole, broken = DeviceObserver(settings), DeviceObserver(settings)
    for i, row in enumerate(replace(LIFE, interval_s=600.0).readings(4.2 * DAY_S)):
        whole.update(*row)
        broken.update(*row)
        if i in (50, 350, 500, 590):
            broken = DeviceObserver.load(settings, json.loads(json.dumps(broken.save())))
    assert whole.learning.stage == "frozen"
    assert whole.save() == broken.save()


def test_a_frozen_band_learns_no_dust() -> None:
    dusty = replace(LIFE, loss=lambda t: 1.0 + 0.01 * t / DAY_S)
    observer = learnt(dusty, DeviceSettings(has_power=True, learning_days=3.0), 10.0)
    assert observer.normal is not None
    # By the end the rise is 13.2 K; the mean of the days of learning was 12.2 K.
    assert observer.normal.at(40.0) < 12.8


def test_commissioned_values_are_kept() -> None:
    observer = learnt(LIFE, DeviceSettings(True, 13.0, 40.0, 1000.0, learning_days=2.0), 2.2)
    assert observer.learning.stage == "commissioned"
    assert observer.normal is not None
    assert observer.normal.at(40.0) == pytest.approx(13.0)
    assert observer.response.tau_s == 1000.0


def found_after_s(scene: Scene, settings: DeviceSettings, missed_w: float = 0.0) -> float:
    """Stall a device that has learnt and is at full load; give how long until it is found."""
    stall_s = (settings.learning_days + 0.55) * DAY_S
    scene.loss = step_at(stall_s, 1.0, 2.1)
    observer = DeviceObserver(settings)
    for t_ms, temperature_c, ambient_c, power_w in scene.readings(stall_s + 3600.0):
        observer.update(t_ms, temperature_c, ambient_c, power_w - missed_w)
        if observer.cooling_loss.standing:
            return t_ms / 1000.0 - stall_s
    return math.inf


def test_a_commissioned_rise_of_which_part_is_there_without_load_is_not_taken_for_a_loss() -> None:
    # Of 70 W the meter misses 30: 5.1 of the 12 K at 40 W are there at any load.
    scene = Scene(
        normal_power_w=70.0,
        interval_s=120.0,
        ambient_c=room,
        power_w=lambda t: 40.0 + 15.0 * (int(t // 10_000) * 7 % 3),
    )
    settings = DeviceSettings(True, 12.0, 40.0, learning_days=3.0)
    assert 0.0 < found_after_s(scene, settings, missed_w=30.0) < 900.0


def test_a_quick_part_of_the_device_doesnt_hide_a_stall_without_power() -> None:
    scene = TwoParts(tau_s=1500.0, interval_s=30.0, ambient_c=room, power_w=load)
    assert 0.0 < found_after_s(scene, DeviceSettings(learning_days=2.0)) < 300.0


def moody(t_s: float) -> float:
    """A load whose daily peak differs from day to day."""
    peak = 31.0 + 2.0 * (int(t_s // DAY_S) * 5 % 4)
    return peak if 18.0 < (t_s % DAY_S) / 3600.0 < 21.0 else 30.0


def test_a_load_that_nobody_measures_and_that_goes_by_itself_is_no_loss_the_next_time() -> None:
    stall_s = 12.3 * DAY_S

    def power_w(t_s: float) -> float:
        """Heavy evenings; after a week bursts of four minutes, well within the band, by day too."""
        second = t_s % DAY_S
        evening = min(1.0, (second - 64_800) / 5400, (DAY_S - second) / 5400)
        burst = t_s > 8 * DAY_S and (t_s + DAY_S / 4) % (DAY_S / 2) < 240
        return 36.0 if burst else 20.0 + 20.0 * max(0.0, evening)

    scene = TwoParts(interval_s=30.0, power_w=power_w, loss=step_at(stall_s, 1.0, 2.5))
    observer, losses, was_lost = DeviceObserver(DeviceSettings()), [], False
    for t_ms, temperature_c, ambient_c, _ in scene.readings(stall_s + 1800.0):
        observer.update(t_ms, temperature_c, ambient_c, None)
        lost = observer.cooling_loss.standing
        losses += [t_ms / 1000] if lost and not was_lost else []
        was_lost = lost
    assert len([each for each in losses if each < stall_s]) <= 1
    assert stall_s < losses[-1] < stall_s + 1200.0


def test_peaks_that_differ_from_day_to_day_leave_room_for_a_higher_one() -> None:
    varied = learnt(replace(LIFE, power_w=moody), DeviceSettings(), 7.1).normal
    assert varied is not None
    # The highest load seen, 37 W, makes 11.1 K.
    assert 11.8 < varied.rise_k < 12.8


def test_few_days_are_carried_to_a_year_by_students_t() -> None:
    """To the tail that 3 deviations of seven days make (scipy's distribution)."""
    from scipy import stats  # noqa: PLC0415 - takes a second

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
    for row in replace(LIFE, power_w=heavier).readings(4 * DAY_S):
        observer.update(*row)
        assert not observer.cooling_loss.standing
    assert observer.learning.stage == "provisional"


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
