"""One cause one notice, a dying sensor, off is not a fault, silence, and the watch itself."""

import pytest

from cabinetwatch.text import plain
from cabinetwatch.watch.events import EntryKind, Quality
from tests.watch.scene import CABINET, MINUTE, SECOND, T0, Scene, make_config, moves

WELL = {"hall": 20.0, "nas_power": 80.0, "nas_air": 40.0, "nas_fan": 1200.0, "switch_air": 35.0}


@pytest.fixture
def scene() -> Scene:
    scene = Scene()
    scene.lives(5 * MINUTE, **WELL)
    assert scene.told == []
    return scene


def without(*sensors: str) -> dict[str, float]:
    return {name: value for name, value in WELL.items() if name not in sensors}


# -- silence ----------------------------------------------------------------------------------


def test_a_silent_sensor_is_told_once_and_dated_when_it_was_due(scene: Scene) -> None:
    last_t = scene.t
    told = scene.lives(10 * MINUTE, **without("switch_air"))
    assert moves(told) == [("switch-air", "silent", "normal", "unacknowledged")]
    assert told[0].t == last_t + 90 * SECOND
    assert told[0].priority == "high"
    assert told[0].values["since"] is not None
    assert "35.0 °C" in plain(told[0].text)
    assert "PoE switch is not watched" in told[0].text


def test_a_sensor_heard_again_returns_once_it_was_well_for_two_silences(scene: Scene) -> None:
    scene.lives(2 * MINUTE, **without("switch_air"))
    assert scene.lives(2 * MINUTE, **WELL) == []
    told = scene.lives(10 * SECOND, **WELL)
    assert moves(told) == [("switch-air", "silent", "unacknowledged", "returned")]


def test_a_sensor_never_heard_is_silent_counted_from_the_connection() -> None:
    scene = Scene()
    told = scene.lives(5 * MINUTE, **without("switch_air"))
    assert moves(told) == [("switch-air", "silent", "normal", "unacknowledged")]
    assert told[0].t == T0 + 90 * SECOND
    assert "not been heard" in told[0].text


def test_after_a_power_cut_nothing_is_silent_for_five_minutes_of_boot() -> None:
    scene = Scene()
    scene.tell(EntryKind.START, offset_ms=0, boot_ms=T0 - 30 * SECOND, ran_until_ms=T0)
    scene.tell(EntryKind.CONNECT, session_present=True)
    told = scene.passes(10 * MINUTE)
    assert {t.t for t in told} == {T0 + 5 * MINUTE}
    assert {"silent", "ambient-lost"} == {t.condition for t in told if t.state != "suppressed"}


def test_a_retained_or_late_value_keeps_no_sensor_alive(scene: Scene) -> None:
    told = []
    for _ in range(12):
        told += scene.lives(10 * SECOND, **without("switch_air"))
        told += scene.reads("switch-air", 35.0, Quality.RETAINED)
        told += scene.reads("switch-air", 35.0, Quality.LATE, at=scene.t - MINUTE)
        told += scene.reads("switch-air", 35.0, Quality.BACKLOG, at=scene.t - MINUTE)
    assert moves(told) == [("switch-air", "silent", "normal", "unacknowledged")]


def test_a_retained_value_is_the_present_value_but_is_not_judged() -> None:
    scene = Scene()
    assert scene.reads("switch-air", 99.0, Quality.RETAINED) == []
    assert scene.passes(30 * SECOND) == []
    assert scene.engine.sensor_figures()["switch-air"]["value"] == 99.0
    assert scene.engine.sensor_figures()["switch-air"]["state"] == "waiting"


def test_a_sensor_that_speaks_on_change_is_never_silent() -> None:
    config = make_config(
        CABINET + '[sensors.door]\ntopic = "d"\nquantity = "humidity"\non_change = true\n'
    )
    scene = Scene(config)
    assert scene.lives(60 * MINUTE, **WELL) == []


# -- the broker -------------------------------------------------------------------------------


