"""condensation: the dew point against the coldest surface, else the coldest device."""

import pytest

from cabinetwatch.text import plain
from cabinetwatch.watch.conditions.sensor import companion
from tests.watch.scene import MINUTE, Scene, make_config

DAMP = """
[sensors.air]
topic = "cellar/climate"
pointer = "/temperature"
quantity = "temperature"

[sensors.damp]
topic = "cellar/climate"
pointer = "/humidity"
quantity = "humidity"

[sensors.switch-air]
topic = "cellar/switch"
quantity = "temperature"

[devices.switch]
temperature = "switch-air"
"""
PIPE = '[sensors.pipe]\ntopic = "cellar/climate/pipe"\nquantity = "temperature"\nsurface = true\n'


def test_it_is_raised_against_the_coldest_device_and_says_the_figures() -> None:
    scene = Scene(make_config(DAMP))
    assert scene.lives(30 * MINUTE, air=20.0, damp=60.0, switch_air=25.0) == []
    (raised,) = scene.lives(30 * MINUTE, air=20.0, damp=90.0, switch_air=20.0)
    assert (raised.subject, raised.condition, raised.priority) == ("damp", "condensation", "low")
    # 20 degC and 90 %: Magnus with the coefficients of Alduchov and Eskridge 1996, by hand 18.3.
    assert raised.values["dew_point_c"] == pytest.approx(18.31, abs=0.02)
    assert "dew point at 18.3 °C (20.0 °C, 90 % humidity)" in plain(raised.text)
    assert "switch-air at 20.0 °C is only 1.7 K above it" in plain(raised.text)
    assert raised.values["coldest_sensor"] == "switch-air"
    assert "let it dry" in raised.response


def test_surfaces_count_before_devices_and_are_no_air() -> None:
    scene = Scene(make_config(DAMP + PIPE))
    assert companion(scene.engine.config, "damp") == "air"
    assert scene.lives(30 * MINUTE, air=20.0, damp=90.0, switch_air=20.0, pipe=25.0) == []
    (raised,) = scene.lives(30 * MINUTE, air=20.0, damp=90.0, switch_air=20.0, pipe=15.0)
    assert "pipe at 15.0 °C is not above it" in plain(raised.text)


def test_it_returns_beyond_the_deadband_and_rests_while_a_sensor_is_silent() -> None:
    scene = Scene(make_config(DAMP, "[alarms.silent]\nenabled = false\n"))
    scene.lives(30 * MINUTE, air=20.0, damp=90.0, switch_air=20.0)
    assert scene.lives(30 * MINUTE, air=20.0, damp=90.0, switch_air=20.6) == []
    assert scene.lives(30 * MINUTE, damp=50.0, switch_air=20.6) == []
    (returned,) = scene.lives(30 * MINUTE, air=20.0, damp=50.0, switch_air=20.6)
    assert returned.is_return
    assert "below switch-air" in returned.text


def test_the_margin_can_be_set() -> None:
    scene = Scene(make_config(DAMP, "[alarms.condensation]\ncondensation_margin_k = 0.5\n"))
    assert scene.lives(30 * MINUTE, air=20.0, damp=90.0, switch_air=20.0) == []


def test_the_air_is_that_of_the_same_topic_else_of_the_longest_common_way() -> None:
    far = DAMP.replace('topic = "cellar/climate"\npointer = "/temperature"', 'topic = "hall/air"')
    assert companion(make_config(far), "damp") == "switch-air"
    near = DAMP.replace('"cellar/climate"\npointer = "/temperature"', '"cellar/climate/deep/air"')
    assert companion(make_config(near), "damp") == "air"
    both = '[sensors.a-first]\ntopic = "cellar/climate/x"\nquantity = "temperature"\n' + DAMP
    assert companion(make_config(both), "damp") == "air"


def test_without_any_temperature_of_its_air_a_humidity_has_no_dew_point() -> None:
    text = DAMP.replace('"cellar/climate"\npointer = "/humidity"', '"attic/humidity"')
    assert "damp/condensation" not in Scene(make_config(text)).engine.alarms
