"""What the tests of the intake share: a session that keeps what it is told, and a publisher."""

import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from pydantic import SecretStr

from cabinetwatch.clock import SystemClock, WatchTime
from cabinetwatch.config.model import Sensor
from cabinetwatch.config.services import Mqtt
from cabinetwatch.mqtt.link import ConnectionEvent, Incoming
from cabinetwatch.mqtt.session import MqttSession
from tests.support.patience import WITHIN_S


class Ear:
    """Keeps what a session delivers, and waits for it. `on_message` may do something at once."""

    def __init__(self) -> None:
        self.messages: list[Incoming] = []
        self.events: list[ConnectionEvent] = []
        self.on_message: Callable[[Incoming], None] = lambda _: None
        self._changed = threading.Condition()

    def __call__(self, item: Incoming | ConnectionEvent) -> None:
        with self._changed:
            if isinstance(item, Incoming):
                self.messages.append(item)
            else:
                self.events.append(item)
            self._changed.notify_all()
        if isinstance(item, Incoming):
            self.on_message(item)

    def wait(self, condition: Callable[[], bool], what: str = "") -> None:
        """Wait until a condition on what was delivered holds."""
        with self._changed:
            if not self._changed.wait_for(condition, WITHIN_S):
                raise TimeoutError(
                    f"{what}: {len(self.messages)} messages came, and of the connection:"
                    f" {[event.reason for event in self.events]}"
                )

    def wait_messages(self, count: int) -> list[Incoming]:
        """Wait for so many messages and give them all."""
        self.wait(lambda: len(self.messages) >= count, f"waited for {count} messages")
        return list(self.messages)

    def wait_up(self, times: int = 1) -> ConnectionEvent:
        """Wait until the connection came up for the nth time."""
        self.wait(lambda: len(self.ups) >= times, f"waited for connection {times}")
        return self.ups[times - 1]

    def wait_down(self, times: int = 1) -> ConnectionEvent:
        """Wait until a loss or a failed attempt was told for the nth time."""
        self.wait(lambda: len(self.downs) >= times, f"waited for loss {times}")
        return self.downs[times - 1]

    @property
    def ups(self) -> list[ConnectionEvent]:
        """The events that told of a connection."""
        return [event for event in self.events if event.up]

    @property
    def downs(self) -> list[ConnectionEvent]:
        """The events that told of none."""
        return [event for event in self.events if not event.up]


@contextmanager
def session(
    port: int, filters: Sequence[str], ear: Callable[[Any], None], **options: Any
) -> Iterator[MqttSession]:
    """A started session with the broker on a port; options of the session and of [mqtt]."""
    keys = Mqtt.model_fields.keys() & options.keys() - {"client_id"}
    settings = Mqtt(port=port, **{key: options.pop(key) for key in keys})
    secret: SecretStr | None = options.pop("secret", None)
    options.setdefault("client_id", "cabinetwatch")
    made = MqttSession(
        settings, secret, filters, watch=WatchTime(SystemClock()), deliver=ear, **options
    )
    made.start()
    try:
        yield made
    finally:
        assert made.stop(WITHIN_S), "the network thread did not end"


def wait_subscribed(made: MqttSession) -> None:
    """Wait until the broker has answered every subscription."""
    pause = threading.Event()
    until = time.monotonic() + WITHIN_S
    while not made.subscribed:
        if time.monotonic() > until:
            raise TimeoutError("the broker never answered the subscriptions")
        pause.wait(0.01)


@contextmanager
def publisher(port: int, **options: Any) -> Iterator[Callable[..., None]]:
    """A client of its own; gives `publish(topic, payload, qos=1, retain=False)`, confirmed."""
    client = Client(
        CallbackAPIVersion.VERSION2, protocol=options.get("protocol", MQTTProtocolVersion.MQTTv311)
    )
    client.connect("127.0.0.1", port)
    client.loop_start()

    def publish(topic: str, payload: str | bytes, qos: int = 1, *, retain: bool = False) -> None:
        client.publish(topic, payload, qos, retain).wait_for_publish(WITHIN_S)

    try:
        yield publish
    finally:
        client.disconnect()
        client.loop_stop()


def sensor(topic: str, **keys: Any) -> Sensor:
    """A configured sensor, a temperature unless said otherwise."""
    return Sensor(**({"topic": topic, "quantity": "temperature"} | keys))


def flushed(made: MqttSession) -> None:
    """Wait until the broker has read what the session sent before."""
    confirmed = threading.Event()
    made.publish("elsewhere", b"", on_done=lambda _: confirmed.set())
    assert confirmed.wait(WITHIN_S)
