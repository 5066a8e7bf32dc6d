"""A power that isn't known for a while, and then is again, moves no figure and raises nothing."""

import pytest

from cabinetwatch.thermal.device import DeviceObserver
from cabinetwatch.thermal.windows import DeviceSettings
from tests.thermal.scenes import HOUR_S, Course, Scene, step_at

SETTINGS = DeviceSettings(
    has_power=True, normal_rise_k=12.0, normal_power_w=40.0, time_constant_s=900.0
)
SILENT_S, HEARD_S = 6 * HOUR_S, 9 * HOUR_S


def run(scene: Scene, until_s: float) -> tuple[DeviceObserver, list[float], float | None]:
    """The observer, its settled rises from the silence on, and when a loss was found (s)."""
    observer, settled_k, found_s = DeviceObserver(SETTINGS), [], None
    for t_ms, temperature_c, ambient_c, power_w in scene.readings(until_s):
        t_s = t_ms / 1000.0
        known_w = None if SILENT_S <= t_s < HEARD_S else power_w
        observer.update(t_ms, temperature_c, ambient_c, known_w)
        assert not observer.rise_missing.standing
        if t_s > SILENT_S and observer.figures is not None:
            settled_k.append(observer.figures.settled_rise_k)
        if found_s is None and observer.cooling_loss.standing:
            found_s = t_s
    return observer, settled_k, found_s


@pytest.mark.parametrize(
    "power_w",
    [
        lambda _t: 40.0,
        lambda _t: 20.0,
        step_at(7 * HOUR_S, 20.0, 40.0),
        step_at(7 * HOUR_S, 40.0, 15.0),
        step_at(HEARD_S - 300.0, 40.0, 15.0),
        step_at(HEARD_S - 300.0, 15.0, 40.0),
    ],
    ids=["full", "half", "rises", "falls", "falls just before", "rises just before"],
)
def test_with_the_cooling_in_order_nothing_is_found_and_no_rise_is_invented(
    power_w: Course,
) -> None:
    observer, settled_k, found_s = run(Scene(power_w=power_w), 12 * HOUR_S)
    assert found_s is None
    assert max(settled_k) < 15.0
    assert min(settled_k) > 3.0
    figures = observer.figures
    assert figures is not None
    truth_k = 12.0 * power_w(12 * HOUR_S) / 40.0
    assert abs(figures.settled_rise_k - truth_k) < 1.96 * figures.settled_rise_sd_k


@pytest.mark.parametrize("stall_s", [7 * HOUR_S, HEARD_S - 60.0, HEARD_S + 60.0])
def test_a_stall_is_found_all_the_same(stall_s: float) -> None:
    _, _, found_s = run(Scene(loss=step_at(stall_s, 1.0, 2.0)), 12 * HOUR_S)
    assert found_s is not None
    assert 0.0 < found_s - stall_s < 1800.0


def test_a_loss_that_stands_goes_on_standing() -> None:
    observer = DeviceObserver(SETTINGS)
    for t_ms, temperature_c, ambient_c, power_w in Scene(
        loss=step_at(SILENT_S - HOUR_S, 1.0, 2.0)
    ).readings(12 * HOUR_S):
        t_s = t_ms / 1000.0
        observer.update(
            t_ms, temperature_c, ambient_c, None if SILENT_S <= t_s < HEARD_S else power_w
        )
        if t_s > SILENT_S - 0.5 * HOUR_S:
            assert observer.cooling_loss.standing
