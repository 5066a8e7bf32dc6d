"""The embedded broker does what the demonstration needs of MQTT 3.1.1, the mail drop of SMTP."""

import gc
import queue
import smtplib
import socket
import threading
from email.message import EmailMessage
from pathlib import Path

import paho.mqtt.client as mqtt
import psutil
import pytest
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from cabinetwatch.demo.servers import EmbeddedBroker, MailDrop
from tests.support.leaving import leave
from tests.support.patience import WITHIN_S


class Client:
    """A paho client that is connected when made; what it hears stands in `heard`."""

    def __init__(self, broker: EmbeddedBroker, name: str, *, clean: bool = True) -> None:
        self.heard: queue.Queue[mqtt.MQTTMessage] = queue.Queue()
        self.session_present = False
        self._connected = threading.Event()
        self._subscribed = threading.Event()
        self.paho = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=name,
            clean_session=clean,
            protocol=MQTTProtocolVersion.MQTTv311,
        )
        self.paho.username_pw_set(name)
        self.paho.on_connect = self._on_connect
        self.paho.on_subscribe = lambda *_: self._subscribed.set()
        self.paho.on_message = lambda _client, _data, message: self.heard.put(message)
        self.paho.connect(broker.host, broker.port)
        self.paho.loop_start()
        assert self._connected.wait(WITHIN_S)

    def _on_connect(
        self, client: mqtt.Client, data: object, flags: mqtt.ConnectFlags, *_: object
    ) -> None:
        del client, data
        self.session_present = flags.session_present
        self._connected.set()

    def subscribe(self, topic: str) -> None:
        """Subscribe with QoS 1 and wait for the answer."""
        self.paho.subscribe(topic, qos=1)
        assert self._subscribed.wait(WITHIN_S)

    def publish(self, topic: str, text: str, *, retain: bool = False) -> None:
        """Publish with QoS 1 and wait for the acknowledgement."""
        info = self.paho.publish(topic, text, qos=1, retain=retain)
        info.wait_for_publish(WITHIN_S)
        assert info.is_published()

    def end(self) -> None:
        """Disconnect properly."""
        leave(self.paho)


def test_a_message_of_qos_1_is_acknowledged_and_arrives_with_qos_1() -> None:
    with EmbeddedBroker() as broker:
        reader, writer = Client(broker, "reader"), Client(broker, "writer")
        reader.subscribe("room/+")
        writer.publish("room/a", "21.5")
        message = reader.heard.get(timeout=WITHIN_S)
        reader.end()
        writer.end()

    assert (message.topic, message.payload, message.qos) == ("room/a", b"21.5", 1)
    assert not message.retain


def test_a_retained_message_meets_whoever_subscribes_later() -> None:
    with EmbeddedBroker() as broker:
        writer = Client(broker, "writer")
        writer.publish("watch/state", "on", retain=True)
        reader = Client(broker, "reader")
        reader.subscribe("watch/#")
        message = reader.heard.get(timeout=WITHIN_S)
        reader.end()
        writer.end()

    assert (message.payload, bool(message.retain)) == (b"on", True)


def test_a_persistent_session_gets_what_came_while_it_was_away() -> None:
    with EmbeddedBroker() as broker:
        Client(broker, "other").end()
        away = Client(broker, "reader", clean=False)
        away.subscribe("room/a")
        away.end()
        writer = Client(broker, "writer")
        for number in range(5):
            writer.publish("room/a", str(number))
        back = Client(broker, "reader", clean=False)
        heard = {back.heard.get(timeout=WITHIN_S).payload for _ in range(5)}
        back.end()
        writer.end()

    assert back.session_present
    assert heard == {b"0", b"1", b"2", b"3", b"4"}


def test_a_client_that_asks_for_mqtt_5_is_told_that_it_is_not_spoken_here() -> None:
    told: queue.Queue[str] = queue.Queue()
    with EmbeddedBroker() as broker:
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2, client_id="five", protocol=MQTTProtocolVersion.MQTTv5
        )
        client.on_connect = lambda _c, _d, _f, reason, _p: told.put(str(reason))
        client.connect(broker.host, broker.port)
        client.loop_start()
        answer = told.get(timeout=WITHIN_S)
        leave(client)

    assert answer == "Unsupported protocol version"


def ends_at(port: int) -> list[str]:
    """Where this process has sockets of its own with this port."""
    ours = psutil.Process().net_connections("tcp")
    return [each.laddr.ip for each in ours if each.laddr.port == port]


def test_the_broker_listens_on_loopback_only_and_its_port_is_free_again_afterwards() -> None:
    before = threading.active_count()
    with EmbeddedBroker() as broker:
        assert set(ends_at(broker.port)) == {"127.0.0.1"}
        Client(broker, "left-connected").end()
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection(("127.0.0.1", broker.port), timeout=WITHIN_S)
    assert threading.active_count() == before


@pytest.mark.parametrize("mail", [False, True])
def test_the_end_closes_every_connection_however_new(mail: bool, tmp_path: Path) -> None:
    # The garbage collector would close what was dropped, amid another test.
    gc.disable()
    try:
        with MailDrop(tmp_path) if mail else EmbeddedBroker() as server:
            place = (server.host, server.port)
            clients = [socket.create_connection(place, timeout=WITHIN_S) for _ in range(5)]
        assert ends_at(server.port) == []
    finally:
        gc.enable()
    for client in clients:
        client.close()


def send(drop: MailDrop, subject: str) -> None:
    """Send one mail the way the watch does."""
    message = EmailMessage()
    message["From"] = "watch@house.example"
    message["To"] = "owner@house.example"
    message["Subject"] = subject
    message.set_content("37 \N{DEGREE SIGN}C\n")
    with smtplib.SMTP(drop.host, drop.port, timeout=WITHIN_S) as client:
        client.send_message(message)


def test_each_mail_is_a_file_and_kept_once_its_sender_has_the_confirmation(tmp_path: Path) -> None:
    with MailDrop(tmp_path / "mails") as drop:
        send(drop, "first")
        send(drop, "second")

    assert [mail.path.name for mail in drop.mails] == ["001.eml", "002.eml"]
    assert [mail.message["Subject"] for mail in drop.mails] == ["first", "second"]
    assert b"Subject: first" in (tmp_path / "mails" / "001.eml").read_bytes()


def test_a_folder_that_cannot_be_made_is_an_error_of_the_caller(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(NotADirectoryError), MailDrop(tmp_path / "file" / "mails"):
        pass


def test_the_port_is_closed_and_no_thread_left_afterwards(tmp_path: Path) -> None:
    before = threading.active_count()
    with MailDrop(tmp_path) as drop:
        send(drop, "one")
    assert threading.active_count() == before
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection((drop.host, drop.port), timeout=WITHIN_S)
