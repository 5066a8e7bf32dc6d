"""derating-forecast: told before the threshold is crossed, with a time that comes true."""

import pytest

from cabinetwatch.demo.story import Stage, fortnight_configuration_text
from cabinetwatch.text import plain
from cabinetwatch.watch.engine import Engine
from cabinetwatch.watch.events import Transition
from tests.watch.scene import Scene
from tests.watch.world import (
    COMMISSIONED,
    HOUR,
    HOUSE,
    MINUTE,
    SECOND,
    World,
    make_config,
    of,
    raised,
    settled,
)

# Half load is allowed up to 70 degC by the default scene; this one up to 42.
CURVE = "[[35.0, 1.0], [42.0, 0.5]]"


def near_its_limit(extra: str = "", curve: str = CURVE, hours: int = 3) -> World:
    text = (HOUSE + COMMISSIONED).replace("[[50.0, 1.0], [70.0, 0.5]]", curve)
    return settled(text + extra, hours * HOUR)


@pytest.fixture
def world() -> World:
    world = near_its_limit()
    assert raised(world.told) <= {("nas", "hot-day")}
    return world


def test_it_is_told_before_the_crossing_hidden_by_it_and_gone_with_it(world: World) -> None:
    world.resistance *= 2.5
    told = world.lives(2 * HOUR)
    forecasts = of(told, "derating-forecast")
    forecast = forecasts[0]
    crossed_t = next(
        i[1]
        for i in world.inputs
        if isinstance(i, tuple) and i[0] == "nas-air" and i[2] > 42.0 and i[1] > forecast.t
    )
    left_s = (crossed_t - forecast.t) / 1000
    assert left_s > 60.0
    values = forecast.values
    assert values["soonest_s"] <= min(values["time_left_s"], left_s)
    assert values["latest_s"] is None or values["latest_s"] >= max(values["time_left_s"], left_s)
    assert values["time_left_s"] == pytest.approx(left_s, rel=0.6)
    assert "will cross its derating threshold of 4" in forecast.text
    assert values["threshold_c"] == pytest.approx(42.0, abs=0.3)
    assert "There is still time" in forecast.response
    assert forecast.state == "unacknowledged"
    assert "suppressed" in [each.state for each in forecasts]
    assert ("nas", "over-derating") in raised(told)
    world.resistance /= 2.5
    told = world.lives(2 * HOUR)
    assert {each.state for each in of(told, "over-derating")} == {"returned"}
    assert {each.state for each in of(told, "derating-forecast")} <= {"normal", "returned"}


