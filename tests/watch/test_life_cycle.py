"""Every edge of the non-latching part of the alarm state diagram.

States and edges of ISA-18.2 / IEC 62682, from memory: A normal, B unacknowledged, C acknowledged,
D returned to normal unacknowledged, G shelved, H suppressed by design, I out of service.
"""

from typing import Any

import pytest

from cabinetwatch.text import local_time, to_rfc3339
from tests.watch.scene import MINUTE, SECOND, Scene, moves

STATES = {
    "normal": "A",
    "unacknowledged": "B",
    "acknowledged": "C",
    "returned": "D",
    "shelved": "G",
    "suppressed": "H",
    "out-of-service": "I",
}
OVER, RISE = "over-derating", "over-rise"

COOL = {"hall": 20.0, "nas_power": 80.0, "nas_air": 40.0, "nas_fan": 1200.0, "switch_air": 35.0}
HOT = COOL | {"nas_air": 55.0}
RISEN = COOL | {"nas_air": 47.0}
SLOW = COOL | {"nas_fan": 0.0}
SLOW_AND_RISEN = RISEN | {"nas_fan": 0.0}

Step = tuple[float, dict[str, float]] | tuple[str, dict[str, Any]]
"""So many minutes of these values, or a command about the alarm."""
ACK: Step = ("ack", {})
SHELVE: Step = ("shelve", {"for_s": 600.0})
LONGER: Step = ("shelve", {"for_s": 3600.0})
UNSHELVE: Step = ("unshelve", {})
OUT: Step = ("service-out", {"subject": "nas"})
OUT_20: Step = ("service-out", {"subject": "nas", "for_s": 1200.0})
BACK: Step = ("service-in", {"subject": "nas"})


@pytest.fixture
def scene() -> Scene:
    scene = Scene()
    scene.lives(5 * MINUTE, **COOL)
    assert scene.told == []
    return scene


@pytest.fixture
def raised(scene: Scene) -> Scene:
    """over-derating of the NAS stands, unacknowledged."""
    scene.lives(2 * MINUTE, **HOT)
    assert edges(scene, OVER) == "AB"
    return scene


def edges(scene: Scene, condition: str) -> str:
    """Give all moves of an alarm of the NAS so far, by the letters of the diagram."""
    told = [t for t in scene.told if (t.subject, t.condition) == ("nas", condition)]
    return " ".join(STATES[t.previous] + STATES[t.state] for t in told)


def alarm_id(scene: Scene, condition: str = OVER) -> str:
    return scene.engine.alarms[f"nas/{condition}"].id


def order(scene: Scene, command: str, condition: str = OVER, **data: Any) -> str:
    """Order something about the alarm; give the answer."""
    scene.orders(command, **({"id": alarm_id(scene, condition)} | data))
    assert scene.engine.answer is not None
    return scene.engine.answer.text


@pytest.mark.parametrize(
    ("condition", "steps", "expected"),
    [
        pytest.param(OVER, [(2, HOT)], "AB", id="it occurs"),
        pytest.param(OVER, [(5 / 6, HOT), (5, COOL)], "", id="shorter than the on-delay"),
        pytest.param(OVER, [(2, HOT), ACK], "AB BC", id="somebody acknowledges"),
        pytest.param(OVER, [(2, HOT), (2, COOL)], "AB BD", id="returns unacknowledged"),
        pytest.param(OVER, [(2, HOT), ACK, (2, COOL)], "AB BC CA", id="acknowledged, returns"),
        pytest.param(OVER, [(2, HOT), (2, COOL), ACK], "AB BD DA", id="returned, acknowledged"),
        pytest.param(OVER, [(2, HOT), (2, COOL), (2, HOT)], "AB BD DB", id="raised again"),
        pytest.param(OVER, [(2, HOT), SHELVE, (11, HOT)], "AB BG GB", id="shelving runs out"),
        pytest.param(OVER, [(2, HOT), ACK, SHELVE, UNSHELVE], "AB BC CG GC", id="same occurrence"),
        pytest.param(
            OVER,
            [(2, HOT), ACK, LONGER, (3, COOL), (3, HOT), UNSHELVE],
            "AB BC CG GB",
            id="it went and came again unseen",
        ),
        pytest.param(
            OVER, [(2, HOT), (2, COOL), SHELVE, (11, COOL)], "AB BD DG GA", id="returned, shelved"
        ),
        pytest.param(
            OVER, [(2, HOT), SHELVE, (5, COOL), (6, COOL)], "AB BG GA", id="it went while shelved"
        ),
        pytest.param(
            RISE,
            [(2, SLOW), (3, SLOW_AND_RISEN), (30, SLOW)],
            "AH HA",
            id="it comes and goes while suppressed",
        ),
        pytest.param(
            RISE, [(2, SLOW), (3, SLOW_AND_RISEN), (15, RISEN)], "AH HB", id="what hid it goes"
        ),
        pytest.param(
            RISE, [(3, RISEN), (2, SLOW_AND_RISEN)], "AB BH", id="what explains it comes later"
        ),
        pytest.param(
            RISE,
            [(3, RISEN), ACK, (2, SLOW_AND_RISEN), (15, RISEN)],
            "AB BC CH HC",
            id="acknowledged before it was suppressed",
        ),
        pytest.param(
            RISE, [(3, RISEN), (30, COOL), (5, SLOW)], "AB BD", id="a returned one is not hidden"
        ),
        pytest.param(
            RISE,
            [(2, SLOW), (3, SLOW_AND_RISEN), LONGER, UNSHELVE],
            "AH HG GH",
            id="a suppressed one can be shelved",
        ),
        pytest.param(OVER, [OUT, BACK], "AI IA", id="out of service and back"),
        pytest.param(OVER, [(2, HOT), OUT_20, (21, HOT)], "AB BI IB", id="that runs out"),
        pytest.param(OVER, [(2, HOT), ACK, OUT, BACK], "AB BC CI IC", id="acknowledged before"),
        pytest.param(OVER, [(2, HOT), (2, COOL), OUT, BACK], "AB BD DI IA", id="returned before"),
        pytest.param(OVER, [OUT, (5, HOT), BACK], "AI IB", id="it came meanwhile"),
        pytest.param(OVER, [(2, HOT), LONGER, OUT, BACK], "AB BG GI IG", id="before shelved"),
    ],
)
def test_every_edge(scene: Scene, condition: str, steps: list[Step], expected: str) -> None:
    for what, data in steps:
        if isinstance(what, str):
            order(scene, what, condition, **data)
        else:
            scene.lives(round(what * MINUTE), **data)
    assert edges(scene, condition) == expected