def test_a_sensor_that_does_not_come_back_after_a_reconnect_is_told(scene: Scene) -> None:
    scene.tell(EntryKind.DISCONNECT, reason="gone")
    scene.passes(5 * MINUTE)
    scene.tell(EntryKind.CONNECT, session_present=True)
    reconnect_t = scene.t
    told = scene.lives(2 * MINUTE, **without("nas_fan"))
    assert [(t.subject, t.condition, t.t) for t in told] == [
        ("site", "broker-lost", reconnect_t + 30 * SECOND),
        ("nas-fan", "silent", reconnect_t + 90 * SECOND),
    ]


def test_a_silent_sensor_is_hidden_while_the_broker_is_lost(scene: Scene) -> None:
    scene.lives(2 * MINUTE, **without("nas_fan"))
    scene.tell(EntryKind.DISCONNECT, reason="gone")
    assert moves(scene.passes(2 * MINUTE)) == [
        ("nas-fan", "silent", "unacknowledged", "suppressed"),
        ("site", "broker-lost", "normal", "unacknowledged"),
    ]
    assert scene.tell(EntryKind.CONNECT, session_present=True) == []
    told = scene.passes(30 * SECOND)
    assert ("nas-fan", "silent", "suppressed", "unacknowledged") in moves(told)


def test_a_clean_stop_is_no_lost_broker(scene: Scene) -> None:
    assert scene.tell(EntryKind.STOP) == []
    assert scene.passes(60 * MINUTE) == []


# -- ambient ----------------------------------------------------------------------------------


def test_one_dead_ambient_is_one_cause_and_hides_its_own_silence(scene: Scene) -> None:
    told = scene.lives(5 * MINUTE, **without("hall"))
    assert moves(told) == [
        ("nas", "ambient-lost", "normal", "unacknowledged"),
        ("switch", "ambient-lost", "normal", "unacknowledged"),
        ("hall", "silent", "normal", "suppressed"),
    ]
    assert len({t.t for t in told}) == 1
    assert len({each.cause for each in told}) == len({each.incident for each in told}) == 1


def test_while_ambient_is_lost_alarms_on_rise_rest_and_on_temperature_go_on(scene: Scene) -> None:
    scene.lives(2 * MINUTE, **without("hall"))
    told = scene.lives(5 * MINUTE, **(without("hall") | {"nas_air": 55.0}))
    assert moves(told) == [("nas", "over-derating", "normal", "unacknowledged")]


def test_a_standing_alarm_on_rise_is_hidden_when_ambient_is_lost(scene: Scene) -> None:
    scene.lives(5 * MINUTE, **(WELL | {"switch_air": 45.0}))
    told = scene.lives(2 * MINUTE, **(without("hall") | {"switch_air": 45.0}))
    assert ("switch", "over-rise", "unacknowledged", "suppressed") in moves(told)
    told = scene.lives(20 * SECOND, **(WELL | {"switch_air": 45.0}))
    assert ("switch", "over-rise", "suppressed", "unacknowledged") in moves(told)


# -- a dying sensor ---------------------------------------------------------------------------


def test_a_dying_sensor_never_clears_an_alarm(scene: Scene) -> None:
    scene.lives(2 * MINUTE, **(WELL | {"nas_air": 55.0}))
    told = scene.lives(60 * MINUTE, **without("nas_air"))
    assert moves(told) == [("nas-air", "silent", "normal", "unacknowledged")]
    assert scene.engine.alarms["nas/over-derating"].state == "unacknowledged"


def test_a_dying_sensor_raises_nothing_that_was_only_pending_when_it_went_stale() -> None:
    delays = "[alarms.over-derating]\non_delay_s = 300\n[alarms.over-rise]\non_delay_s = 300\n"
    scene = Scene(make_config(CABINET + delays))
    scene.lives(5 * MINUTE, **WELL)
    scene.lives(30 * SECOND, **(WELL | {"nas_air": 55.0}))
    told = scene.lives(20 * MINUTE, **without("nas_air"))
    assert moves(told) == [("nas-air", "silent", "normal", "unacknowledged")]


