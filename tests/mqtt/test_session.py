"""The session against a real broker: what it keeps, what it acknowledges, how it comes back."""

import socket
import threading
from pathlib import Path

import pytest

from cabinetwatch.mqtt import link
from cabinetwatch.mqtt.backlog import Backlog, Released, Repeats, identify
from cabinetwatch.mqtt.connection import Connection, Publication
from cabinetwatch.mqtt.link import Incoming, Will
from cabinetwatch.mqtt.session import MqttSession
from cabinetwatch.watch.events import Quality, Reading
from tests.mqtt.byte_server import Peer, byte_server, packet
from tests.mqtt.support import Ear, flushed, publisher, session, wait_subscribed
from tests.support.broker import Broker, BrokerFactory
from tests.support.patience import WITHIN_S


def acknowledging(ear: Ear, made: MqttSession) -> None:
    """Acknowledge everything from now on, and what has come already."""
    ear.on_message = lambda message: made.ack(message.epoch, message.packet_id)
    for message in list(ear.messages):
        made.ack(message.epoch, message.packet_id)


def kept_session(broker: Broker) -> None:
    """Let the broker know the session, with its subscription, and go away again."""
    ear = Ear()
    with session(broker.port, ["cabinet/#"], ear) as made:
        wait_subscribed(made)


def test_speaks_3_1_1_when_told_to(broker: Broker) -> None:
    ear = Ear()
    with session(broker.port, ["cabinet/#"], ear, protocol="3.1.1") as made:
        up = ear.wait_up()
        wait_subscribed(made)
        with publisher(broker.port) as publish:
            publish("cabinet/air", "21.5")
        (message,) = ear.wait_messages(1)
    assert (up.protocol, up.receive_maximum) == ("3.1.1", None)
    assert message.payload == b"21.5"


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_the_broker_keeps_what_comes_while_we_are_away(broker: Broker, protocol: str) -> None:
    """MQTT 5.0, 3.1.2.11.2: Session Expiry Interval 0xFFFFFFFF; 3.1.1, 3.1.2.4: Clean Session 0."""
    with session(broker.port, ["cabinet/#"], Ear(), protocol=protocol) as made:
        wait_subscribed(made)
    with publisher(broker.port) as publish:
        for number in range(30):
            publish("cabinet/air", str(number))
    ear = Ear()
    with session(broker.port, ["cabinet/#"], ear, protocol=protocol) as made:
        acknowledging(ear, made)
        messages = ear.wait_messages(30)
    assert [int(message.payload) for message in messages] == list(range(30))
    assert all(message.resumed for message in messages)
    assert ear.ups[0].session_present


def test_asks_for_its_receive_maximum_and_gets_it(broker: Broker) -> None:
    """MQTT 5.0, 3.1.2.11.3: no more than Receive Maximum come unacknowledged."""
    broker.config_lines.append("max_queued_messages 0")
    broker.restart()
    kept_session(broker)
    beyond = 25
    with publisher(broker.port) as publish:
        for number in range(link.RECEIVE_MAXIMUM + beyond - 1):
            publish("cabinet/air", str(number))
        publish("cabinet/air", "last")
    ear = Ear()
    with session(broker.port, ["cabinet/#"], ear) as made:
        ear.wait_messages(link.RECEIVE_MAXIMUM)
        # A confirmed publication of ours has gone through the broker behind what it would send.
        confirmed = threading.Event()
        made.publish("elsewhere", b"", on_done=lambda _: confirmed.set())
        assert confirmed.wait(WITHIN_S)
        assert len(ear.messages) == link.RECEIVE_MAXIMUM
        acknowledging(ear, made)
        assert ear.wait_messages(link.RECEIVE_MAXIMUM + beyond)[-1].payload == b"last"
        assert ear.messages[-1].stalled_ms >= ear.messages[link.RECEIVE_MAXIMUM - 1].stalled_ms


