"""What an alarm says is true when it is said, and is one line whatever went into it."""

import pytest

from cabinetwatch.text import plain
from cabinetwatch.thermal.forecast import (
    Forecast,
)
from cabinetwatch.watch.devices import when
from cabinetwatch.watch.events import EntryKind, Quality
from tests.watch.scene import CABINET, MINUTE, SECOND, Scene, make_config
from tests.watch.world import HOUR, World, of

WELL = {"hall": 20.0, "nas_power": 80.0, "nas_air": 40.0, "nas_fan": 1200.0, "switch_air": 35.0}
WARM_SWITCH = WELL | {"hall": 50.0, "switch_air": 60.0}


@pytest.fixture
def scene() -> Scene:
    scene = Scene()
    scene.lives(5 * MINUTE, **WELL)
    return scene


def alarm_id(scene: Scene, key: str) -> str:
    return scene.engine.alarms[key].id


def last_text(scene: Scene, condition: str) -> str:
    return plain(next(t.text for t in reversed(scene.told) if t.condition == condition))


def high_switch(extra: str = "") -> Scene:
    scene = Scene(make_config(extra=extra))
    scene.lives(5 * MINUTE, **WARM_SWITCH)
    return scene


def test_a_value_back_within_its_limit_but_not_for_good_is_not_said_to_be_past_it() -> None:
    scene = high_switch()
    scene.steps("switch-air", 54.5)
    scene.orders("ack", id=alarm_id(scene, "switch-air/high"))
    assert last_text(scene, "high") == (
        "Acknowledged: switch-air reads 54.5 °C, not yet safely back within its limit of 55.0 °C."
    )


def test_a_returned_alarm_that_is_shelved_is_said_to_be_within_its_limit() -> None:
    scene = high_switch()
    scene.lives(5 * MINUTE, **WELL)
    scene.orders("shelve", id=alarm_id(scene, "switch-air/high"), for_s=600.0)
    assert last_text(scene, "high") == (
        "Shelved for 10 min: switch-air reads 35.0 °C, within its limit of 55.0 °C again."
    )


def test_a_returned_alarm_that_is_coming_back_is_said_to_be_past_its_limit() -> None:
    scene = high_switch()
    scene.lives(5 * MINUTE, **WELL)
    scene.steps("switch-air", 61.0)
    scene.orders("ack", id=alarm_id(scene, "switch-air/high"))
    assert last_text(scene, "high").endswith("reads 61.0 °C, above its limit of 55.0 °C.")


def test_what_a_silent_sensor_read_last_is_not_said_to_be_the_present() -> None:
    scene = high_switch()
    scene.lives(2 * MINUTE, hall=50.0)
    scene.orders("ack", id=alarm_id(scene, "switch-air/high"))
    assert "switch-air last read 60.0 °C" in last_text(scene, "high")


def test_a_fan_just_fast_enough_is_not_said_to_be_too_slow(scene: Scene) -> None:
    scene.lives(2 * MINUTE, **WELL | {"nas_fan": 500.0})
    scene.reads("nas-fan", 910.0)
    scene.orders("ack", id=alarm_id(scene, "nas/fan-slow"))
    assert "is turning at 910 rpm, not yet safely above its minimum of 900 rpm" in last_text(
        scene, "fan-slow"
    )


def test_rise_and_temperature_just_back_are_not_said_to_be_above(scene: Scene) -> None:
    scene.lives(2 * MINUTE, **WELL | {"nas_air": 52.0})
    scene.steps("nas-air", 49.5)
    scene.orders("ack", id=alarm_id(scene, "nas/over-derating"))
    assert "is at 49.5 °C, not yet safely back within its derating threshold" in last_text(
        scene, "over-derating"
    )
    nas = scene.engine.model.devices["nas"]
    while nas.rise_k is None or nas.rise_k >= 25.0:
        scene.lives(10 * SECOND, **WELL | {"nas_air": 44.5})
    assert nas.rise_k > 24.0
    # It was acknowledged with the first alarm of its incident.
    scene.orders("shelve", id=alarm_id(scene, "nas/over-rise"), for_s=600.0)
    assert "not yet safely back within its limit of 25.0 K" in last_text(scene, "over-rise")