# -- load, power, off -------------------------------------------------------------------------


def test_at_half_load_the_threshold_is_where_the_curve_allows_half(scene: Scene) -> None:
    scene.lives(MINUTE, **(WELL | {"nas_power": 60.0}))
    figures = scene.engine.device_figures()["nas"]
    assert figures["threshold_c"] == 60.0
    assert figures["margin_k"] == 20.0


def test_a_little_more_than_the_rated_power_is_full_load_and_no_alarm(scene: Scene) -> None:
    scene.lives(5 * MINUTE, nas_air=45.0, hall=25.0, nas_power=83.0)
    assert scene.engine.device_figures()["nas"]["threshold_c"] == 50.0
    assert [each for each in scene.told if each.condition == "over-derating"] == []


def test_a_silent_power_sensor_holds_its_load_for_ten_minutes_then_counts_as_full(
    scene: Scene,
) -> None:
    half = WELL | {"nas_power": 40.0, "nas_air": 55.0}
    scene.lives(5 * MINUTE, **half)
    last_t = scene.t
    blind = {name: value for name, value in half.items() if name != "nas_power"}
    told = scene.lives(20 * MINUTE, **blind)
    assert [(t.subject, t.condition, t.t - last_t) for t in told] == [
        ("nas-power", "silent", 90 * SECOND),
        ("nas", "over-derating", 660 * SECOND),
    ]
    assert "its power is not known" in told[1].text


def test_several_supplies_add_up() -> None:
    config = make_config(
        CABINET.replace('power = "nas-power"', 'power = ["nas-power", "nas-power-2"]')
        + '[sensors.nas-power-2]\ntopic = "p2"\nquantity = "power"\n'
    )
    scene = Scene(config)
    scene.lives(MINUTE, **(WELL | {"nas_power": 30.0}))
    assert scene.engine.device_figures()["nas"]["power_w"] is None
    scene.lives(MINUTE, **(WELL | {"nas_power": 30.0, "nas_power_2": 34.0}))
    assert scene.engine.device_figures()["nas"]["power_w"] == 64.0


def test_a_device_that_is_off_has_no_slow_fan(scene: Scene) -> None:
    assert scene.lives(20 * MINUTE, **(WELL | {"nas_power": 0.4, "nas_fan": 0.0})) == []


def test_a_dead_plug_turns_nothing_on(scene: Scene) -> None:
    off = WELL | {"nas_power": 0.4, "nas_fan": 0.0}
    scene.lives(5 * MINUTE, **off)
    blind = {name: value for name, value in off.items() if name != "nas_power"}
    told = scene.lives(60 * MINUTE, **blind)
    assert moves(told) == [("nas-power", "silent", "normal", "unacknowledged")]
    scene.lives(2 * MINUTE, **WELL)
    told = scene.lives(40 * MINUTE, **(WELL | {"nas_fan": 0.0}))
    assert ("nas", "fan-slow", "normal", "unacknowledged") in moves(told)


def test_a_device_just_on_is_given_three_time_constants(scene: Scene) -> None:
    scene.lives(5 * MINUTE, **(WELL | {"nas_power": 0.4, "nas_fan": 0.0}))
    on_t = scene.t + 10 * SECOND
    told = scene.lives(40 * MINUTE, **(WELL | {"nas_fan": 0.0}))
    assert [(t.condition, t.t) for t in told] == [("fan-slow", on_t + 1800 * SECOND + 60 * SECOND)]


def test_a_fan_that_may_stop_is_slow_only_when_it_turns(scene: Scene) -> None:
    config = make_config(CABINET.replace("min_fan_rpm", "fan_may_stop = true\nmin_fan_rpm"))
    scene = Scene(config)
    assert scene.lives(10 * MINUTE, **(WELL | {"nas_fan": 0.0})) == []
    told = scene.lives(5 * MINUTE, **(WELL | {"nas_fan": 500.0}))
    assert moves(told) == [("nas", "fan-slow", "normal", "unacknowledged")]