def test_acknowledges_only_when_told_to_and_a_repeat_is_known_again(broker: Broker) -> None:
    """MQTT 5.0, 4.4: what was not acknowledged comes again, with DUP and the same identifier."""
    kept_session(broker)
    with publisher(broker.port) as publish:
        publish("cabinet/air", "20.0")
        publish("cabinet/air", "21.0")
    first_ear, repeats = Ear(), Repeats()
    with session(broker.port, ["cabinet/#"], first_ear) as made:
        first, second = first_ear.wait_messages(2)
        for message in (first, second):
            assert not repeats.is_repeat(message)
            repeats.take(identify(message))
        made.ack(first.epoch, first.packet_id)
    second_ear = Ear()
    with session(broker.port, ["cabinet/#"], second_ear) as made:
        (again,) = second_ear.wait_messages(1)
        assert (again.packet_id, again.payload, again.dup) == (second.packet_id, b"21.0", True)
        assert repeats.is_repeat(again)
        made.ack(again.epoch, again.packet_id)
    third_ear = Ear()
    with session(broker.port, ["cabinet/#"], third_ear), publisher(broker.port) as publish:
        third_ear.wait_up()
        publish("cabinet/air", "22.0")
        assert third_ear.wait_messages(1)[0].payload == b"22.0"
        assert not repeats.is_repeat(third_ear.messages[0])


def test_drops_an_acknowledgement_from_before_a_reconnect(broker: Broker) -> None:
    ear = Ear()
    with session(broker.port, ["cabinet/#"], ear) as made, publisher(broker.port) as publish:
        wait_subscribed(made)
        publish("cabinet/air", "20.0")
        (first,) = ear.wait_messages(1)
        _take_over(broker)
        ear.wait_up(2)
        (_, again) = ear.wait_messages(2)
        assert (again.epoch, again.packet_id) == (first.epoch + 1, first.packet_id)
        made.ack(first.epoch, first.packet_id)
        _take_over(broker)
        assert ear.wait_messages(3)[2].payload == b"20.0"


def _take_over(broker: Broker) -> None:
    """Push the session off its connection: the same client id connects (MQTT 5.0, 3.1.4)."""
    ear = Ear()
    with session(broker.port, [], ear):
        ear.wait_up()


def test_loses_nothing_over_a_restart_of_the_broker(broker: Broker) -> None:
    """The broker is stopped and started again while messages come and go unacknowledged."""
    ear = Ear()
    with session(broker.port, ["cabinet/#"], ear) as made:
        wait_subscribed(made)
        with publisher(broker.port) as publish:
            for number in range(50):
                publish("cabinet/air", str(number))
        before = ear.wait_messages(50)
        for message in before[:20]:
            made.ack(message.epoch, message.packet_id)
        flushed(made)
        broker.stop()
        ear.wait_down()
        broker.start()
        assert ear.wait_up(2).session_present
        again = ear.wait_messages(80)[50:]
    assert [int(message.payload) for message in again] == list(range(20, 50))
    assert all(message.dup for message in again)


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_what_waited_at_the_broker_is_told_as_backlog(broker: Broker, protocol: str) -> None:
    """Also in 3.1.1, where the broker sends 20 and waits for acknowledgements."""
    with session(broker.port, ["cabinet/#"], Ear(), protocol=protocol) as made:
        wait_subscribed(made)
    with publisher(broker.port) as publish:
        for number in range(100):
            publish("cabinet/air", str(number))
    # A tenth of the interval is more than a busy machine leaves between two messages.
    backlog, ear = Backlog({"air": 1200.0}), Ear()
    readings: list[Reading] = []

    def tell(released: Released) -> None:
        readings.extend(released.readings)
        for message in released.messages:
            made.ack(message.epoch, message.packet_id)

    with session(broker.port, ["cabinet/#"], ear, protocol=protocol) as made:
        up = ear.wait_up()
        window = up.receive_maximum or link.WINDOW_WITHOUT_MAXIMUM
        tell(backlog.connected(up.t, session_present=up.session_present, window=window))
        for place in range(100):
            message = ear.wait_messages(place + 1)[place]
            tell(backlog.take(message, [("air", float(message.payload))]))
        tell(backlog.disconnected())
    assert [reading.value for reading in readings] == [float(number) for number in range(100)]
    assert {reading.quality for reading in readings} == {Quality.BACKLOG}


def test_starts_with_the_broker_away(broker: Broker) -> None:
    broker.stop()
    ear = Ear()
    with session(broker.port, ["cabinet/#"], ear) as made:
        down = ear.wait_down()
        assert "nobody listens there" in down.reason
        assert not made.connected
        broker.start()
        ear.wait_up()
        assert made.connected
    assert made.failure is None