def test_with_the_fan_seen_to_stop_it_is_told_of_a_device_that_nothing_is_known_of() -> None:
    """A climb alone might be a step of its load; with the fan at rest it is the way to the top."""
    text = fortnight_configuration_text().replace("interval_s = 60", "interval_s = 10")
    stage, scene = Stage(), Scene(make_config(text))
    stage.cabinet.settle()

    def lives(seconds: int) -> list[Transition]:
        told: list[Transition] = []
        for _ in range(seconds // 10):
            stage.cabinet.advance(10.0)
            told += scene.passes(10 * SECOND)
            for sensor, probe in stage.instruments.probes.items():
                value = probe.read()
                assert value is not None
                told += scene.reads(sensor, value)
        return told

    lives(600)
    stage.stall_fan(True)
    told = lives(900)
    stopped_t, ahead_t, over_t = (
        next(each.t for each in of(told, condition) if each.is_raise)
        for condition in ("fan-slow", "derating-forecast", "over-derating")
    )
    again = Engine(make_config(text))
    again.load(scene.engine.save())
    assert again.model.devices["nas"].fan_is_slow
    on_delay_ms = MINUTE
    assert stopped_t < ahead_t <= over_t - on_delay_ms - MINUTE


def test_a_rise_that_settles_below_the_threshold_is_none(world: World) -> None:
    world.resistance *= 1.5
    assert of(world.lives(2 * HOUR), "derating-forecast") == []


def test_a_load_that_no_temperature_allows_is_not_forecast_but_told() -> None:
    told = near_its_limit(curve="[[50.0, 0.4], [60.0, 0.3]]", hours=1).told
    assert raised(told) >= {("nas", "over-derating")}
    assert of(told, "derating-forecast") == []
    assert of(told, "hot-day") == []


def test_a_warm_gust_is_none(world: World) -> None:
    world.hall_c = 28.0
    world.lives(5 * MINUTE)
    world.hall_c = 20.0
    assert of(world.lives(HOUR), "derating-forecast") == []


def test_the_horizon_can_be_set() -> None:
    world = near_its_limit("[alarms.derating-forecast]\nhorizon_s = 30.0\n")
    stalled_t = world.t
    world.resistance *= 2.5
    first = of(world.lives(HOUR), "derating-forecast")
    assert all(each.t - stalled_t > 5 * MINUTE for each in first)
    assert all((each.values["time_left_s"] or 0.0) <= 30.0 for each in first if each.is_raise)


def test_when_the_threshold_is_reached_no_time_is_told(world: World) -> None:
    world.every_s = 10
    world.resistance *= 10.0
    told = [each for each in of(world.lives(1 * HOUR), "derating-forecast") if each.is_raise]
    late = [each for each in told if (each.values["time_left_s"] or 0.0) < 1.0]
    assert late
    assert all("has reached its derating threshold" in each.text for each in late)
    assert all("shut it down properly, now" in each.response for each in late)
    assert not any("There is still time" in each.response for each in late)
    assert not any("in about 0 s" in plain(each.text) for each in told)


def test_a_reading_above_the_threshold_promises_no_crossing() -> None:
    text = HOUSE.replace("[[50.0, 1.0], [70.0, 0.5]]", "[[50.0, 1.0], [58.0, 0.5]]")
    world = World(make_config(text), every_s=10)
    world.lives(HOUR)
    # A jump that the filters don't believe at once.
    world.says["nas-air"] = lambda value: round(value + 30.0, 2)
    told = [each for each in of(world.lives(HOUR), "derating-forecast") if each.is_raise]
    assert told
    ahead = [each for each in told if each.values["temperature_c"] >= each.values["threshold_c"]]
    assert ahead
    assert all("has reached its derating threshold" in each.text for each in ahead)
    assert all("shut it down properly, now" in each.response for each in ahead)


def test_with_nothing_known_of_the_device_a_step_of_its_load_is_none() -> None:
    text = HOUSE.replace("[[50.0, 1.0], [70.0, 0.5]]", "[[33.0, 1.0], [36.0, 0.5]]")
    world = World(make_config(text))
    for hour in range(8):
        world.power_w = 40.0 if hour // 2 % 2 else 8.0
        told = world.lives(HOUR)
        assert of(told, "derating-forecast") == []


def test_a_device_that_comes_down_from_above_its_threshold_is_not_heading_for_it() -> None:
    world = near_its_limit(curve="[[36.0, 1.0]]")
    world.resistance *= 2.2
    world.lives(2 * HOUR)
    assert ("nas", "over-derating") in raised(world.told)
    world.resistance /= 2.2
    told = world.lives(3 * HOUR)
    assert [each for each in of(told, "derating-forecast") if each.is_raise] == []
    assert world.engine.alarms["nas/derating-forecast"].state == "normal"


def test_a_reading_below_the_threshold_is_not_said_to_have_reached_it() -> None:
    text = HOUSE.replace("[[50.0, 1.0], [70.0, 0.5]]", "[[50.0, 1.0], [58.0, 0.5]]")
    world = World(make_config(f"{text}\n[alarms.over-derating]\noff_delay_s = 0\n"), every_s=2)
    world.lives(HOUR)
    # A jump up, and down again, which the filters don't believe at once.
    world.says["nas-air"] = lambda value: round(value + 30.0, 2)
    world.lives(5 * MINUTE)
    world.says.clear()
    (back,) = [e for e in of(world.lives(20 * SECOND), "derating-forecast") if e.is_raise]
    assert back.values["temperature_c"] < 31.0
    assert "any moment now" in back.text
    assert "has reached" not in back.text
