"""Every edge of the non-latching part of the alarm state diagram.

States and edges of ISA-18.2 / IEC 62682, from memory: A normal, B unacknowledged, C acknowledged,
D returned to normal unacknowledged, G shelved, H suppressed by design, I out of service.
"""

import pytest

from cabinetwatch.watch.events import Transition
from tests.watch.scene import MINUTE, SECOND, Scene, moves

OVER = "over-derating"
HOT = {"hall": 20.0, "nas_power": 80.0, "nas_air": 55.0, "nas_fan": 1200.0, "switch_air": 35.0}
COOL = HOT | {"nas_air": 40.0}
SLOW = HOT | {"nas_air": 40.0, "nas_fan": 0.0}
SLOW_AND_RISEN = HOT | {"nas_air": 47.0, "nas_fan": 0.0}
RISEN = HOT | {"nas_air": 47.0}


def of(told: list[Transition], condition: str) -> list[tuple[str, str]]:
    """Give previous and new state of one condition's transitions."""
    return [(t.previous.value, t.state.value) for t in told if t.condition == condition]


@pytest.fixture
def scene() -> Scene:
    scene = Scene()
    scene.lives(5 * MINUTE, **COOL)
    assert scene.told == []
    return scene


@pytest.fixture
def raised(scene: Scene) -> Scene:
    """over-derating of the NAS stands, unacknowledged."""
    assert of(scene.lives(2 * MINUTE, **HOT), OVER) == [("normal", "unacknowledged")]
    return scene


def alarm_id(scene: Scene, condition: str = OVER) -> str:
    return scene.engine.alarms[f"nas/{condition}"].id


def test_a_to_b_an_alarm_occurs_after_its_on_delay(scene: Scene) -> None:
    # The first value after so large a step waits for the second to confirm it.
    told = scene.lives(80 * SECOND, **HOT)
    assert of(told, OVER) == [("normal", "unacknowledged")]
    assert told[0].values["since"] == "2026-05-28T20:32:00.000Z"
    assert told[0].t == scene.t - 80 * SECOND + 20 * SECOND + 60 * SECOND


def test_a_to_a_a_condition_shorter_than_the_on_delay_raises_nothing(scene: Scene) -> None:
    assert scene.lives(50 * SECOND, **HOT) == []
    assert scene.lives(5 * MINUTE, **COOL) == []


def test_what_acknowledges_only_the_returned_leaves_alone_what_stands(raised: Scene) -> None:
    # The weekly summary acknowledges what it listed as over; by then it may stand again.
    assert raised.orders("ack-returned", id=alarm_id(raised)) == []
    assert raised.engine.answer is not None
    assert raised.engine.answer.text == "over-derating of NAS is unacknowledged and not returned."
    raised.lives(5 * MINUTE, **COOL)
    told = raised.orders("ack-returned", id=alarm_id(raised), by="the summary of 2026-W22")
    assert of(told, OVER) == [("returned", "normal")]
    assert told[0].text.startswith("Acknowledged (by the summary of 2026-W22) after it had")


def test_b_to_c_somebody_acknowledges(raised: Scene) -> None:
    assert of(raised.orders("ack", id=alarm_id(raised)), OVER) == [
        ("unacknowledged", "acknowledged")
    ]


def test_b_to_d_it_returns_unacknowledged(raised: Scene) -> None:
    occurrence = alarm_id(raised)
    told = raised.lives(2 * MINUTE, **COOL)
    assert of(told, OVER) == [("unacknowledged", "returned")]
    assert told[0].id == occurrence


def test_c_to_a_an_acknowledged_alarm_returns_to_normal(raised: Scene) -> None:
    raised.orders("ack", id=alarm_id(raised))
    assert of(raised.lives(2 * MINUTE, **COOL), OVER) == [("acknowledged", "normal")]


def test_d_to_a_a_returned_alarm_is_acknowledged(raised: Scene) -> None:
    raised.lives(2 * MINUTE, **COOL)
    assert of(raised.orders("ack", id=alarm_id(raised)), OVER) == [("returned", "normal")]


def test_d_to_b_a_returned_alarm_is_raised_again_under_its_id(raised: Scene) -> None:
    occurrence = alarm_id(raised)
    raised.lives(2 * MINUTE, **COOL)
    told = raised.lives(2 * MINUTE, **HOT)
    assert of(told, OVER) == [("returned", "unacknowledged")]
    assert told[0].id == occurrence


def test_a_new_occurrence_has_a_new_id(raised: Scene) -> None:
    first = alarm_id(raised)
    raised.orders("ack", id=first)
    raised.lives(2 * MINUTE, **COOL)
    assert alarm_id(raised) == ""
    told = raised.lives(2 * MINUTE, **HOT)
    assert told[0].id not in {"", first}