# -- limits, deadbands ------------------------------------------------------------------------


def test_high_is_raised_above_its_limit_and_returns_below_the_deadband() -> None:
    scene = Scene(make_config(CABINET.replace("max_rise_k = 20.0", "")))
    told = scene.lives(3 * MINUTE, **(WELL | {"switch_air": 55.1}))
    assert moves(told) == [("switch-air", "high", "normal", "unacknowledged")]
    assert scene.lives(10 * MINUTE, **(WELL | {"switch_air": 54.2})) == []
    told = scene.lives(3 * MINUTE, **(WELL | {"switch_air": 53.9}))
    assert moves(told) == [("switch-air", "high", "unacknowledged", "returned")]


def test_low_is_its_mirror_image() -> None:
    config = make_config(
        CABINET + '[sensors.cellar]\ntopic = "c"\nquantity = "humidity"\nlow = 30.0\n'
    )
    scene = Scene(config)
    assert scene.lives(5 * MINUTE, **WELL, cellar=30.0) == []
    told = scene.lives(3 * MINUTE, **WELL, cellar=29.0)
    assert moves(told) == [("cellar", "low", "normal", "unacknowledged")]
    assert scene.lives(3 * MINUTE, **WELL, cellar=31.9) == []
    told = scene.lives(3 * MINUTE, **WELL, cellar=33.0)
    assert moves(told) == [("cellar", "low", "unacknowledged", "returned")]


def test_a_door_opened_for_two_minutes_is_no_rise(scene: Scene) -> None:
    scene.lives(60 * MINUTE, **(WELL | {"nas_air": 44.0}))
    open_door = WELL | {"nas_air": 44.0, "hall": 12.0}
    assert scene.lives(2 * MINUTE, **open_door) == []
    figures = scene.engine.device_figures()["nas"]
    assert figures["raw_rise_k"] == 32.0
    assert figures["rise_k"] < 26.0


# -- the watch itself -------------------------------------------------------------------------


def test_a_failing_store_is_told_at_once_and_returns(scene: Scene) -> None:
    told = scene.tell(EntryKind.STORE, ok=False, error="the disk is full", lost=0)
    assert moves(told) == [("site", "store-fault", "normal", "unacknowledged")]
    told = scene.tell(EntryKind.STORE, ok=True, error="", lost=7)
    assert moves(told) == [("site", "store-fault", "unacknowledged", "returned")]
    assert "7 readings were lost" in told[0].text


def test_a_mail_server_away_is_told_after_the_on_delay(scene: Scene) -> None:
    failure = {"channel": "email", "ok": False, "permanent": False, "error": "refused"}
    assert scene.tell(EntryKind.DELIVERY, **failure) == []
    failed_t = scene.t
    told = scene.lives(10 * MINUTE, **WELL)
    assert moves(told) == [("site", "notice-undelivered", "normal", "unacknowledged")]
    assert told[0].t == failed_t + 300 * SECOND


def test_a_final_refusal_is_told_at_once(scene: Scene) -> None:
    failure = {"channel": "email", "ok": False, "permanent": False, "error": "refused"}
    scene.tell(EntryKind.DELIVERY, **failure)
    told = scene.tell(EntryKind.DELIVERY, **(failure | {"permanent": True}))
    assert moves(told) == [("site", "notice-undelivered", "normal", "unacknowledged")]
    told = scene.tell(EntryKind.DELIVERY, channel="email", ok=True, permanent=False, error="")
    assert moves(told) == [("site", "notice-undelivered", "unacknowledged", "returned")]


def test_a_clock_step_changes_dates_in_utc_and_nothing_else(scene: Scene) -> None:
    twin = Scene()
    twin.lives(5 * MINUTE, **WELL)
    scene.tell(EntryKind.OFFSET, offset_ms=3_600_000)
    hot = WELL | {"nas_air": 55.0}
    told, twin_told = scene.lives(3 * MINUTE, **hot), twin.lives(3 * MINUTE, **hot)
    assert [(t.t, t.condition) for t in told] == [(t.t, t.condition) for t in twin_told]
    assert [t.utc_ms - 3_600_000 for t in told] == [t.utc_ms for t in twin_told]
    assert told