def test_it_is_dated_after_its_on_delay(scene: Scene) -> None:
    # The first value after so large a step waits for the second to confirm it.
    (told,) = (t for t in scene.lives(80 * SECOND, **HOT) if t.condition == OVER)
    assert told.values["since"] == "2026-05-28T20:32:00.000Z"
    assert told.t == scene.t


def test_an_occurrence_keeps_its_id_and_a_new_one_has_another(raised: Scene) -> None:
    first = alarm_id(raised)
    raised.lives(2 * MINUTE, **COOL)
    raised.lives(2 * MINUTE, **HOT)
    assert {t.id for t in raised.told if t.condition == OVER} == {first}
    order(raised, "ack")
    raised.lives(2 * MINUTE, **COOL)
    assert alarm_id(raised) == ""
    assert raised.lives(2 * MINUTE, **HOT)[0].id not in {"", first}


def test_shelving_and_a_time_out_of_service_end_to_the_instant(raised: Scene) -> None:
    order(raised, "shelve", for_s=600.0, reason="fan on order")
    assert "fan on order" in raised.told[-1].text
    shelved_t = raised.t
    raised.lives(11 * MINUTE, **HOT)
    assert raised.told[-1].t == shelved_t + 600 * SECOND


def rfc3339_now(scene: Scene) -> str:
    return to_rfc3339(scene.t + scene.engine.offset_ms)


def test_until_an_instant_means_that_instant_however_late_it_is_ordered(raised: Scene) -> None:
    until_t = raised.t + 20 * MINUTE
    until = to_rfc3339(until_t + raised.engine.offset_ms)
    raised.lives(5 * MINUTE, **HOT)
    order(raised, "shelve", until=until)
    raised.lives(16 * MINUTE, **HOT)
    assert [t.t for t in raised.told[-2:]] == [until_t - 15 * MINUTE, until_t]
    said = order(raised, "service-out", subject="nas", until=until)
    clock = local_time(until_t + raised.engine.offset_ms, raised.engine.config.site.timezone)
    assert said == f"This comes too late: {clock} is over."
    assert edges(raised, OVER) == "AB BG GB"


@pytest.mark.parametrize("command", ["ack", "shelve", "unshelve", "service-out", "service-in"])
def test_what_was_to_be_done_by_an_instant_is_not_done_later(raised: Scene, command: str) -> None:
    asked: dict[str, Any] = {"for_s": 600.0, "subject": "nas"}
    undone = {"unshelve": "shelve", "service-in": "service-out"}
    if command in undone:
        order(raised, undone[command], **asked)
    before, late = edges(raised, OVER), rfc3339_now(raised)
    raised.passes(SECOND)
    assert "comes too late" in order(raised, command, **asked, done_by=late)
    assert "is no RFC 3339 time" in order(raised, command, **asked, done_by="soon")
    assert edges(raised, OVER) == before
    order(raised, command, **asked, done_by=rfc3339_now(raised))
    assert edges(raised, OVER) != before


