"""A connection counts once it has held; one that another client takes is told by its name."""

import json

import pytest

from cabinetwatch.text import plain
from cabinetwatch.watch.engine import Engine
from cabinetwatch.watch.events import EntryKind
from tests.watch.scene import MINUTE, SECOND, T0, Scene, make_config, moves

ID = "cabinetwatch0x5m3k1q9ab"
WELL = {"hall": 21.0, "nas_air": 38.0, "nas_power": 40.0, "nas_fan": 1200.0, "switch_air": 35.0}
RAISED = ("site", "broker-lost", "normal", "unacknowledged")
TAKEN = ("site", "session-taken", "normal", "unacknowledged")


@pytest.fixture
def scene() -> Scene:
    made = Scene()
    made.tell(EntryKind.CONNECT, session_present=False, client_id=ID)
    made.lives(5 * MINUTE, **WELL)
    assert made.told == []
    return made


def lost(scene: Scene, end: str = "", reason: str = "the connection broke") -> None:
    scene.tell(EntryKind.DISCONNECT, reason=reason, end=end)


def back(scene: Scene, after_s: float = 0.0) -> None:
    scene.passes(round(after_s * SECOND))
    scene.tell(EntryKind.CONNECT, session_present=True, client_id=ID)


def flap(scene: Scene, times: int, away_s: float, there_s: float, end: str = "") -> None:
    """Lose the connection and get it back, again and again; it ends without one."""
    lost(scene, end)
    for _ in range(times):
        back(scene, away_s)
        scene.passes(round(there_s * SECOND))
        lost(scene, end)


# -- a connection that holds -----------------------------------------------------------------


@pytest.mark.parametrize("away_s", [1, 59])
def test_an_absence_shorter_than_the_on_delay_raises_nothing(scene: Scene, away_s: int) -> None:
    lost(scene)
    back(scene, away_s)
    scene.lives(10 * MINUTE, **WELL)
    assert scene.told == []


def test_a_connection_that_keeps_breaking_is_told_after_the_on_delay_and_says_so(
    scene: Scene,
) -> None:
    first_t = scene.t
    flap(scene, 5, away_s=5, there_s=15)
    assert moves(scene.told) == [RAISED]
    (told,) = scene.told
    assert told.t == first_t + 60 * SECOND
    assert plain(told.text) == (
        "The watch's connection to its MQTT broker does not hold: it broke again within 30 s of"
        " being made, 2 times so far: the connection broke; for 1 min now."
    )
    assert told.values["broken_connections"] == 2


def test_the_on_delay_runs_on_from_the_last_connection_that_held(scene: Scene) -> None:
    """One that came back at the last instant and broke puts the alarm off by half a minute."""
    first_t = scene.t
    lost(scene)
    back(scene, 50)
    scene.passes(25 * SECOND)
    assert scene.told == []
    lost(scene)
    assert [(t.condition, t.t) for t in scene.told] == [("broker-lost", first_t + 75 * SECOND)]


def test_it_is_back_only_once_it_has_held(scene: Scene) -> None:
    flap(scene, 6, away_s=5, there_s=10)
    back(scene)
    scene.passes(29 * SECOND)
    assert moves(scene.told) == [RAISED]
    scene.passes(1 * SECOND)
    assert moves(scene.told)[1:] == [("site", "broker-lost", "unacknowledged", "returned")]


def test_what_does_arrive_over_a_flapping_connection_is_judged(scene: Scene) -> None:
    """Every reading that comes counts, whatever the connection: 90 degC is told in its minute."""
    hot_t = scene.t
    lost(scene)
    for _ in range(12):
        back(scene, 1)
        for _ in range(3):
            scene.passes(3 * SECOND)
            scene.reads("nas-air", 90.0)
        lost(scene)
    over = next(each for each in scene.told if each.condition == "over-derating")
    assert over.t - hot_t < 75 * SECOND


def test_a_connection_that_breaks_every_45_s_does_not_put_off_silence_for_ever(
    scene: Scene,
) -> None:
    there = {name: value for name, value in WELL.items() if name != "nas_fan"}
    for _ in range(6):
        lost(scene)
        back(scene, 1)
        scene.lives(40 * SECOND, **there)
    assert ("nas-fan", "silent", "normal", "unacknowledged") in moves(scene.told)
    assert {each.subject for each in scene.told} == {"nas-fan"}


