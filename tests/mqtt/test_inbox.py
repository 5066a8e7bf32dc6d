"""What waits for the watch: bounded, in turns, in order where order counts."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

import pytest

from cabinetwatch.mqtt import backlog as inbox
from cabinetwatch.mqtt.backlog import Inbox, Refused
from cabinetwatch.mqtt.link import Incoming


class News(NamedTuple):
    """Keeps its place among the messages."""

    number: int


class Word(NamedTuple):
    """Is taken before them."""

    number: int


@dataclass
class Hand:
    """A clock that a test sets."""

    now_s: float = 100.0

    def monotonic(self) -> float:
        return self.now_s


@pytest.fixture
def hand(monkeypatch: pytest.MonkeyPatch) -> Hand:
    made = Hand()
    monkeypatch.setattr(inbox, "time", made)
    monkeypatch.setattr(inbox, "MOST_BYTES", 10_000)
    return made


def by_topic() -> "Inbox[News | Word]":
    return Inbox(lambda message: message.topic, last=(News,))


def message(topic: str, payload: bytes = b"1", packet_id: int = 0) -> Incoming:
    return Incoming(1, packet_id, topic, payload, 1, False, False, 0, False)


def taken(box: "Inbox[News | Word]") -> Iterator[Incoming | Refused | News | Word]:
    while (item := box.take(0.0)) is not None:
        yield item


def test_queues_take_turns_and_keep_their_order() -> None:
    box = by_topic()
    for number in range(4):
        box.put(message("flood", packet_id=number))
    box.put(message("nas", packet_id=10))
    box.put(message("nas", packet_id=11))
    order = [(each.topic, each.packet_id) for each in taken(box) if isinstance(each, Incoming)]
    assert order == [
        ("flood", 0),
        ("nas", 10),
        ("flood", 1),
        ("nas", 11),
        ("flood", 2),
        ("flood", 3),
    ]


def test_news_of_the_connection_keeps_its_place_and_a_command_does_not_wait() -> None:
    box = by_topic()
    before, after = message("a"), message("b")
    box.put(before)
    box.put(News(1))
    box.put(after)
    box.put(News(2))
    box.put(Word(1))
    assert list(taken(box)) == [before, News(1), after, News(2), Word(1)]
    box.put(before)
    box.put(Word(2))
    box.put(after)
    assert list(taken(box)) == [Word(2), before, after]


def test_is_full_until_half_of_it_is_taken(hand: Hand) -> None:
    box = by_topic()
    for _ in range(10):
        box.put(message("a", b"x" * 1000))
    assert box.full
    assert [box.full for _ in range(9) if box.take(0.0)] == [True] * 5 + [False] * 4


def test_nothing_is_refused_of_what_is_through_soon(hand: Hand) -> None:
    box = by_topic()
    for _ in range(3):
        for _ in range(20):
            box.put(message("a", b"x" * 1000))
        assert box.full
        hand.now_s += 0.9 * inbox.PRESSED_S
        assert len([each for each in taken(box) if isinstance(each, Incoming)]) == 20


def test_a_queue_that_goes_on_flooding_loses_what_is_beyond_its_share_and_no_other_does(
    hand: Hand,
) -> None:
    box = by_topic()
    for _ in range(10):
        box.put(message("flood", b"x" * 1000))
    assert isinstance(box.take(0.0), Incoming)
    assert box.full
    hand.now_s += inbox.PRESSED_S
    for number in range(5):
        box.put(message("flood", b"x" * 1000))
        box.put(message("nas", packet_id=number))
    rest = list(taken(box))
    assert [each.message.topic for each in rest if isinstance(each, Refused)] == ["flood"] * 5
    messages = [each for each in rest if isinstance(each, Incoming)]
    assert len([each for each in messages if each.topic == "flood"]) == 9
    assert [each.packet_id for each in messages if each.topic == "nas"] == [0, 1, 2, 3, 4]
    # To be empty for a moment is not to be over.
    assert not box.full
    for _ in range(8):
        box.put(message("flood", b"x" * 1000))
    assert any(isinstance(each, Refused) for each in list(taken(box)))
    # What comes after a rest is no flood until it shows to be one.
    hand.now_s += inbox.PRESSED_S
    assert box.take(0.0) is None
    for _ in range(8):
        box.put(message("flood", b"x" * 1000))
    assert all(isinstance(each, Incoming) for each in taken(box))


def test_without_queues_nothing_is_ever_refused(hand: Hand) -> None:
    box: Inbox[News] = Inbox()
    for _ in range(20):
        box.put(message("a", b"x" * 1000))
        assert box.full == (box._bytes_in > 10_000)
        hand.now_s += inbox.PRESSED_S
    assert sum(isinstance(box.take(0.0), Incoming) for _ in range(20)) == 20
