"""cooling-loss: a stall is found and explained; load, doors, gaps and power-on are none."""

import re
from math import pi, sin

import pytest

from cabinetwatch.text import plain
from cabinetwatch.watch.events import EntryKind
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
    settled,
)

UNPOWERED = "normal_rise_k = 10.0\ntime_constant_s = 900.0\n"


@pytest.fixture
def world() -> World:
    world = settled()
    assert world.told == []
    return world


def stall(world: World, factor: float = 2.0) -> int:
    world.resistance *= factor
    return world.t


def test_a_stall_is_found_within_minutes_and_told_with_the_figures_of_the_record(
    world: World,
) -> None:
    stalled_t = stall(world)
    (transition,) = of(world.lives(30 * MINUTE), "cooling-loss")
    assert transition.t - stalled_t < 6 * MINUTE
    assert transition.priority == "high"
    since_t = world.engine.alarms["nas/cooling-loss"].since_t
    assert since_t is not None
    assert abs(since_t - stalled_t) < 3 * MINUTE
    values = transition.values
    text = plain(transition.text)
    assert f"NAS is at {values['temperature_c']:.1f} °C" in text
    half_width_k = 1.96 * values["settled_rise_sd_k"]
    places = 0 if half_width_k >= 9.95 else 1
    shown = f"{values['settled_rise_k']:.{places}f} K ± {half_width_k:.{places}f} K"
    assert f"settling at {shown}" in text
    assert values["normal_rise_k"] == pytest.approx(10.0, abs=0.2)
    heard = [i for i in world.inputs if not isinstance(i, tuple) or i.t <= transition.t]
    last = {i[0]: i[2] for i in heard if isinstance(i, tuple)}
    assert values["temperature_c"] == pytest.approx(last["nas-air"], abs=0.2)
    assert values["ambient_c"] == last["hall"]
    assert values["raw_rise_k"] == pytest.approx(last["nas-air"] - last["hall"], abs=0.2)
    assert values["resistance_k_per_w"] == pytest.approx(
        values["settled_rise_k"] / last["nas-power"], rel=0.05
    )
    assert "where 10.0 K is normal at 40 W" in text
    assert "every fan" in transition.response
    assert "reaching its derating threshold" in text or "staying below" in text


def test_it_returns_when_the_fan_turns_again(world: World) -> None:
    stall(world)
    world.lives(HOUR)
    world.resistance /= 2.0
    (returned,) = of(world.lives(3 * HOUR), "cooling-loss")
    assert returned.is_return
    assert "is settling back to" in returned.text


def test_half_a_stall_and_a_slowly_blocked_intake_are_found(world: World) -> None:
    stall(world, 1.4)
    assert ("nas", "cooling-loss") in raised(world.lives(2 * HOUR))
    other = settled()
    for _ in range(10):
        other.resistance *= 1.06
        other.lives(MINUTE)
    assert ("nas", "cooling-loss") in raised(other.told + other.lives(HOUR))


@pytest.mark.parametrize(
    ("power_w", "said"),
    [(40.0, r"settling at \d+ K ± \d+ K above the surrounding air where"),
     (14.0, r"\d\.\d K above the surrounding air and climbing where")],
)  # fmt: skip
def test_where_it_is_settling_is_told_only_once_something_is_known_of_it(
    power_w: float, said: str
) -> None:
    world = World()
    world.power_w = power_w
    world.lives(6 * HOUR)
    stall(world, 3.0)
    (transition,) = of(world.lives(2 * HOUR), "cooling-loss")
    assert re.search(rf"^NAS is at \d\d\.\d °C and {said}", plain(transition.text))
    assert transition.message is not None
    figures = {each.name for each in transition.message.account.figures}
    assert ("Settling at" in figures) == said.startswith("settling")
    # What computers read keeps the figure and its doubt.
    assert transition.values.keys() >= {"settled_rise_k", "settled_rise_sd_k"}


def test_a_dying_sensor_keeps_it_standing(world: World) -> None:
    stall(world)
    world.lives(HOUR)
    world.dead = {"nas-air"}
    told = world.lives(3 * HOUR)
    assert of(told, "cooling-loss") == []
    assert world.engine.alarms["nas/cooling-loss"].state == "unacknowledged"