def test_b_to_g_and_back_to_b_shelving_runs_out_while_it_stands(raised: Scene) -> None:
    told = raised.orders("shelve", id=alarm_id(raised), for_s=600.0, reason="fan on order")
    assert of(told, OVER) == [("unacknowledged", "shelved")]
    assert "fan on order" in told[0].text
    shelved_t = raised.t
    told = raised.lives(11 * MINUTE, **HOT)
    assert of(told, OVER) == [("shelved", "unacknowledged")]
    assert told[0].t == shelved_t + 600 * SECOND


def test_c_to_g_and_back_to_c_the_same_occurrence_stays_acknowledged(raised: Scene) -> None:
    raised.orders("ack", id=alarm_id(raised), by="ann")
    raised.orders("shelve", id=alarm_id(raised), for_s=600.0, by="bob", reason="fan on order")
    told = raised.orders("unshelve", id=alarm_id(raised))
    assert of(told, OVER) == [("shelved", "acknowledged")]
    # Not as acknowledged by whoever shelved it.
    assert told[0].text.startswith("No longer shelved; acknowledged before: NAS: ")


def test_shelved_again_it_is_told_for_how_long_now(raised: Scene) -> None:
    raised.orders("shelve", id=alarm_id(raised), for_s=600.0)
    told = raised.orders("shelve", id=alarm_id(raised), for_s=7200.0)
    assert of(told, OVER) == [("shelved", "shelved")]
    assert told[0].text.startswith("Shelved for 2 h")
    assert raised.lives(11 * MINUTE, **HOT) == []


def test_taken_out_again_it_is_told_for_how_long_now(raised: Scene) -> None:
    raised.orders("service-out", subject="nas", for_s=120.0, reason="painting")
    told = raised.orders("service-out", subject="nas", by="ann")
    assert of(told, OVER) == [("out-of-service", "out-of-service")]
    assert told[0].text == "Taken out of service (by ann)."
    assert raised.lives(3 * MINUTE, **HOT) == []


def test_c_to_g_then_to_b_when_it_went_and_came_again_unseen(raised: Scene) -> None:
    raised.orders("ack", id=alarm_id(raised))
    raised.orders("shelve", id=alarm_id(raised), for_s=3600.0)
    assert of(raised.lives(3 * MINUTE, **COOL), OVER) == []
    assert of(raised.lives(3 * MINUTE, **HOT), OVER) == []
    told = raised.orders("unshelve", id=alarm_id(raised))
    assert of(told, OVER) == [("shelved", "unacknowledged")]


def test_d_to_g_to_a_a_returned_alarm_can_be_shelved(raised: Scene) -> None:
    raised.lives(2 * MINUTE, **COOL)
    told = raised.orders("shelve", id=alarm_id(raised), for_s=600.0)
    assert of(told, OVER) == [("returned", "shelved")]
    assert of(raised.lives(11 * MINUTE, **COOL), OVER) == [("shelved", "normal")]


def test_g_to_a_it_went_while_shelved(raised: Scene) -> None:
    raised.orders("shelve", id=alarm_id(raised), for_s=600.0)
    assert of(raised.lives(5 * MINUTE, **COOL), OVER) == []
    assert of(raised.lives(6 * MINUTE, **COOL), OVER) == [("shelved", "normal")]


def test_a_to_h_to_a_it_comes_and_goes_while_suppressed(scene: Scene) -> None:
    assert moves(scene.lives(2 * MINUTE, **SLOW)) == [
        ("nas", "fan-slow", "normal", "unacknowledged")
    ]
    assert of(scene.lives(3 * MINUTE, **SLOW_AND_RISEN), "over-rise") == [("normal", "suppressed")]
    assert of(scene.lives(30 * MINUTE, **SLOW), "over-rise") == [("suppressed", "normal")]


def test_h_to_b_what_hid_it_goes_while_it_stands(scene: Scene) -> None:
    scene.lives(2 * MINUTE, **SLOW)
    scene.lives(3 * MINUTE, **SLOW_AND_RISEN)
    told = scene.lives(2 * MINUTE, **RISEN)
    assert moves(told) == [
        ("nas", "fan-slow", "unacknowledged", "returned"),
        ("nas", "over-rise", "suppressed", "unacknowledged"),
    ]
    assert told[0].t == told[1].t


def test_b_to_h_something_that_explains_it_is_raised_later(scene: Scene) -> None:
    assert of(scene.lives(3 * MINUTE, **RISEN), "over-rise") == [("normal", "unacknowledged")]
    assert moves(scene.lives(2 * MINUTE, **SLOW_AND_RISEN)) == [
        ("nas", "fan-slow", "normal", "unacknowledged"),
        ("nas", "over-rise", "unacknowledged", "suppressed"),
    ]


def test_c_to_h_and_back_to_c(scene: Scene) -> None:
    scene.lives(3 * MINUTE, **RISEN)
    scene.orders("ack", id=alarm_id(scene, "over-rise"))
    told = scene.lives(2 * MINUTE, **SLOW_AND_RISEN)
    assert of(told, "over-rise") == [("acknowledged", "suppressed")]
    told = scene.lives(2 * MINUTE, **RISEN)
    assert of(told, "over-rise") == [("suppressed", "acknowledged")]


