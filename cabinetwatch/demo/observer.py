"""Listens to what the watch says over MQTT: device figures and alarm transitions."""

import json
import threading
from types import TracebackType
from typing import Any, NamedTuple, Self

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion


class Told(NamedTuple):
    """A transition as the watch published it; the fields used here, and all of it."""

    time: str
    subject: str
    condition: str
    state: str
    text: str
    whole: dict[str, Any]


class Observer:
    """A context manager: inside it everything under the watch's prefix is collected.

    The demonstration learns what the watch found the way any program in the house would, over the
    wire, not by looking inside.
    """

    def __init__(self, host: str, port: int, prefix: str) -> None:
        self._prefix = prefix
        self._changed = threading.Condition()
        self._online = False
        self._devices: dict[str, dict[str, Any]] = {}
        self._told: list[Told] = []
        self._faults: list[str] = []
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="demo-observer")
        self._client.username_pw_set("observer")
        self._client.on_connect = self._subscribe
        self._client.on_message = self._heard
        self._address = (host, port)

    def __enter__(self) -> Self:
        """Connect and subscribe.

        Raises:
            OSError: the broker can't be reached.
        """
        self._client.connect(*self._address)
        self._client.loop_start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Disconnect."""
        self._client.disconnect()
        self._client.loop_stop()
        # Out of the ring of references, so that the library closes its sockets at once.
        self._client.on_connect = self._client.on_message = None

    def wait_online(self, timeout_s: float) -> bool:
        """Wait until the watch says that it is online; False when it doesn't in time."""
        with self._changed:
            return self._changed.wait_for(lambda: self._online, timeout_s)

    def devices(self) -> dict[str, dict[str, Any]]:
        """The latest figures of each device."""
        with self._changed:
            return dict(self._devices)

    def told(self, start: int = 0) -> list[Told]:
        """The transitions heard so far, from the given one on, in the order they came in."""
        with self._changed:
            return self._told[start:]

    def faults(self) -> list[str]:
        """Messages that could not be understood, one sentence each."""
        with self._changed:
            return list(self._faults)

    def _subscribe(self, client: mqtt.Client, *_: object) -> None:
        client.subscribe(f"{self._prefix}/#", qos=1)

    def _heard(self, client: mqtt.Client, data: object, message: mqtt.MQTTMessage) -> None:
        """Sort one message in. An exception here would end the client's thread unseen."""
        del client, data
        with self._changed:
            try:
                self._sort(message.topic, message.payload)
            except (ValueError, KeyError, TypeError) as fault:
                self._faults.append(f"{message.topic}: {fault!r}")
            self._changed.notify_all()

    def _sort(self, topic: str, payload: bytes | bytearray) -> None:
        if not payload:
            return
        content = json.loads(payload)
        match topic.removeprefix(f"{self._prefix}/").split("/"):
            case ["watch"]:
                self._online = content["online"]
            case ["device", device]:
                self._devices[device] = content
            case ["alarm", subject, condition]:
                told = Told(
                    content["time"], subject, condition, content["state"], content["text"], content
                )
                self._told.append(told)
