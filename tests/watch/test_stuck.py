"""stuck: a temperature that stands while its world moves; not one whose world stands too."""

import itertools
import math

import pytest

from cabinetwatch.text import from_rfc3339, plain
from cabinetwatch.watch.sensors import FrozenWatch, Seen
from tests.watch.world import (
    COMMISSIONED,
    DAY,
    HOUR,
    HOUSE,
    MINUTE,
    World,
    heard_every,
    make_config,
    of,
    raised,
)


def minutely(text: str = HOUSE + COMMISSIONED) -> World:
    return World(make_config(heard_every(60, text)), every_s=60)


@pytest.fixture
def world() -> World:
    world = minutely()
    world.swing_k = 3.0
    world.lives(6 * HOUR)
    assert world.told == []
    return world


def tenths(value: float) -> float:
    return round(value, 1)


def test_a_device_temperature_that_stands_while_the_hall_moves_is_told(world: World) -> None:
    world.says = {"nas-air": lambda _: 33.0}
    stuck_t = world.t
    (transition,) = of(world.lives(8 * HOUR), "stuck")
    assert transition.subject == "nas-air"
    assert transition.priority == "high"
    assert "reads 33.0 °C all the time, while" in plain(transition.text)
    assert "NAS is not watched now" in transition.text
    since_t = world.engine.alarms["nas-air/stuck"].since_t
    assert since_t is not None
    assert abs(since_t - stuck_t) < 120_000
    first = next(
        i for i in world.inputs if isinstance(i, tuple) and i[1] > stuck_t and i[2] == 33.0
    )
    since_ms = from_rfc3339(transition.values["since"])
    assert since_ms == pytest.approx(first[1], abs=120_000)
    assert world.engine.sensor_figures()["nas-air"]["state"] == "stuck"
    assert "Warm the probe" in transition.response


def test_or_while_its_load_moves(world: World) -> None:
    world.swing_k = 0.0
    world.lives(3 * HOUR)
    world.says = {"nas-air": lambda _: 31.0}
    world.lives(HOUR)
    world.power_w = 55.0
    assert of(world.lives(3 * HOUR), "stuck") != []


def test_one_that_flickers_between_neighbouring_steps_is_told_and_is_no_heat() -> None:
    world = minutely()
    world.swing_k = 3.0
    world.says = {"nas-air": tenths}
    world.lives(6 * HOUR)
    flicker = itertools.cycle((33.0, 33.0, 33.1, 33.0, 32.9, 33.0, 33.0))
    world.says = {"nas-air": lambda _: next(flicker)}
    told = world.lives(6 * HOUR)
    assert raised(told) == {("nas-air", "stuck")}
    world.says = {"nas-air": tenths}
    again = world.lives(3 * HOUR)
    assert [(each.condition, each.is_return) for each in again] == [("stuck", True)]


def test_calm_nights_in_which_it_stood_for_hours_delay_nothing() -> None:
    world = minutely()
    world.says = {"nas-air": lambda value: round(2 * value) / 2}
    world.lives(10 * HOUR)
    world.swing_k = 4.0
    world.lives(8 * HOUR)
    assert world.told == []
    stood_c = round(2 * world.nas_c) / 2
    world.says = {"nas-air": lambda _: stood_c}
    assert raised(world.lives(6 * HOUR)) == {("nas-air", "stuck")}


def test_it_returns_when_it_moves_again(world: World) -> None:
    world.says = {"nas-air": lambda _: 33.0}
    world.lives(8 * HOUR)
    world.says.clear()
    (returned,) = of(world.lives(HOUR), "stuck")
    assert returned.is_return


def test_a_stuck_sensor_raises_nothing_else_and_is_not_silent(world: World) -> None:
    world.says = {"nas-air": lambda _: 33.0}
    told = world.lives(10 * HOUR)
    assert {each.condition for each in told} <= {"stuck"}


def test_a_stuck_ambient_is_told_as_ambient_lost_which_says_so(world: World) -> None:
    world.says = {"hall": lambda _: 20.0}
    world.swing_k = 5.0
    told = world.lives(DAY)
    (lost,) = of(told, "ambient-lost")
    assert "hall, is stuck (at 20.0 °C)" in plain(lost.text)
    assert [each.state for each in of(told, "stuck")] == ["suppressed"]