def test_d_stays_d_a_returned_alarm_need_not_be_hidden(scene: Scene) -> None:
    scene.lives(3 * MINUTE, **RISEN)
    scene.lives(30 * MINUTE, **COOL)
    assert of(scene.lives(5 * MINUTE, **SLOW), "over-rise") == []
    assert scene.engine.alarms["nas/over-rise"].state == "returned"


def test_a_to_i_to_a_a_subject_goes_out_of_service_and_back(scene: Scene) -> None:
    told = scene.orders("service-out", subject="nas", reason="spring cleaning")
    assert of(told, OVER) == [("normal", "out-of-service")]
    assert {t.subject for t in told} == {"nas"}
    assert of(scene.orders("service-in", subject="nas"), OVER) == [("out-of-service", "normal")]


def test_b_to_i_to_b_a_time_out_of_service_runs_out_while_it_stands(raised: Scene) -> None:
    told = raised.orders("service-out", subject="nas", for_s=1200.0)
    assert of(told, OVER) == [("unacknowledged", "out-of-service")]
    told = raised.lives(21 * MINUTE, **HOT)
    assert of(told, OVER) == [("out-of-service", "unacknowledged")]


def test_c_to_i_to_c(raised: Scene) -> None:
    raised.orders("ack", id=alarm_id(raised))
    told = raised.orders("service-out", subject="nas")
    assert of(told, OVER) == [("acknowledged", "out-of-service")]
    told = raised.orders("service-in", subject="nas")
    assert of(told, OVER) == [("out-of-service", "acknowledged")]


def test_d_to_i_to_a(raised: Scene) -> None:
    raised.lives(2 * MINUTE, **COOL)
    assert of(raised.orders("service-out", subject="nas"), OVER) == [("returned", "out-of-service")]
    assert of(raised.orders("service-in", subject="nas"), OVER) == [("out-of-service", "normal")]


def test_i_to_b_a_condition_that_came_while_out_of_service_is_raised(scene: Scene) -> None:
    scene.orders("service-out", subject="nas")
    assert scene.lives(5 * MINUTE, **HOT) == []
    assert of(scene.orders("service-in", subject="nas"), OVER) == [
        ("out-of-service", "unacknowledged")
    ]


def test_g_to_i_out_of_service_goes_before_shelved(raised: Scene) -> None:
    raised.orders("shelve", id=alarm_id(raised), for_s=3600.0)
    told = raised.orders("service-out", subject="nas")
    assert of(told, OVER) == [("shelved", "out-of-service")]
    told = raised.orders("service-in", subject="nas")
    assert of(told, OVER) == [("out-of-service", "shelved")]


def test_h_to_g_and_back_a_suppressed_alarm_can_be_shelved(scene: Scene) -> None:
    scene.lives(2 * MINUTE, **SLOW)
    scene.lives(3 * MINUTE, **SLOW_AND_RISEN)
    told = scene.orders("shelve", id=alarm_id(scene, "over-rise"), for_s=3600.0)
    assert of(told, "over-rise") == [("suppressed", "shelved")]
    told = scene.orders("unshelve", id=alarm_id(scene, "over-rise"))
    assert of(told, "over-rise") == [("shelved", "suppressed")]


def test_what_is_out_of_service_hides_nothing(scene: Scene) -> None:
    scene.lives(2 * MINUTE, **SLOW)
    scene.lives(3 * MINUTE, **SLOW_AND_RISEN)
    alarm = scene.engine.alarms["nas/fan-slow"]
    alarm.take_out(None)
    scene.engine.alarms["nas/over-rise"].refresh_suppression()
    assert not scene.engine.alarms["nas/over-rise"].suppressed


@pytest.mark.parametrize(
    ("command", "data", "answer"),
    [
        ("ack", {"id": "nothere"}, "There is no standing alarm with the ID 'nothere'."),
        ("unshelve", {}, "is not shelved"),
        ("service-out", {"subject": "fridge"}, "There is no subject 'fridge' with alarms."),
        ("dance", {}, "There is no command 'dance'."),
    ],
)
def test_what_cannot_be_done_is_answered_and_changes_nothing(
    raised: Scene, command: str, data: dict[str, str], answer: str
) -> None:
    assert raised.orders(command, **({"id": alarm_id(raised)} | data)) == []
    assert raised.engine.answer is not None
    assert not raised.engine.answer.ok
    assert answer in raised.engine.answer.text


def test_acknowledging_twice_is_answered_and_changes_nothing(raised: Scene) -> None:
    raised.orders("ack", id=alarm_id(raised))
    assert raised.orders("ack", id=alarm_id(raised)) == []
    assert raised.engine.answer is not None
    assert "nothing to acknowledge" in raised.engine.answer.text
