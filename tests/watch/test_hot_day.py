"""hot-day: a margin that the hottest day would use up, through the devices around."""

import pytest

from cabinetwatch.text import plain
from tests.watch.world import COMMISSIONED, HOUR, HOUSE, World, make_config, of, settled

# 50 degC allowed at half load; with 35 degC outside and 10 K of rise 5 K are left.
TIGHT = (HOUSE + COMMISSIONED).replace("[70.0, 0.5]", "[51.0, 0.5]").replace("[50.0", "[45.0")


def test_a_rise_that_fits_today_but_not_the_hottest_day_is_told_with_the_sum() -> None:
    world = settled(TIGHT + "[alarms.cooling-loss]\nenabled = false\n")
    assert world.told == []
    world.resistance *= 2.0
    (raised,) = of(world.lives(3 * HOUR), "hot-day")
    values = raised.values
    assert raised.priority == "low"
    assert values["hot_day_temperature_c"] == pytest.approx(
        35.0 + values["settled_rise_k"], abs=0.01
    )
    assert values["hot_day_margin_k"] == pytest.approx(
        values["threshold_c"] - values["hot_day_temperature_c"], abs=0.01
    )
    assert (
        f"would reach {values['hot_day_temperature_c']:.1f} °C with room air at 35.0 °C"
        in plain(raised.text)
    )
    assert f"{-values['hot_day_margin_k']:.1f} K above" in plain(raised.text)
    assert "Before the hot season" in raised.response


def test_the_rise_of_the_cabinet_around_it_counts_too() -> None:
    around = (
        '[sensors.room]\ntopic = "room"\nquantity = "temperature"\n'
        '[devices.cabinet]\ntemperature = "hall"\nambient = "room"\n'
    )
    world = World(make_config(TIGHT, around), every_s=20)
    for _ in range(270):
        world.lives(20_000)
        world.reads("room", 12.0)
        world.reads("room", 12.01)
    figures = world.engine.model.devices["nas"].figures()
    cabinet = world.engine.model.devices["cabinet"].figures()
    assert cabinet["settled_rise_k"] == pytest.approx(8.0, abs=0.5)
    assert figures["hot_day_temperature_c"] == pytest.approx(
        35.0 + figures["settled_rise_k"] + cabinet["settled_rise_k"], abs=0.01
    )


def test_an_ambient_above_the_design_ambient_is_told_for_what_it_is() -> None:
    world = settled()
    world.hall_c = 36.5
    (raised,) = of(world.lives(2 * HOUR), "hot-day")
    assert "1.5 K above the design ambient of 35.0 °C" in plain(raised.text)


def test_it_is_suppressed_while_cooling_loss_tells_it() -> None:
    world = settled(TIGHT)
    world.resistance *= 2.0
    assert [each.state for each in of(world.lives(3 * HOUR), "hot-day")] == ["suppressed"]


def test_a_silent_ambient_raises_none() -> None:
    world = settled(TIGHT)
    world.dead = {"hall"}
    world.resistance *= 2.0
    assert of(world.lives(3 * HOUR), "hot-day") == []
