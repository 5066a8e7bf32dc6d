"""implausible: wild values are set aside; many of them are told; ordinary steps are believed."""

import pytest

from cabinetwatch.text import plain
from tests.watch.world import HOUR, HOUSE, MINUTE, World, make_config, of, raised, settled

FAHRENHEIT = HOUSE.replace(
    'topic = "cabinet/nas/temperature"\nquantity = "temperature"\n',
    'topic = "cabinet/nas/temperature"\nquantity = "temperature"\nunit = "degF"\n'
    "fault_codes = [185.0]\n",
)


@pytest.fixture
def world() -> World:
    return settled(ms=2 * HOUR)


def heard(world: World) -> float | None:
    value: float | None = world.engine.sensor_figures()["nas-air"]["value"]
    return value


@pytest.mark.parametrize("wild", [85.0, -127.0, 300.0, 70.0, float(10**9)])
def test_a_single_wild_value_is_set_aside_and_raises_nothing(world: World, wild: float) -> None:
    before = heard(world)
    for _ in range(5):
        world.reads("nas-air", wild)
        assert heard(world) == before
        world.lives(5 * MINUTE)
        before = heard(world)
    assert world.told == []


def test_a_lone_fault_code_as_the_first_value_ever_is_not_taken() -> None:
    world = World()
    world.says = {"nas-air": lambda _: 85.0}
    world.lives(20_000)
    assert heard(world) is None
    world.says.clear()
    world.lives(HOUR)
    assert world.told == []


def test_a_fault_code_that_goes_on_is_told_once_with_its_value_and_what_it_blinds(
    world: World,
) -> None:
    world.says = {"nas-air": lambda _: 85.0}
    told = world.lives(HOUR)
    (transition,) = told
    assert (transition.subject, transition.condition) == ("nas-air", "implausible")
    assert transition.priority == "high"
    assert "85.0 °C, which is one of its fault codes" in plain(transition.text)
    assert "NAS is not watched now" in transition.text
    assert transition.values["wild_value"] == 85.0
    last_good = [
        i for i in world.inputs if isinstance(i, tuple) and i[0] == "nas-air" and i[2] < 80
    ]
    assert transition.values["value"] == last_good[-1][2]
    assert world.engine.sensor_figures()["nas-air"]["state"] == "implausible"
    assert "probe" in transition.response


def test_it_is_never_silent_and_returns_when_it_can_be_believed(world: World) -> None:
    world.says = {"nas-air": lambda _: 85.0}
    world.lives(HOUR)
    world.says.clear()
    told = world.lives(HOUR)
    (returned,) = of(told, "implausible")
    assert returned.is_return
    assert "readings are plausible again" in returned.text
    assert of(world.told, "silent") == []


def test_standing_alarms_of_the_device_stay_while_it_is_implausible(world: World) -> None:
    world.resistance *= 2.5
    world.lives(2 * HOUR)
    standing = {k for k, alarm in world.engine.alarms.items() if alarm.state == "unacknowledged"}
    assert "nas/over-derating" not in standing or "nas/cooling-loss" in standing
    world.says = {"nas-air": lambda _: -127.0}
    told = world.lives(2 * HOUR)
    assert {each.condition for each in told} == {"implausible"}


def test_a_value_out_of_range_is_told_with_the_range(world: World) -> None:
    world.says = {"nas-air": lambda _: 130.0}
    (transition,) = world.lives(HOUR)
    assert "outside its range of -55.0 °C to 125.0 °C" in plain(transition.text)


def test_impossible_steps_that_go_on_are_told_where_the_fastest_change_is_set() -> None:
    text = HOUSE.replace(
        'topic = "cabinet/nas/temperature"\n',
        'topic = "cabinet/nas/temperature"\nmax_step_per_s = 0.5\n',
    )
    world = World(make_config(text))
    world.lives(HOUR)
    last_c = heard(world)
    world.says = {"nas-air": lambda value: value if world.t % 20_000 else 70.0}
    (transition,) = world.lives(10 * MINUTE)
    assert transition.condition == "implausible"
    assert "70.0 °C, a step that can't be true, after" in plain(transition.text)
    assert transition.values["value"] == pytest.approx(last_c, abs=0.5)


def test_a_sensor_that_was_not_steady_may_step_as_it_likes() -> None:
    world = World(make_config(HOUSE))
    for value in (20.0, 55.0, 30.0, 60.0):
        world.t += 1000
        world.reads("nas-air", value)
        assert heard(world) == value


def test_a_large_step_of_a_steady_sensor_is_taken_once_the_next_value_confirms_it(
    world: World,
) -> None:
    before = heard(world)
    world.reads("nas-air", 60.0)
    assert heard(world) == before
    world.t += 1000
    world.reads("nas-air", 60.2)
    assert heard(world) == 60.2


def test_a_fault_code_reached_in_ordinary_steps_is_a_reading(world: World) -> None:
    world.every_s = 10
    temperature_c = heard(world)
    assert temperature_c is not None
    while temperature_c < 90.0:
        temperature_c = round(temperature_c + 0.5, 1)
        world.says = {"nas-air": lambda _, value=temperature_c: value}  # type: ignore[misc]
        world.lives(10_000)
    assert heard(world) == temperature_c
    assert of(world.told, "implausible") == []
    assert ("nas", "over-derating") in raised(world.told)


def test_fault_codes_are_compared_with_the_figure_of_the_payload() -> None:
    # 185 degF is 85 degC: (185 - 32) x 5 / 9.
    world = World(make_config(FAHRENHEIT))
    world.lives(HOUR)
    world.says = {"nas-air": lambda _: (185.0 - 32.0) * 5.0 / 9.0}
    (transition,) = world.lives(HOUR)
    assert "fault codes" in transition.text


def test_a_plug_may_jump_and_its_own_range_counts() -> None:
    text = HOUSE.replace('quantity = "power"\n', 'quantity = "power"\nrange = [0.0, 2000.0]\n')
    world = World(make_config(text))
    world.lives(HOUR)
    for power_w in (5.0, 70.0, 0.0, 40.0):
        world.power_w = power_w
        world.lives(5 * MINUTE)
    assert of(world.told, "implausible") == []
    world.says = {"nas-power": lambda _: 65_535.0}
    (transition,) = of(world.lives(10 * MINUTE), "implausible")
    assert transition.priority == "medium"
    assert "65535.0 W, outside its range of 0.0 W to 2000.0 W" in plain(transition.text)


def test_an_implausible_power_holds_its_load_for_ten_minutes(world: World) -> None:
    text = HOUSE.replace('quantity = "power"\n', 'quantity = "power"\nrange = [0.0, 2000.0]\n')
    world = World(make_config(text))
    world.lives(HOUR)
    world.says = {"nas-power": lambda _: 65_535.0}
    world.lives(9 * MINUTE)
    assert world.engine.model.devices["nas"].power_w == pytest.approx(40.0, abs=2.0)
    world.lives(3 * MINUTE)
    assert world.engine.model.devices["nas"].power_w is None


def test_an_implausible_ambient_is_told_as_ambient_lost_which_says_so(world: World) -> None:
    world.says = {"hall": lambda _: -127.0}
    told = world.lives(HOUR)
    (lost,) = of(told, "ambient-lost")
    assert "hall, is implausible (it reads -127.0 °C)" in plain(lost.text)
    assert [each.state for each in of(told, "implausible")] == ["suppressed"]
    assert {each.condition for each in told} == {"ambient-lost", "implausible"}
