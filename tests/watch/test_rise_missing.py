"""rise-missing: a slipped probe is told; less load, or a device that is off, is none."""

import pytest

from cabinetwatch.text import plain
from tests.watch.world import (
    COMMISSIONED,
    HOUR,
    HOUSE,
    World,
    heard_every,
    make_config,
    of,
    settled,
)


@pytest.fixture
def world() -> World:
    world = settled()
    assert world.told == []
    return world


def test_a_probe_that_slipped_out_of_the_warm_air_is_told_with_the_figures(world: World) -> None:
    slipped_t = world.t
    world.resistance *= 0.3
    (transition,) = of(world.lives(2 * HOUR), "rise-missing")
    assert transition.priority == "medium"
    assert transition.t - slipped_t < 1.5 * HOUR
    values = transition.values
    assert f"settling at only {values['settled_rise_k']:.1f} K" in plain(transition.text)
    assert f"where {values['normal_rise_k']:.1f} K is normal" in plain(transition.text)
    assert f"while it draws {values['power_w']:.0f} W" in plain(transition.text)
    last = {i[0]: i[2] for i in world.inputs if isinstance(i, tuple) and i[1] <= transition.t}
    assert values["raw_rise_k"] == pytest.approx(last["nas-air"] - last["hall"], abs=0.3)
    assert transition.likely.startswith("The probe has slipped")
    assert transition.response.startswith("Check that the probe is")


def test_it_returns_when_the_probe_is_back(world: World) -> None:
    world.resistance *= 0.3
    world.lives(2 * HOUR)
    world.resistance /= 0.3
    (returned,) = of(world.lives(3 * HOUR), "rise-missing")
    assert returned.is_return


def test_a_silent_temperature_raises_none(world: World) -> None:
    world.dead = {"nas-air"}
    assert of(world.lives(2 * HOUR), "rise-missing") == []


def test_without_power_it_says_that_the_device_may_have_been_switched_off() -> None:
    text = heard_every(60, HOUSE + COMMISSIONED).replace('power = "nas-power"\n', "")
    text = text.replace("[site]\n", "[site]\nlearning_days = 1.0\n")
    world = World(make_config(text.replace("normal_power_w = 40.0\n", "")), every_s=60)
    world.lives(28 * HOUR)
    world.power_w = 0.0
    (transition,) = of(world.lives(6 * HOUR), "rise-missing")
    assert transition.likely.startswith("It has been switched off, or the probe has slipped")
    assert transition.response.startswith("If it has been switched off, nothing is wrong.")
    assert "Check that the probe is" in transition.response
