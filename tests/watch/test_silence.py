"""A sensor that comes and goes is told once, with its cause; a pause of the watch is no silence."""

import json

import pytest

from cabinetwatch.text import plain
from cabinetwatch.watch.engine import Engine
from cabinetwatch.watch.events import Entry, EntryKind, Quality, Reading, Transition
from tests.watch.scene import MINUTE, SECOND, Scene, make_config, moves

WELL = {"hall": 21.0, "nas_air": 38.0, "nas_power": 40.0, "nas_fan": 1200.0, "switch_air": 35.0}
RAISED = ("switch-air", "silent", "normal", "unacknowledged")
RETURNED = ("switch-air", "silent", "unacknowledged", "returned")
BATTERY_S = (15, 100, 220, 40, 130, 15, 180, 75, 220, 95)
"""The gaps of a battery node that speaks when it likes."""


@pytest.fixture
def scene() -> Scene:
    made = Scene()
    made.lives(5 * MINUTE, **WELL)
    assert made.told == []
    return made


def others(ms: int, scene: Scene, **more: float) -> list[Transition]:
    there = {name: value for name, value in WELL.items() if name != "switch_air"}
    return scene.lives(ms, **there, **more)


def replayed(scene: Scene) -> list[Transition]:
    engine, told = Engine(make_config()), []
    for item in scene.inputs:
        told += engine.observe(item) if isinstance(item, Reading) else engine.tell(item)
    return told + engine.advance(scene.t)


# -- delays -----------------------------------------------------------------------------------


def test_an_absence_of_the_connection_is_no_silence_though_that_before_was_short(
    scene: Scene,
) -> None:
    for away_s, there_s in ((1, 40), (40, 0)):
        scene.tell(EntryKind.DISCONNECT, reason="gone")
        scene.passes(away_s * SECOND)
        scene.tell(EntryKind.CONNECT, session_present=True)
        scene.lives(there_s * SECOND, **WELL)
    back_t = scene.t
    others(3 * MINUTE, scene)
    assert [(*moves([each])[0], each.t) for each in scene.told] == [(*RAISED, back_t + 90_000)]


def test_what_is_only_just_late_raises_nothing(scene: Scene) -> None:
    for _ in range(10):
        others(80 * SECOND, scene)
        scene.reads("switch-air", 35.0)
    assert scene.told == []


def test_a_node_that_speaks_once_and_falls_silent_again_has_not_come_back(scene: Scene) -> None:
    for _ in range(10):
        others(3 * MINUTE, scene)
        scene.reads("switch-air", 35.0)
    assert moves(scene.told) == [RAISED]
    heard_t = scene.t
    scene.lives(3 * MINUTE, **WELL)
    assert moves(scene.told) == [RAISED, RETURNED]
    assert scene.told[-1].t == heard_t + 120 * SECOND


def test_a_lost_ambient_that_comes_and_goes_is_one_notice_and_hides_nothing_meanwhile(
    scene: Scene,
) -> None:
    there = {name: value for name, value in WELL.items() if name != "hall"}
    for _ in range(6):
        scene.lives(3 * MINUTE, **there)
        scene.reads("hall", 21.0)
    lost = [each for each in scene.told if each.condition == "ambient-lost"]
    assert [each.state for each in lost] == ["unacknowledged", "unacknowledged"]  # two devices
    # The rise is known again: it is judged at once, though the loss is not told as over yet.
    scene.lives(10 * SECOND, **WELL)
    assert not any(other.stands for other in scene.engine.alarms["nas/over-rise"].hidden_by), (
        "hidden by an ambient that is there"
    )


def test_a_way_that_was_dead_raises_no_silence_before_that_is_found(scene: Scene) -> None:
    scene.passes(70 * SECOND)
    scene.tell(EntryKind.DISCONNECT, reason="no answer")
    scene.passes(10 * SECOND)
    scene.tell(EntryKind.CONNECT, session_present=True)
    scene.lives(5 * MINUTE, **WELL)
    assert scene.told == []


# -- the cause --------------------------------------------------------------------------------


