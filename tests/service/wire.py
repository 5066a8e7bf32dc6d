"""A client of the broker that publishes what sensors would and keeps what the watch publishes."""

import json
import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any, NamedTuple

from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from tests.service.site import NAS
from tests.support.leaving import leave
from tests.support.patience import WITHIN_S


class Message(NamedTuple):
    """Something the watch published. `retain`: the broker's copy from before we listened."""

    topic: str
    payload: bytes
    retain: bool

    @property
    def data(self) -> dict[str, Any]:
        """The payload as a JSON object; an empty payload as an empty one."""
        data: dict[str, Any] = json.loads(self.payload) if self.payload else {}
        return data


class Wire:
    """The test's end of the broker."""

    def __init__(
        self,
        port: int,
        prefix: str = "cabinetwatch",
        username: str | None = None,
        session: str = "",
        password: str | None = None,
    ) -> None:
        """Connect; with the name of a session the broker keeps what comes while it is away."""
        self._prefix = prefix
        self.messages: list[Message] = []
        self._changed = threading.Condition()
        self._subscribed = threading.Event()
        self._client = Client(
            CallbackAPIVersion.VERSION2,
            session,
            clean_session=not session,
            protocol=MQTTProtocolVersion.MQTTv311,
        )
        self._client.max_inflight_messages_set(1000)
        self._client.on_connect = lambda client, *_: client.subscribe(f"{prefix}/#", 1)
        self._client.on_subscribe = lambda *_: self._subscribed.set()
        self._client.on_message = self._on_message
        self._client.on_socket_open = _send_at_once
        if username is not None:
            self._client.username_pw_set(username, password)
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        if not self._subscribed.wait(WITHIN_S):
            raise TimeoutError("the broker never answered the subscription")

    def close(self) -> None:
        """Leave the broker."""
        leave(self._client)

    def publish(self, topic: str, payload: str | bytes, *, retain: bool = False) -> None:
        """Publish at QoS 1 and return once the broker has taken it."""
        self._client.publish(topic, payload, 1, retain).wait_for_publish(WITHIN_S)

    def send(self, topic: str, payload: str | bytes) -> Callable[[], None]:
        """Publish at QoS 1 without waiting; call the result to wait for the broker's word."""
        sent = self._client.publish(topic, payload, 1)
        return lambda: sent.wait_for_publish(WITHIN_S)

    def wait_for(self, wanted: Callable[[Message], bool], what: str, *, after: int = 0) -> Message:
        """Wait for a message, among those from number `after` on, and give the first such."""

        def first() -> Message | None:
            return next((each for each in self.messages[after:] if wanted(each)), None)

        with self._changed:
            self._changed.wait_for(lambda: first() is not None, WITHIN_S)
            found = first()
        if found is None:
            came = [(each.topic, each.payload[:120]) for each in self.messages[-10:]]
            raise TimeoutError(f"waited for {what}; last came {came}")
        return found

    def wait_online(self, *, after: int = 0) -> Message:
        """Wait until the watch says that it is online: then it has subscribed, too."""
        return self.wait_for(
            lambda each: each.topic == f"{self._prefix}/watch" and each.data["online"],
            "the watch to be online",
            after=after,
        )

    def wait_offline(self, *, after: int = 0) -> Message:
        """Wait until somebody says that the watch is gone."""
        return self.wait_for(
            lambda each: each.topic == f"{self._prefix}/watch" and not each.data["online"],
            "the watch to be offline",
            after=after,
        )

    def wait_transition(
        self, subject: str, condition: str, state: str, *, after: int = 0
    ) -> dict[str, Any]:
        """Wait for a transition of an alarm to a state and give it."""
        topic = f"{self._prefix}/alarm/{subject}/{condition}"
        return self.wait_for(
            lambda each: each.topic == topic and each.data.get("state") == state,
            f"{subject}/{condition} to be {state}",
            after=after,
        ).data

    def heat_nas(self) -> dict[str, Any]:
        """Tell once that the NAS of `CABINET` is too hot, and give its alarm."""
        heard = len(self.messages)
        self.publish(NAS, "55")
        return self.wait_transition("nas", "over-derating", "unacknowledged", after=heard)

    def publish_until(
        self, topic: str, payload: str, subject: str, condition: str, state: str, *, after: int = 0
    ) -> dict[str, Any]:
        """Publish until an alarm has moved to a state, and give that transition.

        What comes right after a reconnect is not judged, so that once may not be enough.
        """
        name = f"{self._prefix}/alarm/{subject}/{condition}"

        def moved() -> Message | None:
            mine = (each for each in self.messages[after:] if each.topic == name)
            return next((each for each in mine if each.data.get("state") == state), None)

        for _ in range(round(WITHIN_S / 0.25)):
            self.publish(topic, payload)
            with self._changed:
                if self._changed.wait_for(moved, 0.25) and (found := moved()):
                    return found.data
        raise TimeoutError(f"{subject}/{condition} was never {state}")

    def transitions(self, *, after: int = 0, copies: bool = True) -> list[dict[str, Any]]:
        """All transitions that came, in their order; `copies`: also the broker's of old ones."""
        start = f"{self._prefix}/alarm/"
        return [
            each.data
            for each in self.messages[after:]
            if each.topic.startswith(start) and (copies or not each.retain)
        ]

    def mark(self) -> int:
        """Wait for all that the broker has taken so far; give how many messages came by then."""
        topic = f"{self._prefix}/test-marker"
        before = len(self.messages)
        self.publish(topic, str(before))
        self.wait_for(
            lambda each: each.topic == topic and each.payload == str(before).encode(),
            "the marker to come back",
            after=before,
        )
        return len(self.messages)

    def _on_message(self, _client: Client, _userdata: object, message: MQTTMessage) -> None:
        with self._changed:
            self.messages.append(Message(message.topic, bytes(message.payload), message.retain))
            self._changed.notify_all()


def _send_at_once(_client: Client, _userdata: object, sock: object) -> None:
    assert isinstance(sock, socket.socket)
    sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)


@contextmanager
def wire(
    port: int, username: str | None = None, session: str = "", password: str | None = None
) -> Iterator[Wire]:
    """A connected client, closed at the end."""
    made = Wire(port, username=username, session=session, password=password)
    try:
        yield made
    finally:
        made.close()


def retained(port: int) -> dict[str, Message]:
    """Give what the broker keeps under the watch's prefix now, by topic."""
    with wire(port) as reader:
        reader.mark()
        return {each.topic: each for each in reader.messages if each.retain}
