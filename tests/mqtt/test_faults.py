"""Brokers that break the rules or know no MQTT 5, byte by byte."""

import random

import pytest

from cabinetwatch.demo.servers import EmbeddedBroker
from tests.mqtt.byte_server import (
    CONNACK_5,
    CONNACK_311,
    CONNACK_311_UNKNOWN_PROTOCOL,
    Peer,
    byte_server,
    packet,
    publish_5,
)
from tests.mqtt.support import Ear, session, wait_subscribed

CONNECT, PUBACK, SUBSCRIBE, DISCONNECT = 0x10, 0x40, 0x80, 0xE0
_LEVEL = 6  # place of the protocol level in the body of CONNECT (3.1.2.2)


def let_in(peer: Peer) -> None:
    """Answer CONNECT as a broker of MQTT 5 without any session."""
    assert peer.receive_kind(CONNECT)[_LEVEL] == 5
    peer.send(CONNACK_5)


def stay(peer: Peer) -> None:
    """Let the client in and answer its subscription until it goes."""
    let_in(peer)
    grant(peer, 1)
    peer.wait_closed()


def grant(peer: Peer, code: int) -> None:
    """Answer one SUBSCRIBE with a reason code (3.9)."""
    body = peer.receive_kind(SUBSCRIBE)
    peer.send(packet(0x90, body[:2] + bytes([0, code])))


def test_a_broker_that_says_it_knows_no_5_gets_3_1_1_at_once() -> None:
    """MQTT 3.1.1, 3.1.2.2: CONNACK with return code 1, then the connection is closed."""

    def refuse(peer: Peer) -> None:
        assert peer.receive_kind(CONNECT)[_LEVEL] == 5
        peer.send(CONNACK_311_UNKNOWN_PROTOCOL)

    def let_in_311(peer: Peer) -> None:
        assert peer.receive_kind(CONNECT)[_LEVEL] == 4
        peer.send(CONNACK_311)
        peer.wait_closed()

    ear = Ear()
    with byte_server(refuse, let_in_311) as port, session(port, [], ear):
        assert ear.wait_up().protocol == "3.1.1"
    # What is set already is no advice.
    assert "it doesn't know MQTT 5; 3.1.1 is tried next" in ear.downs[0].reason


def test_a_broker_that_closes_without_a_word_is_tried_with_3_1_1() -> None:
    def close(peer: Peer) -> None:
        assert peer.receive_kind(CONNECT)[_LEVEL] == 5

    def let_in_311(peer: Peer) -> None:
        assert peer.receive_kind(CONNECT)[_LEVEL] == 4
        peer.send(CONNACK_311)
        peer.wait_closed()

    ear = Ear()
    with byte_server(close, let_in_311) as port, session(port, [], ear):
        assert ear.wait_up().protocol == "3.1.1"
        assert "gave no answer" in ear.downs[0].reason


def test_protocol_5_alone_never_falls_back() -> None:
    def refuse(peer: Peer) -> None:
        assert peer.receive_kind(CONNECT)[_LEVEL] == 5
        peer.send(CONNACK_311_UNKNOWN_PROTOCOL)

    ear = Ear()
    with byte_server(refuse, stay) as port, session(port, ["cabinet/#"], ear, protocol="5"):
        assert 'protocol = "auto"' in ear.wait_down().reason
        assert ear.wait_up().protocol == "5"


def test_works_with_a_broker_that_speaks_only_3_1_1() -> None:
    """The demo's own broker, amqtt, refuses protocol level 5."""
    ear = Ear()
    with (
        EmbeddedBroker() as broker,
        session(broker.port, ["cabinet/#"], ear, username="watch") as made,
    ):
        wait_subscribed(made)
        made.publish("cabinet/air", b"21.5")
        (message,) = ear.wait_messages(1)
        made.ack(message.epoch, message.packet_id)
    assert message.payload == b"21.5"
    assert ear.ups[0].protocol == "3.1.1"


@pytest.mark.parametrize(
    "fault",
    [
        pytest.param(packet(0x32, b"\xff\xff"), id="topic longer than the packet (4.8.1)"),
        pytest.param(bytes([0x30, 0xFF, 0xFF, 0xFF, 0xFF, 0x01]), id="length of 5 bytes (1.5.5)"),
        pytest.param(packet(0x36, b"\0\1a\0\1\0"), id="QoS 3 (3.3.1.2)"),
        pytest.param(packet(0x00, b""), id="reserved packet type 0 (2.1.2)"),
        pytest.param(publish_5(b"cabinet/air", b"21.5", 1)[:-7], id="end in mid-packet"),
        pytest.param(packet(0x32, b"\0\1a\0\1\x02\xfe\0"), id="unknown property (2.2.2.2)"),
        pytest.param(packet(0x90, b"\0"), id="cut SUBACK (3.9)"),
        pytest.param(packet(0x40, b"\0\1\xee"), id="unknown reason code (3.4.2.1)"),
    ],
)
def test_a_broken_packet_costs_the_connection_and_nothing_else(fault: bytes) -> None:
    def break_rules(peer: Peer) -> None:
        let_in(peer)
        grant(peer, 1)
        peer.send(publish_5(b"cabinet/air", b"20.0", 1))
        peer.send(fault)

    def behave(peer: Peer) -> None:
        let_in(peer)
        grant(peer, 1)
        peer.send(publish_5(b"cabinet/air", b"21.0", 1))
        peer.wait_closed()

    ear = Ear()
    with byte_server(break_rules, behave) as port, session(port, ["cabinet/#"], ear) as made:
        assert [message.payload for message in ear.wait_messages(2)] == [b"20.0", b"21.0"]
        assert made.failure is None
    assert len(ear.ups) == 2