def battery(scene: Scene) -> None:
    for gap_s in BATTERY_S:
        for _ in range(gap_s // 5):
            scene.t += 5 * SECOND
            for name, value in WELL.items():
                if name != "switch_air":
                    scene.reads(name.replace("_", "-"), value)
        scene.reads("switch-air", 35.0)
    others(3 * MINUTE, scene)


def test_a_node_slower_than_its_interval_is_one_alarm_that_says_so(scene: Scene) -> None:
    battery(scene)
    assert moves(scene.told) == [RAISED]
    (alarm,) = (each for each in scene.engine.alarms.values() if each.active)
    text = alarm.condition.seen()
    assert "it really speaks up to every 220 s, not every 10 s" in plain(text)
    assert "speaks less often than its interval_s says" in alarm.condition.suspicion
    assert [each.public() for each in replayed(scene)] == [each.public() for each in scene.told]


def test_a_message_lost_now_and_then_is_no_slower_node(scene: Scene) -> None:
    for _ in range(6):
        others(40 * SECOND, scene)
        scene.lives(10 * MINUTE, **WELL)
    others(3 * MINUTE, scene)
    assert moves(scene.told) == [RAISED]
    assert "interval_s" not in scene.told[0].text


def test_what_could_not_be_read_is_told_as_the_cause(scene: Scene) -> None:
    problem = "switch-air: 'warm' is not a number"
    for messages in (2, 10):
        others(10 * SECOND, scene)
        data = {"switch-air": {"unreadable": messages, "problem": problem}, "gone": {}}
        scene.tell(EntryKind.UNHEARD, sensors=data)
    others(3 * MINUTE, scene)
    (told,) = scene.told
    assert "12 messages came that could not be read: 'warm' is not a number;" in plain(told.text)
    assert "does not fit pointer" in told.likely
    assert [each.public() for each in replayed(scene)] == [told.public()]


def test_what_could_not_be_read_before_the_last_reading_explains_nothing(scene: Scene) -> None:
    data = {"switch-air": {"unreadable": 12, "problem": "'warm' is not a number"}}
    scene.tell(EntryKind.UNHEARD, sensors=data)
    scene.lives(10 * SECOND, **WELL)
    others(3 * MINUTE, scene)
    assert "could not be read" not in scene.told[0].text


def test_a_clock_that_is_behind_is_told_as_the_cause_and_counted(scene: Scene) -> None:
    for _ in range(3):
        others(10 * SECOND, scene)
        scene.reads("switch-air", 35.0, Quality.LATE, at=scene.t - 8 * SECOND)
        data = {"switch-air": {"late": 1, "late_ms": 8_000}}
        scene.tell(EntryKind.UNHEARD, sensors=data)
    others(3 * MINUTE, scene)
    (told,) = scene.told
    assert "its clock is up to 8 s behind, so 3 readings came too late" in plain(told.text)
    assert "see lateness_s" in plain(told.text)
    late = {"since_start": 3, "greatest_s": 8.0}
    assert scene.engine.sensor_figures()["switch-air"]["late"] == late
    assert scene.engine.sensor_figures()["hall"]["late"] == {"since_start": 0, "greatest_s": None}


def test_causes_are_saved_and_a_state_of_before_knows_of_none(scene: Scene) -> None:
    data = {"switch-air": {"late": 2, "late_ms": 9_000, "unreadable": 1, "problem": "x"}}
    scene.tell(EntryKind.UNHEARD, sensors=data)
    battery(scene)
    saved = json.loads(json.dumps(scene.engine.save()))
    engine = Engine(make_config())
    engine.load(saved)
    assert engine.save() == scene.engine.save()
    assert engine.model.sensors["switch-air"].spoken_every_ms == 220_000
    for sensor in saved["sensors"].values():
        del sensor["gaps"], sensor["unheard"]
    engine = Engine(make_config())
    engine.load(saved)
    assert engine.model.sensors["switch-air"].spoken_every_ms is None


@pytest.mark.parametrize("sensors", [{"switch-air": None}, {"switch-air": {"late": "x"}}, None])
def test_a_spoilt_entry_is_set_aside(scene: Scene, sensors: object) -> None:
    scene.engine.tell(Entry(scene.t, EntryKind.UNHEARD, {"sensors": sensors}))
    assert len(scene.engine.refused) == 1
    scene.lives(1 * MINUTE, **WELL)
    assert {each.condition for each in scene.told} <= {"input-refused"}


# -- a watch that did not run -------------------------------------------------------------------


def pauses(scene: Scene, ms: int) -> list[Transition]:
    ran_until_t, scene.t = scene.t, scene.t + ms
    return scene.tell(EntryKind.PAUSE, ran_until_ms=ran_until_t)


@pytest.mark.parametrize("for_s", [12, 86_400])
def test_a_watch_that_did_not_run_finds_nobody_silent(scene: Scene, for_s: int) -> None:
    pauses(scene, for_s * SECOND)
    scene.lives(5 * MINUTE, **WELL)
    assert scene.told == []
    assert replayed(scene) == []


def test_silence_counts_anew_from_the_end_of_a_pause(scene: Scene) -> None:
    scene.passes(55 * SECOND)
    pauses(scene, 75 * SECOND)
    end_t = scene.t
    others(3 * MINUTE, scene)
    assert [(*moves([each])[0], each.t) for each in scene.told] == [(*RAISED, end_t + 90_000)]


def test_many_pauses_do_not_put_silence_off_for_ever(scene: Scene) -> None:
    for _ in range(10):
        pauses(scene, 15 * SECOND)
        others(20 * SECOND, scene)
    assert moves(scene.told) == [RAISED]


def test_what_was_silent_but_not_told_yet_waits_anew(scene: Scene) -> None:
    """Its on-delay would have ended amid the pause, while it may have spoken."""
    scene.passes(70 * SECOND)
    pauses(scene, 75 * SECOND)
    scene.lives(5 * MINUTE, **WELL)
    assert scene.told == []


def test_a_delay_counts_lived_time_only(scene: Scene) -> None:
    scene.tell(EntryKind.DISCONNECT, reason="gone")
    scene.passes(20 * SECOND)
    pauses(scene, 75 * SECOND)
    assert scene.told == []
    end_t = scene.t
    scene.passes(60 * SECOND)
    assert [(each.condition, each.t) for each in scene.told] == [
        ("broker-lost", end_t + 40 * SECOND)
    ]


def test_a_pause_while_a_connection_is_new_lets_it_hold_from_its_end(scene: Scene) -> None:
    scene.tell(EntryKind.DISCONNECT, reason="gone")
    scene.passes(5 * SECOND)
    scene.tell(EntryKind.CONNECT, session_present=True)
    scene.passes(5 * SECOND)
    pauses(scene, 75 * SECOND)
    assert not scene.engine.model.site.connection.held
    scene.lives(5 * MINUTE, **WELL)
    assert scene.told == []


def test_a_broker_that_broke_off_with_a_watch_that_did_not_listen_is_not_lost() -> None:
    """Right after the start, before the first connection has held."""
    scene = Scene()
    scene.lives(20 * SECOND, **WELL)
    pauses(scene, 75 * SECOND)
    for _ in range(2):
        scene.tell(EntryKind.DISCONNECT, reason="broke", end="closed")
        scene.passes(1 * SECOND)
        scene.tell(EntryKind.CONNECT, session_present=True)
        scene.lives(20 * SECOND, **WELL)
        pauses(scene, 75 * SECOND)
    scene.lives(5 * MINUTE, **WELL)
    assert scene.told == []
    assert replayed(scene) == []


@pytest.mark.parametrize("data", [{}, {"ran_until_ms": "x"}, {"ran_until_ms": None}])
def test_a_spoilt_pause_is_set_aside(scene: Scene, data: dict[str, object]) -> None:
    scene.engine.tell(Entry(scene.t, EntryKind.PAUSE, data))
    assert len(scene.engine.refused) == 1
    scene.lives(1 * MINUTE, **WELL)
    assert {each.condition for each in scene.told} <= {"input-refused"}
