"""The broker's configuration and access list of deploy/mosquitto, in a real Mosquitto."""

import re
import subprocess
import threading
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import pytest
from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.reasoncodes import ReasonCode

from tests.service.site import Site
from tests.service.watching import running
from tests.support.broker import Broker, find_program
from tests.support.leaving import leave
from tests.support.patience import WITHIN_S
from tests.support.ports import free_port

FOLDER = Path(__file__).parents[2] / "deploy" / "mosquitto"
NODES = ("hall-node", "nas-node")
USERS = ("watch", "operator", "guard", "reader", *NODES)
TOPICS = (
    "house/hall-node/temperature",
    "house/nas-node/fan/speed",
    "house/watch/temperature",
    "cabinetwatch/watch",
    "cabinetwatch/device/nas",
    "cabinetwatch/alarm/nas/over-rise",
    "cabinetwatch/incident/w8xg8hen",
    "cabinetwatch/command",
    "elsewhere",
    "$CONTROL/dynamic-security/v1",
)
OWN = {"watch": {"house/watch/temperature", *TOPICS[3:7]}, "operator": {"cabinetwatch/command"}}
OWN |= {"hall-node": {TOPICS[0]}, "nas-node": {TOPICS[1]}, "guard": set(), "reader": set()}
HALL_LIMIT = """
[sensors.hall]
topic = "house/hall-node/temperature"
quantity = "temperature"
low = 5.0

[alarms.low]
hold_h = 0
on_delay_s = 0
"""


class OursBroker(Broker):
    """Mosquitto with the configuration of deploy/, but for the ports and the folders.

    `port` is that of the watch and of people.
    """

    def __init__(self, directory: Path) -> None:
        super().__init__(directory)
        self.node_port = free_port()

    def port_of(self, user: str) -> int:
        """Where a user comes in."""
        return self.node_port if user in NODES else self.port

    def _write_passwords(self, name: str, users: Sequence[str]) -> Path:
        passwords = self.directory / name
        passwords.write_text("".join(f"{user}:{user}-secret\n" for user in users))
        passwords.chmod(0o600)
        subprocess.run([find_program("mosquitto_passwd"), "-U", str(passwords)], check=True)
        return passwords

    def _write_config(self) -> Path:
        path = super()._write_config()
        passwords = self._write_passwords("passwords", USERS)
        access = self.directory / "access"
        access.write_text((FOLDER / "cabinetwatch.acl").read_text())
        access.chmod(0o600)
        ours = (FOLDER / "cabinetwatch.conf").read_text()
        ours = ours.replace("listener 1883", f"listener {self.node_port} {self.host}")
        ours = ours.replace("listener 1884", f"listener {self.port} {self.host}")
        ours = ours.replace("/etc/mosquitto/cabinetwatch.passwords", str(passwords))
        ours = ours.replace("/etc/mosquitto/cabinetwatch.acl", str(access))
        own = [line for line in path.read_text().splitlines() if _is_the_tests(line)]
        path.write_text("\n".join(own) + "\n" + ours)
        return path


def _is_the_tests(line: str) -> bool:
    return line.startswith(("user ", "persistence_location ", "log_"))


@pytest.fixture
def ours(tmp_path: Path) -> Iterator[OursBroker]:
    broker = OursBroker(tmp_path / "ours")
    broker.start()
    yield broker
    broker.stop()