def test_random_bytes_never_end_the_network_thread() -> None:
    source = random.Random(8428)

    def babble(peer: Peer) -> None:
        let_in(peer)
        grant(peer, 1)
        peer.send(source.randbytes(400))

    ear = Ear()
    with byte_server(babble, babble, stay) as port, session(port, ["cabinet/#"], ear) as made:
        ear.wait_up(3)
        assert made.failure is None


def test_a_second_connack_counts_for_nothing() -> None:
    """The library's connect callback can come twice; MQTT 5.0, 3.2 allows one CONNACK."""

    def say_twice(peer: Peer) -> None:
        let_in(peer)
        grant(peer, 1)
        peer.send(CONNACK_5)
        peer.send(publish_5(b"cabinet/air", b"20.0", 7))
        assert peer.receive_kind(PUBACK)[:2] == b"\0\7"
        peer.wait_closed()

    ear = Ear()
    with byte_server(say_twice) as port, session(port, ["cabinet/#"], ear) as made:
        (message,) = ear.wait_messages(1)
        made.ack(message.epoch, message.packet_id)
        wait_subscribed(made)
    assert [event.epoch for event in ear.ups] == [1]


def test_acknowledges_in_the_order_of_arrival() -> None:
    """MQTT 5.0, 4.6: PUBACK packets in the order of the PUBLISH packets."""
    order: list[int] = []

    def send_three(peer: Peer) -> None:
        let_in(peer)
        grant(peer, 1)
        for packet_id in (5, 3, 9):
            peer.send(publish_5(b"cabinet/air", b"20.0", packet_id))
        order.extend(peer.receive_kind(PUBACK)[1] for _ in range(3))
        peer.wait_closed()

    ear = Ear()
    with byte_server(send_three) as port, session(port, ["cabinet/#"], ear) as made:
        ear.wait_messages(3)
        for packet_id in (9, 5, 3):
            made.ack(1, packet_id)
    assert order == [5, 3, 9]


def test_a_refused_subscription_is_told(caplog: pytest.LogCaptureFixture) -> None:
    """MQTT 5.0, 3.9.3: SUBACK with Not authorized."""

    def refuse(peer: Peer) -> None:
        let_in(peer)
        grant(peer, 0x87)
        grant(peer, 1)
        peer.wait_closed()

    ear = Ear()
    with byte_server(refuse) as port, session(port, ["hall/air", "cabinet/#"], ear) as made:
        wait_subscribed(made)
        assert made.refusals == {"cabinet/#": "it does not allow it; correct its access list"}
    assert "does not let us read cabinet/#" in caplog.text


def test_a_broker_that_keeps_less_than_was_asked_for_is_told(
    caplog: pytest.LogCaptureFixture,
) -> None:
    """MQTT 5.0, 3.2.2.3.2 (Session Expiry Interval) and 3.9.3 (granted QoS 0)."""

    def give_less(peer: Peer) -> None:
        peer.receive_kind(CONNECT)
        peer.send(packet(0x20, bytes([0, 0, 5, 0x11]) + (3600).to_bytes(4)))
        grant(peer, 0)
        peer.wait_closed()

    with byte_server(give_less) as port, session(port, ["cabinet/#"], Ear()) as made:
        wait_subscribed(made)
    assert "keeps messages for us for 3600 s only" in caplog.text
    assert "gives cabinet/# at QoS 0 only" in caplog.text


def test_a_topic_that_is_not_utf_8_is_acknowledged_and_left_out(
    caplog: pytest.LogCaptureFixture,
) -> None:
    """MQTT 5.0, 1.5.4 forbids it; it must not stop what comes behind it."""

    def send_bad_topic(peer: Peer) -> None:
        let_in(peer)
        grant(peer, 1)
        peer.send(publish_5(b"cabinet/\xff", b"20.0", 1))
        peer.send(publish_5(b"cabinet/air", b"21.0", 2))
        assert peer.receive_kind(PUBACK)[1] == 1
        assert peer.receive_kind(PUBACK)[1] == 2
        peer.wait_closed()

    ear = Ear()
    with byte_server(send_bad_topic) as port, session(port, ["cabinet/#"], ear) as made:
        (message,) = ear.wait_messages(1)
        made.ack(message.epoch, message.packet_id)
        wait_subscribed(made)
    assert message.payload == b"21.0"
    assert "its topic is not UTF-8" in caplog.text


def test_the_reason_in_a_broker_s_disconnect_is_told() -> None:
    """MQTT 5.0, 3.14.2.1: 0x8E, Session taken over."""

    def push_off(peer: Peer) -> None:
        let_in(peer)
        peer.send(packet(0xE0, bytes([0x8E, 0])))

    ear = Ear()
    with byte_server(push_off, stay) as port, session(port, ["cabinet/#"], ear):
        assert "another client has taken over our client_id" in ear.wait_down().reason
        assert ear.wait_down().end == "taken"
        ear.wait_up(2)


def test_the_connect_packet_asks_for_what_the_watch_needs() -> None:
    """MQTT 5.0, 3.1.2.11: Session Expiry 0xFFFFFFFF, Receive Maximum; 3.1.2.4: Clean Start 0."""
    seen: list[bytes] = []

    def look(peer: Peer) -> None:
        seen.append(peer.receive_kind(CONNECT))
        peer.send(CONNACK_5)
        peer.wait_closed()

    ear = Ear()
    for clean in (False, True):
        with byte_server(look) as port, session(port, [], ear, clean=clean):
            ear.wait_up(1 + clean)
    kept, clean_one = seen
    assert kept[7] & 0x02 == 0
    assert b"\x11\xff\xff\xff\xff" in kept
    assert b"\x21" + (4000).to_bytes(2) in kept
    assert clean_one[7] & 0x02
    assert b"\x11\xff\xff\xff\xff" not in clean_one