def test_a_steady_night_with_coarse_sensors_and_a_plug_that_never_changes_is_none() -> None:
    world = minutely()
    world.says = {
        "nas-air": round,
        "hall": lambda value: round(2 * value) / 2,
        "nas-power": lambda _: 40.0,
    }
    world.swing_k = 0.3
    world.lives(DAY // 2)
    world.hall_c = 12.0  # a door for two minutes
    world.lives(120_000)
    world.hall_c = 20.0
    world.lives(HOUR)
    assert of(world.told, "stuck") == []


def test_ordinary_life_with_resolution_of_half_a_degree_is_none() -> None:
    world = minutely()
    world.says = {name: lambda value: round(2 * value) / 2 for name in ("nas-air", "hall")}
    world.swing_k = 2.0
    for hour in range(24):
        world.power_w = (30.0, 40.0, 55.0, 35.0)[hour // 3 % 4]
        world.lives(HOUR)
    assert of(world.told, "stuck") == []


def test_slow_gear_in_a_hall_that_is_heated_is_none_before_its_response_is_learnt() -> None:
    world = minutely(HOUSE)
    felt_c = world.air_c

    def follows_in_hours(_: float) -> float:
        nonlocal felt_c
        felt_c += (1.0 - math.exp(-60.0 / (4 * 3600.0))) * (world.air_c - felt_c)
        return round(4.0 * (felt_c + 1.5)) / 4.0

    world.says = {"nas-air": follows_in_hours}
    for warmer_k in (0.0, 4.0, 0.0, 4.0, 0.0):
        for _ in range(12):
            # It warms over an hour or two, as a hall does.
            world.hall_c += 0.1 * (20.0 + warmer_k - world.hall_c)
            world.lives(5 * MINUTE)
        world.lives(5 * HOUR)
    assert of(world.told, "stuck") == []


@pytest.mark.parametrize("step_k", [0.5, 1.0])
def test_a_fan_that_holds_a_coarse_temperature_is_learnt_from_within_a_day(step_k: float) -> None:
    world = minutely()
    world.swing_k = 3.0
    world.says = {"nas-air": lambda _: step_k * round((30.2 + 0.3 * (world.air_c - 20.0)) / step_k)}
    world.lives(DAY)
    assert not world.engine.model.sensors["nas-air"].stuck
    assert of(world.lives(DAY), "stuck") == []


def frozen_watch(hall_c: list[float]) -> FrozenWatch:
    return FrozenWatch([lambda: Seen(1, hall_c[0])], 1.0, flickers=True)


def test_a_value_that_comes_by_again_has_not_stood_meanwhile() -> None:
    hall_c = [20.0]
    watch = frozen_watch(hall_c)
    watch.take(0, 30.0)
    for i in range(1, 2000):
        # It goes up and comes back, and no two readings are alike.
        watch.take(i * 10_000, 30.0 + 0.01 * min(i, 2000 - i))
    hall_c[0] = 25.0
    assert not any(watch.take(t, 30.0) for t in range(20_000_000, 24_000_000, 10_000))


def test_a_movement_ends_what_the_witness_did_before_it() -> None:
    hall_c = [20.0]
    watch = frozen_watch(hall_c)
    for value in (28.9, 29.0, 30.0):
        watch.take(0, value)
    for i in range(2, 500):
        hall_c[0] = 20.0 + 0.01 * i
        watch.take(i * 10_000, 30.0)
    assert watch.stuck
    watch.take(5_000_000, 30.1)
    assert not any(watch.take(t, 30.1) for t in range(5_010_000, 9_000_000, 10_000))


def test_what_a_witness_must_move_by_is_not_kept_from_an_earlier_version() -> None:
    hall_c = [20.0]
    saved = FrozenWatch([lambda: Seen(1, 20.0)], 2.0, flickers=True).save()
    watch = frozen_watch(hall_c)
    watch.load(saved)
    for i in range(500):
        hall_c[0] = 20.0 + 0.003 * i
        watch.take(i * 10_000, 30.0)
    assert watch.stuck


@pytest.mark.parametrize(
    ("days", "step_k", "moved_k", "is_told"),
    [
        (8, 0.1, 1.5, True),
        (5, 0.1, 1.5, False),
        (8, 0.5, 1.5, False),
        (8, 1.0, 3.5, False),
        # One that never moved has not shown its step.
        (8, 0.0, 1.5, False),
    ],
)
def test_an_ambient_that_was_never_calm_for_a_week_is_told_by_less(
    days: int, step_k: float, moved_k: float, is_told: bool
) -> None:
    """Two of the three devices around move; load has made up for it in the third."""
    around_c = [30.0, 35.0, 40.0]
    watch = FrozenWatch(
        [lambda: Seen(1, around_c[0]), lambda: Seen(1, around_c[1]), lambda: Seen(1, around_c[2])],
        2.0,
    )
    minutes = days * 24 * 60
    for minute in range(minutes):
        watch.take(minute * MINUTE, 20.0 + step_k * (minute // 10 % 2))
    for minute in range(minutes, minutes + 6 * 60):
        around_c[:2] = (value + moved_k / 360 for value in around_c[:2])
        watch.take(minute * MINUTE, 20.0)
    assert watch.stuck is is_told