class Visitor:
    """A client of MQTT 5 under a user's name, which learns what the broker refuses it."""

    def __init__(
        self, broker: OursBroker, user: str, password: str | None = None, *, client_id: str = ""
    ) -> None:
        self._answers: dict[int, ReasonCode] = {}
        self._changed = threading.Condition()
        self.heard: set[str] = set()
        self.code: ReasonCode | None = None
        self._client = Client(
            CallbackAPIVersion.VERSION2,
            client_id=client_id or user,
            protocol=MQTTProtocolVersion.MQTTv5,
        )
        self._client.username_pw_set(user, password or f"{user}-secret")
        self._client.on_connect = lambda _c, _u, _f, code, _p: self._note(code)
        self._client.on_publish = lambda _c, _u, mid, code, _p: self._answer(mid, code)
        self._client.on_subscribe = lambda _c, _u, mid, codes, _p: self._answer(mid, codes[0])
        self._client.on_message = self._on_message
        self._client.connect(broker.host, broker.port_of(user))
        self._client.loop_start()
        self._wait(lambda: self.code is not None)

    def may_publish(self, topic: str) -> bool:
        """Whether the broker takes a message on a topic."""
        return not self._asked(self._client.publish(topic, "1", 1).mid).is_failure

    def subscribe(self, topic_filter: str) -> None:
        """Subscribe; Mosquitto grants more than it will deliver."""
        _, mid = self._client.subscribe(topic_filter, 1)
        assert mid is not None
        self._asked(mid)

    @property
    def connected(self) -> bool:
        """Whether the broker still has it."""
        return self._client.is_connected()

    def close(self) -> None:
        leave(self._client)

    def wait_heard(self, topic: str) -> None:
        self._wait(lambda: topic in self.heard)

    def _asked(self, mid: int) -> ReasonCode:
        self._wait(lambda: mid in self._answers)
        return self._answers[mid]

    def _wait(self, holds: Callable[[], bool]) -> None:
        with self._changed:
            assert self._changed.wait_for(holds, WITHIN_S)

    def _note(self, code: ReasonCode) -> None:
        with self._changed:
            self.code = code
            self._changed.notify_all()

    def _answer(self, mid: int, code: ReasonCode) -> None:
        with self._changed:
            self._answers[mid] = code
            self._changed.notify_all()

    def _on_message(self, _client: Client, _userdata: object, message: MQTTMessage) -> None:
        with self._changed:
            self.heard.add(message.topic)
            self._changed.notify_all()


def publishes(broker: OursBroker, user: str, topic: str) -> bool:
    """Let a user publish on a topic, and say whether the broker took it.

    In a connection of its own: Mosquitto 2.0.11 closes one of MQTT 5 after a refusal.
    """
    visitor = Visitor(broker, user)
    taken = visitor.may_publish(topic)
    visitor.close()
    return taken


@pytest.mark.parametrize("user", USERS)
def test_everybody_may_publish_on_their_own_topics_and_nothing_else(
    user: str, ours: OursBroker
) -> None:
    assert {topic for topic in TOPICS if publishes(ours, user, topic)} == OWN[user]


def test_a_command_of_anybody_but_the_operator_reaches_nobody(ours: OursBroker) -> None:
    reader = Visitor(ours, "reader")
    reader.subscribe("cabinetwatch/#")
    for user in USERS:
        if user not in {"operator", "reader"}:
            publishes(ours, user, "cabinetwatch/command")
    assert publishes(ours, "watch", "cabinetwatch/watch")
    reader.wait_heard("cabinetwatch/watch")
    assert "cabinetwatch/command" not in reader.heard
    assert publishes(ours, "operator", "cabinetwatch/command")
    reader.wait_heard("cabinetwatch/command")
    reader.close()


def test_a_sensor_node_reads_nothing_and_the_guard_the_heartbeat_alone(ours: OursBroker) -> None:
    node, guard, watch = (Visitor(ours, user) for user in ("hall-node", "guard", "watch"))
    for each in (node, guard, watch):
        each.subscribe("#")
    watch.subscribe("house/#")
    nas = Visitor(ours, "nas-node")
    assert nas.may_publish("house/nas-node/fan/speed")
    assert watch.may_publish("cabinetwatch/device/nas")
    assert watch.may_publish("cabinetwatch/watch")
    guard.subscribe("cabinetwatch/watch")
    watch.wait_heard("house/nas-node/fan/speed")
    watch.wait_heard("cabinetwatch/device/nas")
    assert watch.may_publish("cabinetwatch/watch")
    guard.wait_heard("cabinetwatch/watch")
    assert guard.heard == {"cabinetwatch/watch"}
    assert node.heard == set()
    for each in (node, guard, watch, nas):
        each.close()


@pytest.mark.parametrize(("user", "password"), [("watch", "wrong"), ("stranger", "x")])
def test_nobody_gets_in_without_the_right_password(
    user: str, password: str, ours: OursBroker
) -> None:
    visitor = Visitor(ours, user, password)
    assert visitor.code is not None
    assert visitor.code.is_failure
    visitor.close()