def test_hidden_again_it_is_told_for_how_long_now(raised: Scene) -> None:
    order(raised, "shelve", for_s=600.0)
    order(raised, "shelve", for_s=7200.0)
    assert raised.told[-1].text.startswith("Shelved for 2\N{NO-BREAK SPACE}h")
    assert raised.lives(11 * MINUTE, **HOT) == []
    raised.orders("service-out", subject="nas", for_s=120.0, reason="painting")
    raised.orders("service-out", subject="nas", by="ann")
    assert edges(raised, OVER) == "AB BG GG GI II"
    assert raised.told[-1].text == "Out of service (by ann)."
    assert {t.subject for t in raised.told} == {"nas"}
    assert raised.lives(3 * MINUTE, **HOT) == []


def test_what_turns_high_on_the_shelf_comes_off_it_twelve_hours_later() -> None:
    # As of a condition that chooses its priority at each raise.
    scene = Scene()
    scene.lives(5 * MINUTE, **COOL)
    alarm = scene.engine.alarms["nas/over-derating"]
    scene.lives(2 * MINUTE, **HOT)
    alarm.raised_with, alarm.condition.settings = (
        None,
        alarm.condition.settings.model_copy(update={"priority": "medium"}),
    )
    order(scene, "shelve", for_s=30 * 86_400.0)
    assert edges(scene, OVER) == "AB BG"
    alarm.condition.settings = alarm.condition.settings.model_copy(update={"priority": "high"})
    scene.lives(3 * MINUTE, **COOL)
    scene.lives(2 * MINUTE, **HOT)
    raised_t = alarm.since_t or 0
    assert 0 <= (alarm.shelved_until_t or 0) - raised_t - 43_200 * SECOND <= 2 * MINUTE


def test_what_somebody_else_shelved_is_not_told_as_acknowledged_by_them(raised: Scene) -> None:
    order(raised, "ack", by="ann")
    order(raised, "shelve", for_s=600.0, by="bob", reason="fan on order")
    order(raised, "unshelve")
    assert raised.told[-1].text.startswith("No longer shelved; acknowledged before: NAS: ")


def test_what_acknowledges_only_the_returned_leaves_alone_what_stands(raised: Scene) -> None:
    # The weekly summary acknowledges what it listed as over; by then it may stand again.
    answer = order(raised, "ack-returned")
    assert answer == '"NAS: above its derating threshold" is unacknowledged, not returned.'
    raised.lives(5 * MINUTE, **COOL)
    order(raised, "ack-returned", by="the summary of 2026-W22")
    assert edges(raised, OVER) == "AB BD DA"
    assert raised.told[-1].text.startswith("Acknowledged (by the summary of 2026-W22) after it was")


def test_what_explains_goes_on_explaining_for_a_time_constant_and_no_longer(scene: Scene) -> None:
    scene.lives(2 * MINUTE, **SLOW)
    scene.lives(3 * MINUTE, **SLOW_AND_RISEN)
    told = scene.lives(15 * MINUTE, **RISEN)
    assert moves(told) == [
        ("nas", "fan-slow", "unacknowledged", "returned"),
        ("nas", "over-rise", "suppressed", "unacknowledged"),
    ]
    assert 600 * SECOND <= told[1].t - told[0].t <= 620 * SECOND


def test_what_is_out_of_service_hides_nothing(scene: Scene) -> None:
    scene.lives(2 * MINUTE, **SLOW)
    scene.lives(3 * MINUTE, **SLOW_AND_RISEN)
    alarm = scene.engine.alarms["nas/fan-slow"]
    alarm.take_out(None)
    scene.engine.alarms["nas/over-rise"].refresh_suppression(scene.t)
    assert not scene.engine.alarms["nas/over-rise"].suppressed


@pytest.mark.parametrize(
    ("command", "data", "answer"),
    [
        ("ack", {"id": "nothere"}, "Nothing with the ID 'nothere' is on"),
        ("unshelve", {}, "is not shelved"),
        ("shelve", {"for_s": -1.0}, "-1.0 is no duration in seconds above 0."),
        ("shelve", {"for_s": 43_201.0}, "and can be shelved for 12\N{NO-BREAK SPACE}h at most."),
        ("service-out", {"subject": "fridge"}, "There is no subject 'fridge' with alarms."),
        ("dance", {}, "There is no command 'dance'."),
    ],
)
def test_what_cannot_be_done_is_answered_and_changes_nothing(
    raised: Scene, command: str, data: dict[str, Any], answer: str
) -> None:
    assert answer in order(raised, command, **data)
    assert edges(raised, OVER) == "AB"
    assert raised.engine.answer is not None
    assert not raised.engine.answer.ok


def test_who_did_it_from_where_and_why_stands_in_what_is_told(raised: Scene) -> None:
    said = {"by": "ann@house.example", "address": "192.0.2.7", "reason": "bed"}
    order(raised, "shelve", for_s=600.0, **said)
    told = "Shelved for 10\N{NO-BREAK SPACE}min (by ann@house.example, from 192.0.2.7, bed): "
    assert raised.told[-1].text.startswith(told)


def test_acknowledging_twice_is_answered_and_changes_nothing(raised: Scene) -> None:
    order(raised, "ack")
    assert "nothing to acknowledge" in order(raised, "ack")
    assert edges(raised, OVER) == "AB BC"