def test_subscribes_again_when_the_broker_has_forgotten_us(
    broker: Broker, caplog: pytest.LogCaptureFixture
) -> None:
    ear = Ear()
    with session(broker.port, ["cabinet/#"], ear) as made:
        wait_subscribed(made)
        broker.stop()
        ear.wait_down()
        (broker.directory / "mosquitto.db").unlink()
        broker.start()
        assert "has forgotten our session" not in caplog.text
        assert not ear.wait_up(2).session_present
        wait_subscribed(made)
        assert "has forgotten our session" in caplog.text
        with publisher(broker.port) as publish:
            publish("cabinet/air", "21.5")
        assert ear.wait_messages(1)[0].payload == b"21.5"


def test_it_is_not_subscribed_before_it_has_asked_in_this_connection(
    broker: Broker, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another thread may look at any instant, so at this one too."""
    seen: list[tuple[bool, bool]] = []
    subscribe = Connection._subscribe

    def look_first(connection: Connection) -> None:
        seen.append((connection.up, connection.subscribed))
        subscribe(connection)

    monkeypatch.setattr(Connection, "_subscribe", look_first)
    ear = Ear()
    with session(broker.port, ["cabinet/#"], ear) as made:
        wait_subscribed(made)
        broker.restart()
        ear.wait_up(2)
        wait_subscribed(made)
    assert seen == [(True, False), (True, False)]


def test_a_retained_message_at_subscription_is_marked(broker: Broker) -> None:
    """MQTT 5.0, 3.3.1.3."""
    with publisher(broker.port) as publish:
        publish("cabinet/air", "19.0", retain=True)
    ear = Ear()
    with session(broker.port, ["cabinet/#"], ear) as made, publisher(broker.port) as publish:
        (old,) = ear.wait_messages(1)
        wait_subscribed(made)
        publish("cabinet/air", "20.0", retain=True)
        live = ear.wait_messages(2)[1]
    assert (old.retain, live.retain) == (True, False)


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_overlapping_filters_bring_no_message_twice(broker: Broker, protocol: str) -> None:
    """MQTT 5.0, 3.3.4: a broker may send one copy for each filter that matches."""
    ear = Ear()
    filters = ["cabinet/+/air", "cabinet/nas/+", "cabinet/nas/air", "cabinet/nas/#"]
    with session(broker.port, filters, ear, protocol=protocol) as made:
        wait_subscribed(made)
        with publisher(broker.port) as publish:
            publish("cabinet/nas/air", "1")
            publish("cabinet/nas/fan", "2")
            publish("cabinet/switch/air", "3")
            publish("cabinet/nas", "4")
        ear.wait_messages(4)
        flushed(made)
    assert [message.payload for message in ear.messages] == [b"1", b"2", b"3", b"4"]


def test_filters_of_an_earlier_configuration_are_taken_back(broker: Broker) -> None:
    with session(broker.port, ["cabinet/#", "hall/air"], Ear()) as made:
        wait_subscribed(made)
    ear = Ear()
    with session(broker.port, ["cabinet/nas/air"], ear, forget=["cabinet/#", "hall/air"]) as made:
        wait_subscribed(made)
        flushed(made)
        with publisher(broker.port) as publish:
            publish("hall/air", "1")
            publish("cabinet/nas/air", "2")
            publish("cabinet/nas/air", "3")
        ear.wait_messages(2)
        flushed(made)
    assert [message.payload for message in ear.messages] == [b"2", b"3"]


def test_the_will_is_published_when_we_vanish_and_not_when_we_leave(broker: Broker) -> None:
    """MQTT 5.0, 3.1.2.5."""
    will = Will("cabinetwatch/watch", lambda: b'{"online": false}')
    ear = Ear()
    with session(broker.port, ["cabinetwatch/#"], ear, client_id="listener") as listener:
        wait_subscribed(listener)
        watch_ear = Ear()
        with session(broker.port, [], watch_ear, will=will) as made:
            watch_ear.wait_up()
            line = made._connection.socket
            assert line is not None
            line.shutdown(socket.SHUT_RDWR)
            (message,) = ear.wait_messages(1)
            assert (message.topic, message.payload) == (will.topic, will.payload())
            watch_ear.wait_up(2)
        flushed(listener)
    assert len(ear.messages) == 1
    late_ear = Ear()
    with session(broker.port, ["cabinetwatch/#"], late_ear, client_id="late"):
        assert late_ear.wait_messages(1)[0].retain


def test_tells_whether_a_publication_was_confirmed(broker: Broker) -> None:
    ear, answers = Ear(), list[bool]()
    answered = threading.Semaphore(0)

    def answer(confirmed: bool) -> None:
        answers.append(confirmed)
        answered.release()

    with session(broker.port, [], ear) as made:
        ear.wait_up()
        made.publish("cabinetwatch/watch", b"{}", retain=True, on_done=answer)
        assert answered.acquire(timeout=WITHIN_S)
        made.publish("cabinetwatch/watch", b"{}", qos=0, on_done=answer)
        assert answered.acquire(timeout=WITHIN_S)
        broker.stop()
        ear.wait_down()
        made.publish("cabinetwatch/watch", b"{}", on_done=answer)
        assert answered.acquire(timeout=WITHIN_S)
    assert answers == [True, True, False]


def test_a_publication_that_finds_the_connection_broken_ends_that_and_nothing_else(
    broker: Broker, monkeypatch: pytest.MonkeyPatch
) -> None:
    publish = Connection.publish

    def broken(self: Connection, publication: Publication) -> None:
        monkeypatch.undo()
        assert self.socket is not None
        # What is sent now fails at once, before anybody has looked whether the peer is gone.
        self.socket.shutdown(socket.SHUT_RDWR)
        publish(self, publication)

    ear = Ear()
    with session(broker.port, ["cabinet/#"], ear) as made:
        ear.wait_up()
        monkeypatch.setattr(Connection, "publish", broken)
        made.publish("elsewhere", b"")
        ear.wait_down()
        ear.wait_up(2)
        assert made.failure is None


def test_a_publication_that_the_access_list_forbids_is_not_confirmed(
    mosquitto: BrokerFactory, tmp_path: Path
) -> None:
    """MQTT 5.0, 3.4.2.1: PUBACK with Not authorized."""
    access = tmp_path / "access"
    access.write_text("topic readwrite cabinet/#\n")
    broker = mosquitto(config_lines=[f"acl_file {access}"])
    ear, answers, answered = Ear(), list[bool](), threading.Event()

    def answer(confirmed: bool) -> None:
        answers.append(confirmed)
        answered.set()

    with session(broker.port, [], ear) as made:
        ear.wait_up()
        made.publish("elsewhere", b"", on_done=answer)
        assert answered.wait(WITHIN_S)
    assert answers == [False]


def test_an_exception_out_of_the_receiver_is_kept_and_the_thread_is_seen_to_be_dead(
    broker: Broker, caplog: pytest.LogCaptureFixture
) -> None:
    ear = Ear()
    with session(broker.port, ["cabinet/#"], ear) as made:
        wait_subscribed(made)

        answers: list[bool] = []

        def fail(_message: Incoming) -> None:
            # Sent and not confirmed when the thread ends, and not even sent.
            made._connection.publications.wait(60_000, answers.append)
            made.publish("cabinetwatch/watch", b"", on_done=answers.append)
            raise RuntimeError("a fault of the receiver")

        ear.on_message = fail
        with publisher(broker.port) as publish:
            publish("cabinet/air", "21.5")
        made._thread.join(WITHIN_S)
        assert isinstance(made.failure, RuntimeError)
        assert not made.connected
        assert answers == [False, False]
    assert "the network thread has ended" in caplog.text


def test_stopping_without_a_broker_is_quick_and_tells_who_waits(broker: Broker) -> None:
    broker.stop()
    ear, answers = Ear(), list[bool]()
    with session(broker.port, [], ear) as made:
        ear.wait_down()
        made.publish("cabinetwatch/watch", b"", on_done=answers.append)
    assert answers == [False]
    made.publish("cabinetwatch/watch", b"", on_done=answers.append)
    assert answers == [False, False]


def test_a_frozen_broker_is_noticed_by_the_keepalive(
    broker: Broker, monkeypatch: pytest.MonkeyPatch
) -> None:
    """MQTT 5.0, 3.1.2.10: no PINGRESP in time closes the connection."""
    monkeypatch.setattr(link, "KEEPALIVE_S", 1)
    ear = Ear()
    with session(broker.port, [], ear):
        ear.wait_up()
        broker.freeze()
        assert "is lost" in ear.wait_down().reason
        broker.thaw()
        ear.wait_up(2)


def test_a_receiver_that_is_full_leaves_the_rest_with_the_broker_and_loses_nothing(
    mosquitto: BrokerFactory, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Over several keepalives of pause, pings and publications go on and the connection stands."""
    broker = mosquitto(config_lines=["max_queued_messages 0"])
    monkeypatch.setattr(link, "KEEPALIVE_S", 1)
    ear, full, payload = Ear(), threading.Event(), b"x" * 20_000
    full.set()
    with session(broker.port, ["cabinet/#"], ear, full=full.is_set) as made:
        wait_subscribed(made)
        acknowledging(ear, made)
        with publisher(broker.port) as publish:
            for number in range(300):
                publish(f"cabinet/{number}", payload)
        for _ in range(4):
            # One message in each third of a keepalive.
            ear.wait_messages(len(ear.messages) + 3)
        assert len(ear.messages) < 100
        assert broker.log.count("Received PINGREQ from cabinetwatch") >= 1
        made.publish("cabinetwatch/watch", b"")
        full.clear()
        messages = ear.wait_messages(300)
    assert [message.topic for message in messages] == [f"cabinet/{n}" for n in range(300)]
    assert not ear.downs
    assert not any(message.dup for message in messages)
    assert messages[-1].stalled_ms > 1000


def test_what_the_broker_finds_too_large_is_not_sent(
    mosquitto: BrokerFactory, caplog: pytest.LogCaptureFixture
) -> None:
    """MQTT 5.0, 3.2.2.3.6: the client must not send packets beyond Maximum Packet Size."""
    broker = mosquitto(config_lines=["max_packet_size 300"])
    ear, answers = Ear(), list[bool]()
    with session(broker.port, [], ear) as made:
        ear.wait_up()
        for qos in (0, 1):
            made.publish("cabinetwatch/device/nas", b"x" * 300, qos=qos, on_done=answers.append)
        # To the byte: fixed header 3, topic 2 + 23, packet identifier 2, properties 1.
        made.publish("cabinetwatch/device/nas", b"x" * 269, on_done=answers.append)
        made.publish("cabinetwatch/device/nas", b"x" * 270, on_done=answers.append)
        flushed(made)
    assert sorted(answers) == [False, False, False, True]
    assert not ear.downs
    told = [each.getMessage() for each in caplog.records if "not published" in each.getMessage()]
    assert len(told) == 1
    assert "cabinetwatch/device/nas" in told[0]
    assert "allows 300" in told[0]


def test_no_more_is_unconfirmed_than_the_broker_takes() -> None:
    """MQTT 5.0, 3.2.2.3.3 and 4.9: the server's Receive Maximum."""
    unconfirmed: list[int] = []
    answered = threading.Event()
    answers: list[bool] = []

    def serve(peer: Peer) -> None:
        peer.receive_kind(0x10)
        peer.send(packet(0x20, bytes([0, 0, 3, 0x21, 0, 2])))  # CONNACK, Receive Maximum 2
        waiting: list[bytes] = []
        marked = False
        while True:
            received = peer.receive()
            if received is None or received[0] & 0xF0 == 0xE0:
                return
            first, body = received
            if first & 0xF6 == 0x30:  # PUBLISH at QoS 0, sent after all others were asked for
                unconfirmed.append(len(waiting))
                marked = True
            elif first & 0xF0 == 0x30:
                topic_bytes = int.from_bytes(body[:2])
                waiting.append(body[2 + topic_bytes : 4 + topic_bytes])
                unconfirmed.append(len(waiting))
            if marked and waiting:
                peer.send(packet(0x40, waiting.pop(0)))

    def answer(confirmed: bool) -> None:
        answers.append(confirmed)
        if len(answers) == 6:
            answered.set()

    with byte_server(serve) as port:
        ear = Ear()
        with session(port, [], ear) as made:
            ear.wait_up()
            for number in range(6):
                made.publish(f"cabinetwatch/alarm/{number}", b"{}", on_done=answer)
            made.publish("cabinetwatch/watch", b"{}", qos=0)
            assert answered.wait(WITHIN_S)
    assert answers == [True] * 6
    assert max(unconfirmed) == 2