def test_the_broker_keeps_far_more_than_a_thousand_messages_for_a_watch_that_is_away(
    ours: OursBroker,
) -> None:
    came: list[int] = []
    done = threading.Event()

    def client(clean: bool) -> Client:
        made = Client(
            CallbackAPIVersion.VERSION2,
            client_id="away",
            clean_session=clean,
            protocol=MQTTProtocolVersion.MQTTv311,
        )
        made.username_pw_set("watch", "watch-secret")
        return made

    away = client(clean=False)
    subscribed = threading.Event()
    away.on_connect = lambda c, *_: c.subscribe("house/#", 1)
    away.on_subscribe = lambda *_: subscribed.set()
    away.connect(ours.host, ours.port)
    away.loop_start()
    assert subscribed.wait(WITHIN_S)
    away.disconnect()
    away.loop_stop()
    # It also remembers over a restart who may read what.
    ours.restart()

    node = Client(CallbackAPIVersion.VERSION2, client_id="hall-node")
    node.username_pw_set("hall-node", "hall-node-secret")
    node.max_inflight_messages_set(1000)
    node.connect(ours.host, ours.node_port)
    node.loop_start()
    for number in range(5000):
        last = node.publish("house/hall-node/temperature", str(number), 1)
    last.wait_for_publish(WITHIN_S)
    node.disconnect()
    node.loop_stop()

    back = client(clean=False)

    def take(_client: Client, _userdata: object, message: MQTTMessage) -> None:
        came.append(int(message.payload))
        if len(came) == 5000:
            done.set()

    back.on_message = take
    back.connect(ours.host, ours.port)
    back.loop_start()
    assert done.wait(WITHIN_S)
    back.disconnect()
    back.loop_stop()
    assert came == list(range(5000))


def test_a_node_that_takes_the_watch_s_client_id_does_not_send_it_away(ours: OursBroker) -> None:
    """Mosquitto replaces a node's client ID by its name (mosquitto.conf(5))."""
    watch = Visitor(ours, "watch", client_id="cabinetwatch0x5m3k1q9ab")
    watch.subscribe("house/#")
    node = Visitor(ours, "hall-node", client_id="cabinetwatch0x5m3k1q9ab")
    assert node.may_publish("house/hall-node/temperature")
    watch.wait_heard("house/hall-node/temperature")
    assert watch.connected
    assert "already connected" not in ours.log
    for each in (watch, node):
        each.close()


def test_nothing_is_set_with_which_some_brokers_keep_nothing_for_who_is_away() -> None:
    """Mosquitto 2.0.21 keeps nothing then; the test above shows it only where that one runs."""
    settings = (FOLDER / "cabinetwatch.conf").read_text()
    assert not re.search(r"^per_listener_settings", settings, re.MULTILINE)


def test_the_access_list_names_every_user_that_the_instructions_do() -> None:
    listed = set(re.findall(r"^user (\S+)$", (FOLDER / "cabinetwatch.acl").read_text(), re.M))
    instructed = set(
        re.findall(r"mosquitto_passwd \S+ (\S+)$", (FOLDER / "users.md").read_text(), re.M)
    )
    assert instructed - {"hall-node"} <= listed


def test_the_watch_itself_is_refused_nothing_on_this_broker(
    ours: OursBroker, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("CABINETWATCH_MQTT_PASSWORD", "watch-secret")
    site = Site(tmp_path / "site", ours.port, commands=True, tables=HALL_LIMIT)
    path = site.write()
    text = path.read_text().replace("[mqtt]", '[mqtt]\nusername = "watch"')
    path.write_text(text)
    reader = Visitor(ours, "reader")
    reader.subscribe("cabinetwatch/#")
    with running(path) as watch:
        reader.wait_heard("cabinetwatch/watch")
        assert publishes(ours, "hall-node", "house/hall-node/temperature")
        reader.wait_heard("cabinetwatch/alarm/hall/low")
        assert watch.stop() == 0
    reader.close()
    assert "does not let us read" not in watch.log
    assert "Denied" not in ours.log
