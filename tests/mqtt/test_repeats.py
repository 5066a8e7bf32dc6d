"""Repeats after a reconnect: DUP, a resumed session, and equal identifier, topic and payload."""

from typing import Any

import pytest

from cabinetwatch.mqtt.backlog import Repeats, identify
from cabinetwatch.mqtt.link import Incoming


def message(**fields: Any) -> Incoming:
    usual = Incoming(2, 7, "cabinet/air", b"21.5", 1, True, False, 1000, True)
    return usual._replace(**fields)


def remembering(*messages: Incoming) -> Repeats:
    return Repeats(identify(one) for one in messages)


def test_knows_a_message_that_was_taken() -> None:
    assert remembering(message(epoch=1, dup=False)).is_repeat(message())


@pytest.mark.parametrize(
    "change",
    [
        {"dup": False},
        {"resumed": False},
        {"packet_id": 8},
        {"topic": "cabinet/fan"},
        {"payload": b"21.6"},
        {"qos": 0},
    ],
)
def test_anything_else_is_a_new_message(change: dict[str, Any]) -> None:
    """MQTT 5.0, 3.3.1.1: DUP alone proves nothing."""
    assert not remembering(message()).is_repeat(message(**change))


def test_topic_and_payload_are_not_mistaken_for_each_other() -> None:
    taken = remembering(message(topic="cabinet/a", payload=b"b"))
    assert not taken.is_repeat(message(topic="cabinet/", payload=b"ab"))


def test_forgets_with_the_session() -> None:
    repeats = remembering(message())
    repeats.connected(session_present=True, receive_maximum=100)
    assert repeats.is_repeat(message())
    repeats.connected(session_present=False, receive_maximum=100)
    assert not repeats.is_repeat(message())


def test_remembers_one_window() -> None:
    repeats = Repeats()
    repeats.connected(session_present=True, receive_maximum=3)
    for packet_id in (1, 2, 3, 4):
        repeats.take(identify(message(packet_id=packet_id)))
    known = [n for n in range(1, 5) if repeats.is_repeat(message(packet_id=n))]
    assert known == [2, 3, 4]


def test_an_identifier_used_again_stands_for_the_later_message() -> None:
    repeats = remembering(message(payload=b"1"), message(payload=b"2"))
    assert not repeats.is_repeat(message(payload=b"1"))
    assert repeats.is_repeat(message(payload=b"2"))


def test_an_identifier_that_comes_round_again_does_not_meet_its_own_last_use() -> None:
    # A sensor whose value never changes, and a broker that counts its identifiers round.
    repeats = Repeats(identify(message(packet_id=number)) for number in range(1, 32_769))
    repeats.connected(session_present=True, receive_maximum=None)

    assert not repeats.is_repeat(message(packet_id=1))
    assert repeats.is_repeat(message(packet_id=2))


def test_what_a_narrower_window_forgot_stays_forgotten_in_a_wider_one() -> None:
    repeats = Repeats(identify(message(packet_id=number)) for number in range(1, 101))
    repeats.connected(session_present=True, receive_maximum=10)
    repeats.connected(session_present=True, receive_maximum=None)

    assert not repeats.is_repeat(message(packet_id=90))
    assert repeats.is_repeat(message(packet_id=91))