def test_without_power_it_says_that_load_and_cooling_look_the_same() -> None:
    text = (HOUSE + COMMISSIONED).replace('power = "nas-power"\n', "")
    world = settled(text.replace("normal_power_w = 40.0\n", ""))
    stall(world)
    (transition,) = of(world.lives(HOUR), "cooling-loss")
    assert "More load or less cooling" in transition.likely


def test_it_is_learnt_and_then_told() -> None:
    text = heard_every(60, HOUSE).replace("[site]\n", "[site]\nlearning_days = 1.0\n")
    world = World(make_config(text, "[alarms.hot-day]\nenabled = false\n"), every_s=60)
    world.swing_k = 1.5
    for hour in range(28):
        world.power_w = (30.0, 40.0, 55.0, 35.0)[hour // 3 % 4]
        world.lives(HOUR)
    assert world.told == []
    assert world.engine.model.devices["nas"].observer.learning.stage == "frozen"
    stall(world)
    told = world.lives(HOUR)
    assert ("nas", "cooling-loss") in raised(told)


def test_learning_anew_begins_from_now(world: World) -> None:
    world.tells(EntryKind.COMMAND, command="learn", device="nas")
    assert world.engine.answer is not None
    assert world.engine.answer.ok
    assert "learns its normal rise" in world.engine.answer.text
    world.lives(10 * MINUTE)
    assert world.engine.model.devices["nas"].observer.learning.days < 0.02


def test_the_response_may_be_replaced() -> None:
    own = '[alarms.cooling-loss]\nresponse = "Pull the plug."\n'
    world = settled(HOUSE + COMMISSIONED + own)
    stall(world)
    (transition,) = of(world.lives(30 * MINUTE), "cooling-loss")
    assert transition.response == "Pull the plug."


def test_a_loss_that_comes_and_goes_with_the_load_is_told_a_few_times_and_then_stands() -> None:
    unpowered = heard_every(60, HOUSE).replace('power = "nas-power"\n', "") + UNPOWERED
    dusty = World(make_config(unpowered), every_s=60)
    dusty.dead.add("nas-power")
    dusty.lives(3 * HOUR)
    for _ in range(6):
        dusty.power_w = 80.0
        dusty.lives(4 * HOUR)
        dusty.power_w = 40.0
        dusty.lives(5 * HOUR)
    told = of(dusty.told, "cooling-loss")
    # The first is far above the band, which it widens; the three that follow may be dust.
    assert sum(each.is_raise for each in told) == 4
    assert dusty.engine.alarms["nas/cooling-loss"].active
    condition = dusty.engine.alarms["nas/cooling-loss"].condition
    assert "cooling back to normal since" in condition.seen()
    assert "but it comes and goes (5 times since 29 May" in condition.seen()
    (returned,) = of(dusty.lives(36 * HOUR), "cooling-loss")
    assert returned.is_return


def test_a_fan_that_sticks_and_turns_within_the_hour_is_told_once() -> None:
    sticking = World(make_config(heard_every(30, HOUSE + COMMISSIONED)), every_s=30)
    sticking.lives(HOUR)
    sound = sticking.resistance
    for minute in range(6 * 60):
        sticking.resistance = sound * (1.25 + 0.25 * sin(2 * pi * minute / 45))
        sticking.lives(MINUTE)
    (transition,) = of(sticking.told, "cooling-loss")
    assert transition.is_raise


def test_dust_that_shows_with_every_heavy_load_is_told_three_times() -> None:
    text = heard_every(60, HOUSE + COMMISSIONED) + "[alarms.drift]\nenabled = false\n"
    dusty = World(make_config(text), every_s=60)
    dusty.resistance *= 1.3
    for hour in range(60):
        dusty.power_w = (15.0, 40.0, 55.0, 20.0)[hour // 3 % 4]
        dusty.lives(HOUR)
    told = of(dusty.told, "cooling-loss")
    assert sum(each.is_raise for each in told) == 3
    assert not told[-1].is_return