def test_a_state_of_before_loads_as_a_connection_that_holds(scene: Scene) -> None:
    saved = json.loads(json.dumps(scene.engine.save()))
    del saved["site"]["connection"], saved["alarms"]["site/session-taken"]
    for sensor in saved["sensors"].values():
        del sensor["counted_ms"]
    scene.engine = Engine(make_config())
    scene.engine.load(saved)
    assert scene.engine.model.site.connection.held
    lost(scene)
    scene.passes(2 * MINUTE)
    assert moves(scene.told) == [RAISED]


# -- one that another client takes -----------------------------------------------------------


def test_a_takeover_that_the_broker_names_is_told_at_once(scene: Scene) -> None:
    lost(scene, "taken")
    assert moves(scene.told) == [TAKEN]
    (told,) = scene.told
    assert told.t == scene.t
    assert told.priority == "high"
    assert f"Another client uses the watch's client ID {ID}" in told.text
    assert "alarms may come late or not at all" in told.text
    assert "its own client_id" in told.response
    assert "bind client IDs to users" in told.response


def test_two_connections_closed_right_after_they_were_made_are_a_takeover(scene: Scene) -> None:
    lost(scene, "closed")
    back(scene, 1)
    scene.passes(1 * SECOND)
    lost(scene, "closed")
    assert scene.told == []
    back(scene, 1)
    scene.passes(2 * SECOND)
    lost(scene, "closed")
    assert moves(scene.told) == [TAKEN]
    assert "Another client seems to use the watch's client ID" in scene.told[0].text


def test_a_broker_that_starts_again_and_again_is_no_takeover(scene: Scene) -> None:
    """In between nobody listens: where another client comes in, the broker never refuses us."""
    lost(scene, "closed")
    for _ in range(3):
        back(scene, 2)
        scene.passes(2 * SECOND)
        lost(scene, "closed")
        lost(scene, reason="nobody listens there")
    assert scene.told == []


def test_a_broker_that_says_why_or_a_way_that_carries_nothing_is_no_takeover(scene: Scene) -> None:
    flap(scene, 4, away_s=1, there_s=5, end="")
    assert scene.told == []


def test_a_takeover_hides_the_lost_broker_and_is_over_after_five_quiet_minutes(
    scene: Scene,
) -> None:
    flap(scene, 20, away_s=5, there_s=5, end="closed")
    assert moves(scene.told) == [TAKEN, ("site", "broker-lost", "normal", "suppressed")]
    last_t = scene.t
    back(scene, 1)
    scene.lives(6 * MINUTE, **WELL)
    assert moves(scene.told)[2:] == [
        ("site", "broker-lost", "suppressed", "normal"),
        ("site", "session-taken", "unacknowledged", "returned"),
    ]
    assert scene.told[-1].t == last_t + 5 * MINUTE


def test_a_broker_that_dies_during_a_takeover_is_told_once_that_explains_it_no_longer(
    scene: Scene,
) -> None:
    lost(scene, "taken")
    last_t = scene.t
    scene.passes(10 * MINUTE)
    assert {(each.condition, each.state, each.t - last_t) for each in scene.told} == {
        ("session-taken", "unacknowledged", 0),
        ("broker-lost", "suppressed", 1 * MINUTE),
        ("session-taken", "returned", 5 * MINUTE),
        ("broker-lost", "unacknowledged", 5 * MINUTE),
    }


def test_a_start_is_no_sign_that_nobody_takes_the_session_any_more(scene: Scene) -> None:
    lost(scene, "taken")
    scene.tell(EntryKind.STOP)
    stopped_t = scene.t
    scene.t += 60 * MINUTE
    scene.tell(EntryKind.START, offset_ms=0, boot_ms=T0 - 3_600_000, ran_until_ms=stopped_t)
    back(scene, 1)
    scene.lives(4 * MINUTE, **WELL)
    assert moves(scene.told) == [TAKEN]
    scene.lives(2 * MINUTE, **WELL)
    assert moves(scene.told)[1:] == [("site", "session-taken", "unacknowledged", "returned")]


def test_a_journal_of_before_tells_of_no_takeover(scene: Scene) -> None:
    """It says nothing of how a connection ended."""
    scene.tell(EntryKind.DISCONNECT, reason="the connection broke")
    for _ in range(4):
        scene.passes(2 * SECOND)
        scene.tell(EntryKind.CONNECT, session_present=True)
        scene.passes(3 * SECOND)
        scene.tell(EntryKind.DISCONNECT, reason="the connection broke")
    scene.passes(1 * SECOND)
    scene.tell(EntryKind.CONNECT, session_present=True)
    scene.lives(10 * MINUTE, **WELL)
    assert scene.told == []
