"""Loads that were never seen: what the watch holds of them before it has learnt anything."""

import pytest

from cabinetwatch.thermal.device import DeviceObserver
from cabinetwatch.thermal.learning import HIGHEST, LoadExcursions
from cabinetwatch.thermal.windows import DeviceSettings
from tests.thermal.scenes import DAY_S, HOUR_S, Course, Scene, TwoParts

UNPOWERED = DeviceSettings(normal_rise_k=12.0, time_constant_s=900.0)


def busy_evenings(share: float) -> Course:
    """Two hours of more load every eight hours, from the seventh on."""
    return lambda t: 40.0 * (share if t % (8 * HOUR_S) >= 6 * HOUR_S else 1.0)


def raised_at(
    scene: Scene, to_s: float, observer: DeviceObserver | None = None
) -> tuple[list[float], list[float]]:
    """When lost cooling was found, and a rise was missing (s)."""
    observer = observer or DeviceObserver(UNPOWERED)
    losses: list[float] = []
    missing: list[float] = []
    was = (False, False)
    for t_ms, temperature_c, ambient_c, power_w in scene.readings(to_s):
        observer.update(t_ms, temperature_c, ambient_c, power_w)
        now = (observer.cooling_loss.standing, observer.rise_missing.standing)
        for found, before, times in zip(now, was, (losses, missing), strict=True):
            if found and not before:
                times.append(t_ms / 1000)
        was = now
    return losses, missing


@pytest.mark.parametrize("share", [1.3, 1.45, 1.55])
def test_a_load_that_recurs_is_told_once_at_most(share: float) -> None:
    losses, _ = raised_at(Scene(interval_s=30.0, power_w=busy_evenings(share)), 2.9 * DAY_S)
    assert len(losses) <= 1


def test_nor_twice_when_a_part_of_the_device_is_quicker_than_was_said() -> None:
    scene = TwoParts(tau_s=1400.0, power_w=busy_evenings(1.5))
    losses, _ = raised_at(scene, 2.0 * DAY_S)
    assert len(losses) <= 1


@pytest.mark.parametrize("factor", [1.7, 2.0])
def test_a_stall_is_found_though_the_load_was_seen_to_swing(factor: float) -> None:
    stall_s = DAY_S + HOUR_S
    scene = Scene(
        interval_s=30.0,
        power_w=busy_evenings(1.55),
        loss=lambda t: factor if t > stall_s else 1.0,
    )
    losses, _ = raised_at(scene, stall_s + 3 * HOUR_S)
    assert losses[-1] > stall_s


def test_a_device_off_from_the_start_is_neither_missing_nor_lost_when_it_comes_on() -> None:
    scene = Scene(interval_s=30.0, power_w=lambda t: 40.0 if t % DAY_S > 18 * HOUR_S else 0.4)
    assert raised_at(scene, 1.5 * DAY_S) == ([], [])


def test_a_first_night_off_leaves_no_loss_behind_when_it_comes_on() -> None:
    scene = Scene(interval_s=60.0, power_w=lambda t: 0.2 if 4 < t / DAY_S < 4.4 else 40.0)
    losses, missing = raised_at(scene, 5 * DAY_S)
    assert losses == []
    assert len(missing) == 1


def test_a_peak_counts_when_it_is_gone_and_up_to_a_limit_only() -> None:
    swings = LoadExcursions(10.0)
    assert not any(swings.take(level_k) for level_k in (10.0, 12.0, 13.0, 11.9))
    assert swings.take(11.4)
    assert swings.top_k == 13.0
    assert not any(swings.take(level_k) for level_k in (12.9, 10.0))
    assert any(swings.take(level_k) for level_k in (30.0, 10.0))
    assert swings.top_k == pytest.approx(10.0 * HIGHEST)
    assert LoadExcursions.load(swings.save()) == swings