def test_a_silent_sensor_blinds_because_it_is_silent_and_not_because_of_its_last_value(
    scene: Scene,
) -> None:
    scene.lives(2 * MINUTE, hall=20.0)
    text = next(plain(t.text) for t in scene.told if t.subject == "switch-air")
    assert text == (
        "switch-air has fallen silent, so PoE switch is not watched now;"
        " its last reading was 35.0 °C; for 1 min 30 s now."
    )


def test_a_lost_ambient_says_what_still_guards_the_device() -> None:
    bare = CABINET.replace("high = 55.0\n", "")
    by_ambient = '\nderating = [[45.0, 1.0]]\nderating_air = "ambient"\n'
    scene = Scene(make_config(bare, by_ambient))
    scene.lives(2 * MINUTE, **WELL)
    scene.lives(2 * MINUTE, nas_air=40.0, switch_air=35.0)
    raised = {t.subject: t for t in scene.told if t.condition == "ambient-lost"}
    assert "so its rise is not known; it is watched only by its own temperature" in (
        raised["nas"].text
    )
    assert raised["nas"].priority == "medium"
    assert "so neither its rise nor its margin is known; it is not watched now" in (
        raised["switch"].text
    )
    assert raised["switch"].priority == "high"


def test_a_guard_counts_only_while_its_own_sensor_is_there(scene: Scene) -> None:
    scene.lives(3 * MINUTE, nas_air=40.0, nas_fan=1200.0, nas_power=80.0)
    condition = scene.engine.alarms["nas/ambient-lost"].condition
    assert "watched only by its own temperature and its fan now" in condition.seen()
    scene.lives(3 * MINUTE, nas_fan=1200.0, nas_power=80.0)
    assert "watched only by its fan now" in condition.seen()
    blind = scene.engine.alarms["nas-air/silent"]
    assert "so NAS is watched only by its fan now" in blind.condition.seen()
    assert blind.priority == "medium"
    told = scene.lives(3 * MINUTE, nas_power=80.0)
    assert "it is not watched now" in condition.seen()
    # The one that leaves nothing to guard it is high, and stays so when it is over.
    assert {(t.subject, t.priority) for t in told} == {("nas-fan", "high")}
    told = scene.lives(5 * MINUTE, **WELL)
    over = {t.subject: t.priority for t in told if t.condition == "silent" and t.is_return}
    assert over == {"nas-air": "medium", "nas-fan": "high", "switch-air": "high"}


def test_where_it_settles_is_not_said_of_where_it_is(scene: Scene) -> None:
    nas = scene.engine.model.devices["nas"]
    scene.lives(30 * MINUTE, **WELL | {"nas_air": 52.9})
    scene.lives(MINUTE, **WELL | {"nas_air": 51.0})
    assert plain(nas.time_left_clause()) == ", above its derating threshold of 50.0 °C already"
    scene.lives(30 * MINUTE, **WELL)
    assert plain(nas.time_left_clause()) == ", staying below its derating threshold of 50.0 °C"


@pytest.mark.parametrize(
    ("soonest_s", "said"),
    [
        (59.0, "any moment now"),
        (479.0, "in 7 min at the soonest"),
        (1799.0, "in 25 min at the soonest"),
        (9500.0, "in 2 h 30 min at the soonest"),
    ],
)
def test_a_time_to_come_is_said_in_a_round_figure_that_is_early(
    soonest_s: float, said: str
) -> None:
    assert plain(when(Forecast(0.9, 2.0 * soonest_s, soonest_s, None))) == said


def test_the_present_temperature_is_one_figure_in_sentence_and_record(scene: Scene) -> None:
    world = World()
    world.lives(3 * HOUR)
    world.resistance *= 3.0
    for told in of(world.lives(HOUR), "cooling-loss") + of(world.told, "derating-forecast"):
        assert f"NAS is at {told.values['temperature_c']:.1f} °C" in plain(told.text)


def test_a_store_fault_names_the_store_once(scene: Scene) -> None:
    error = "The store /var/a.db can't be written: the disk is full"
    scene.tell(EntryKind.STORE, ok=False, error=error, lost=0)
    assert last_text(scene, "store-fault") == (
        "The watch can't keep its records: the store /var/a.db can't be written: the disk is full."
    )