# -- configuration ----------------------------------------------------------------------------


def test_a_changed_setpoint_goes_on_with_the_alarms_that_stand(scene: Scene) -> None:
    scene.lives(2 * MINUTE, **(WELL | {"nas_air": 55.0}))
    changed = make_config(CABINET.replace("max_rise_k = 25.0", "max_rise_k = 99.0"))
    assert scene.engine.configure(changed, scene.t) == []
    told = scene.lives(2 * MINUTE, **(WELL | {"nas_air": 55.0}))
    assert moves(told) == [("nas", "over-rise", "unacknowledged", "returned")]
    told = scene.lives(2 * MINUTE, **WELL)
    assert moves(told) == [("nas", "over-derating", "unacknowledged", "returned")]


def test_an_alarm_without_a_place_in_the_new_configuration_is_told_as_normal(scene: Scene) -> None:
    scene.lives(5 * MINUTE, **(WELL | {"switch_air": 45.0}))
    changed = make_config(CABINET.replace("max_rise_k = 20.0", ""))
    told = scene.engine.configure(changed, scene.t)
    assert moves(told) == [("switch", "over-rise", "unacknowledged", "normal")]
    assert "no longer part of the configuration" in told[0].text


def test_a_reading_that_waits_for_its_turn_is_let_go_with_its_sensor(scene: Scene) -> None:
    scene.reads("switch-air", 36.0, Quality.TIMED)
    rest = CABINET.partition("[devices.switch]")[0].partition("[sensors.switch-air]")
    without_switch = make_config(rest[0] + rest[2].partition("high = 55.0")[2])
    scene.engine.configure(without_switch, scene.t)
    assert scene.passes(10 * SECOND) == []


def test_a_channel_that_is_switched_off_no_longer_fails(scene: Scene) -> None:
    failure = {"channel": "command", "ok": False, "permanent": True, "error": "not found"}
    told = scene.tell(EntryKind.DELIVERY, **failure)
    assert moves(told) == [("site", "notice-undelivered", "normal", "unacknowledged")]
    told = scene.engine.configure(make_config(), scene.t)
    assert moves(told) == [("site", "notice-undelivered", "unacknowledged", "returned")]


def test_a_disabled_condition_is_not_judged() -> None:
    scene = Scene(make_config(CABINET + "[devices.nas.alarms.over-derating]\nenabled = false\n"))
    assert scene.lives(5 * MINUTE, **(WELL | {"hall": 40.0, "nas_air": 60.0})) == []


def test_a_subject_may_have_its_own_priority_delay_and_response() -> None:
    extra = (
        "[alarms.over-derating]\non_delay_s = 120\n"
        "[devices.nas.alarms.over-derating]\non_delay_s = 0\npriority = 'medium'\n"
        "response = 'Ring the neighbour.'\n"
    )
    scene = Scene(make_config(CABINET + extra))
    told = scene.lives(10 * SECOND, **(WELL | {"hall": 40.0, "nas_air": 60.0}))
    assert [(t.condition, t.priority, t.response) for t in told] == [
        ("over-derating", "medium", "Ring the neighbour.")
    ]


def test_sensors_of_one_topic_fall_silent_as_one_cause() -> None:
    node = (
        '[sensors.loft]\ntopic = "loft"\npointer = "/t"\nquantity = "temperature"\n'
        '[sensors.loft-damp]\ntopic = "loft"\npointer = "/rh"\nquantity = "humidity"\n'
    )
    scene = Scene(make_config(CABINET + node))
    scene.lives(MINUTE, **WELL, loft=20.0, loft_damp=50.0)
    told = scene.lives(2 * MINUTE, **WELL)
    assert [t.subject for t in told] == ["loft", "loft-damp"]
    assert len({(t.t, t.cause) for t in told}) == 1
