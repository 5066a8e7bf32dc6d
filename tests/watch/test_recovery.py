"""A fan turns again: what its stall explained is not told as a trouble of its own."""

import pytest

from cabinetwatch.watch.events import Transition
from tests.watch.world import COMMISSIONED, HOUR, HOUSE, MINUTE, World, make_config, of, raised

FAN = """
fan = "nas-fan"
min_fan_rpm = 900.0

[sensors.nas-fan]
topic = "cabinet/nas/fan"
quantity = "fan-speed"
interval_s = 60
"""


@pytest.fixture
def world() -> World:
    world = World(make_config(HOUSE + COMMISSIONED + FAN))
    assert turning(world, 1500.0, 3 * HOUR) == []
    return world


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