def test_a_store_that_was_set_aside_is_not_said_to_be_full(scene: Scene) -> None:
    error = "The store was damaged; it was set aside as a.db.damaged-1"
    told = scene.tell(EntryKind.STORE, ok=False, error=error, lost=0, set_aside=True)
    assert told[-1].text == f"{error}."
    assert "full" not in told[-1].likely
    assert "Make room" not in told[-1].response
    told = scene.tell(EntryKind.STORE, ok=True, error="", lost=0, note="7 readings were lost")
    assert told[-1].text.startswith("The watch goes on with a new store; 7 readings were lost")


@pytest.mark.parametrize("key", ["reason", "by"])
def test_what_a_person_wrote_stays_on_its_line(key: str) -> None:
    scene = high_switch()
    scene.orders(
        "shelve",
        id=alarm_id(scene, "switch-air/high"),
        for_s=600.0,
        **{key: "a\n\x1b[2JERROR all is lost\u202e"},
    )
    text = last_text(scene, "high")
    assert plain(text).isprintable()
    assert "a\\n\\x1b[2JERROR all is lost\\u202e" in text


def test_silence_counts_from_when_a_reading_with_its_own_time_was_judged() -> None:
    """A sensor as quick as the lateness is long is not silent while it goes on speaking."""
    quick = make_config(
        '[sensors.probe]\ntopic = "a"\nquantity = "temperature"\ninterval_s = 0.5\n'
    )
    scene = Scene(quick)
    for _ in range(100):
        scene.passes(500)
        scene.reads("probe", 20.0, Quality.TIMED, at=scene.t - 100)
    assert [t.text for t in scene.told if t.t > scene.t - 40 * SECOND] == []


def test_every_deadline_has_an_order_of_its_own() -> None:
    supplies = [f"p{number}" for number in range(40)]
    text = '[sensors.air]\ntopic = "air"\nquantity = "temperature"\n'
    text += "".join(f'[sensors.{p}]\ntopic = "{p}"\nquantity = "power"\n' for p in supplies)
    for device in ("a", "b"):
        text += f'[devices.{device}]\ntemperature = "air"\npower = {supplies}\n'
    engine = Scene(make_config(text)).engine
    sensors = engine.model.sensors.values()
    items = [item for each in sensors for item in (each.silence, each.stale, each.hold)]
    orders = [item.order for item in (*items, *engine.alarms.values())]
    assert len(set(orders)) == len(orders)


def test_a_rise_that_is_not_known_is_not_said_to_be_above(scene: Scene) -> None:
    scene.lives(2 * MINUTE, **WELL | {"nas_air": 47.0})
    scene.lives(2 * MINUTE, nas_air=47.0)
    assert last_text(scene, "over-rise") == (
        'Suppressed: already reported as "NAS: the sensor of the surrounding air is lost". NAS: its'
        " rise is not known now; it was last seen above its limit of 25.0 K."
    )


CABINET_AS_DEVICE = """
[sensors.room]
topic = "room"
quantity = "temperature"

[sensors.cabinet-air]
topic = "cabinet/air"
quantity = "temperature"
high = 40.0

[sensors.switch-air]
topic = "switch"
quantity = "temperature"

[devices.cabinet]
temperature = "cabinet-air"
ambient = "room"
max_rise_k = 15.0

[devices.switch]
temperature = "switch-air"
ambient = "cabinet-air"
derating = [[40.0, 1.0], [50.0, 0.7]]
derating_air = "ambient"
max_rise_k = 5.0
"""


def test_what_one_hot_cabinet_raises_at_one_instant_has_one_cause() -> None:
    scene = Scene(make_config(CABINET_AS_DEVICE))
    scene.lives(20 * MINUTE, room=20.0, cabinet_air=30.0, switch_air=32.0)
    told = scene.lives(2 * MINUTE, room=20.0, cabinet_air=44.0, switch_air=46.0)
    raised = [t for t in told if t.t == told[0].t]
    assert {(t.subject, t.condition) for t in raised} >= {
        ("switch", "over-derating"),
        ("cabinet-air", "high"),
    }
    by_cause = {(t.subject, t.condition): t.cause for t in raised}
    assert scene.engine.alarms["cabinet/over-rise"].condition.cause == "device/cabinet"
    assert by_cause["switch", "over-derating"] == "device/cabinet"
    assert by_cause["cabinet-air", "high"] == "device/cabinet"
    assert scene.engine.alarms["switch/over-rise"].condition.cause == "device/switch"
