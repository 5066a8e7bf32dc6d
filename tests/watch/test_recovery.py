"""A fan turns again: what its stall explained is not told as a trouble of its own."""

import json

import pytest

from cabinetwatch.watch.engine import Engine
from cabinetwatch.watch.events import Transition
from tests.watch.world import (
    COMMISSIONED,
    HOUR,
    HOUSE,
    MINUTE,
    World,
    heard_every,
    make_config,
    of,
    raised,
)

FAN = """
fan = "nas-fan"
min_fan_rpm = 900.0

[sensors.nas-fan]
topic = "cabinet/nas/fan"
quantity = "fan-speed"
interval_s = 60
"""


def under_way(every_s: int = 10, extra: str = "") -> World:
    text = heard_every(every_s, HOUSE + COMMISSIONED) + extra + FAN
    world = World(make_config(text), every_s=every_s)
    assert turning(world, 1500.0, 3 * HOUR) == []
    return world


@pytest.fixture
def world() -> World:
    return under_way()


def turning(world: World, rpm: float, ms: int) -> list[Transition]:
    told: list[Transition] = []
    for _ in range(ms // MINUTE):
        told += world.reads("nas-fan", rpm)
        told += world.lives(MINUTE)
    return told


def test_lost_cooling_stays_hidden_until_the_gear_has_cooled(world: World) -> None:
    world.resistance *= 2.0
    told = turning(world, 0.0, HOUR)
    assert raised(told) >= {("nas", "fan-slow")}
    assert of(told, "cooling-loss")[-1].state == "suppressed"
    world.resistance /= 2.0
    told = turning(world, 1500.0, 4 * HOUR)
    assert [each.state for each in of(told, "fan-slow")] == ["returned"]
    assert [each.state for each in of(told, "cooling-loss")] == ["normal"]


@pytest.mark.parametrize("factor", [2.0, 4.0])
def test_with_sensors_of_a_minute_a_fan_that_turns_again_raises_nothing_new(factor: float) -> None:
    world = under_way(60, "max_rise_k = 13.0\n")
    world.resistance *= factor
    turning(world, 0.0, HOUR)
    assert world.engine.alarms["nas/over-rise"].state == "suppressed"
    world.resistance /= factor
    told = turning(world, 1500.0, 4 * HOUR)
    assert raised(told) == set()
    assert [each.state for each in of(told, "cooling-loss")] == ["normal"]
    assert [each.state for each in of(told, "over-rise")] == ["normal"]


def test_lost_cooling_that_gets_worse_though_the_fan_turns_is_told_within_minutes() -> None:
    world = under_way(60)
    world.resistance *= 2.0
    turning(world, 0.0, 20 * MINUTE)
    world.resistance *= 2.0
    told = turning(world, 1500.0, 15 * MINUTE)
    assert [each.state for each in of(told, "cooling-loss")] == ["unacknowledged"]
    assert of(told, "cooling-loss")[0].t - of(told, "fan-slow")[0].t < 10 * MINUTE


def test_what_heat_explains_is_saved_with_the_rest() -> None:
    world = under_way(60)
    world.resistance *= 2.0
    turning(world, 0.0, HOUR)
    world.resistance /= 2.0
    turning(world, 1500.0, 4 * MINUTE)
    assert world.engine.alarms["nas/cooling-loss"].lingers
    again = Engine(world.engine.config)
    again.load(json.loads(json.dumps(world.engine.save())))
    assert json.dumps(again.save()) == json.dumps(world.engine.save())
    world.engine = again
    assert raised(turning(world, 1500.0, 4 * HOUR)) == set()


def test_lost_cooling_is_told_if_the_fan_alone_did_not_mend_it(world: World) -> None:
    world.resistance *= 2.0
    turning(world, 0.0, HOUR)
    told = turning(world, 1500.0, 2 * HOUR)
    assert [each.state for each in of(told, "cooling-loss")] == ["unacknowledged"]


def test_lost_cooling_that_seemed_to_recover_and_does_not_is_told(world: World) -> None:
    world.resistance *= 2.0
    turning(world, 0.0, HOUR)
    world.resistance /= 2.0
    told = turning(world, 1500.0, 12 * MINUTE)
    assert [each.state for each in of(told, "fan-slow")] == ["returned"]
    assert of(told, "cooling-loss") == []
    # Its fan turns, but meanwhile something covers the vent.
    world.resistance *= 2.0
    told = turning(world, 1500.0, 2 * HOUR)
    assert [each.state for each in of(told, "cooling-loss")] == ["unacknowledged"]
