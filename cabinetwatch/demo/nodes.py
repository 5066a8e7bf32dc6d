"""Sensor nodes: they read the simulated cabinet and publish over MQTT, each in its own style."""

import json
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from types import TracebackType
from typing import Any, Self

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from cabinetwatch.clock import Clock
from cabinetwatch.demo.cabinet import Cabinet
from cabinetwatch.demo.probe import Probe

Payload = Callable[[], str | None]
"""What a topic carries at this instant; None publishes nothing."""

MAX_CATCH_UP_S = 120.0
"""The machine slept: the simulation does not try to live through more than that at once."""


@dataclass(frozen=True)
class Node:
    """One node: its topics, and how often it publishes them all."""

    name: str
    interval_s: float
    topics: dict[str, Payload]


class SensorNodes:
    """A context manager: inside it the cabinet lives by the clock and its nodes publish.

    One thread advances the simulation and publishes with QoS 1. Whoever wants to open the door or
    stall a fan does so under `touching()`.
    """

    def __init__(
        self, cabinet: Cabinet, nodes: list[Node], *, clock: Clock, host: str, port: int
    ) -> None:
        self._cabinet = cabinet
        self._nodes = nodes
        self._clock = clock
        self._host = host
        self._port = port
        self._lock = threading.Lock()
        self._stop = threading.Event()
        self._clients: dict[str, mqtt.Client] = {}
        self._failure: BaseException | None = None
        self._thread = threading.Thread(target=self._guarded, name="demo-nodes", daemon=True)

    def __enter__(self) -> Self:
        """Connect every node and start.

        Raises:
            OSError: the broker can't be reached.
        """
        try:
            for node in self._nodes:
                self._clients[node.name] = self._connect(node)
        except BaseException:
            self._disconnect()
            raise
        self._lived_to_ms = self._clock.monotonic_ms()
        self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Stop, disconnect, and raise what ended the thread early, unless an error is under way."""
        self._stop.set()
        self._thread.join()
        self._disconnect()
        if error is None:
            self.check()

    def check(self) -> None:
        """Raise the error that ended the thread, if one did."""
        if self._failure is not None:
            raise self._failure

    @contextmanager
    def touching(self) -> Iterator[Cabinet]:
        """Give the cabinet while its life stands still."""
        with self._lock:
            yield self._cabinet

    def _connect(self, node: Node) -> mqtt.Client:
        client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=f"node-{node.name}")
        client.username_pw_set(node.name)
        client.connect(self._host, self._port)
        client.loop_start()
        return client

    def _disconnect(self) -> None:
        for client in self._clients.values():
            client.disconnect()
            client.loop_stop()
        self._clients.clear()

    def _guarded(self) -> None:
        try:
            self._run()
        except BaseException as failure:  # noqa: BLE001 - kept, and raised in the owner by check()
            self._failure = failure

    def _run(self) -> None:
        """Live and publish, each node at its own pace, the first time at once."""
        due_ms = dict.fromkeys((node.name for node in self._nodes), self._lived_to_ms)
        while not self._stop.is_set():
            self._live_until(self._clock.monotonic_ms())
            for node in self._nodes:
                if due_ms[node.name] <= self._lived_to_ms:
                    self._publish(node)
                    # From now on, not from what was due: after a pause there is no burst.
                    due_ms[node.name] = self._lived_to_ms + round(node.interval_s * 1000)
            wait_ms = min(due_ms.values()) - self._clock.monotonic_ms()
            self._stop.wait(max(0.0, self._clock.real_s(wait_ms / 1000)))

    def _live_until(self, now_ms: int) -> None:
        passed_s = (now_ms - self._lived_to_ms) / 1000
        with self._lock:
            self._cabinet.advance(min(max(0.0, passed_s), MAX_CATCH_UP_S))
        self._lived_to_ms = now_ms

    def _publish(self, node: Node) -> None:
        with self._lock:
            payloads = {topic: payload() for topic, payload in node.topics.items()}
        for topic, text in payloads.items():
            if text is not None:
                self._clients[node.name].publish(topic, text, qos=1)


def bare_number(probe: Probe) -> Payload:
    """A plain figure; a dead probe publishes nothing."""

    def payload() -> str | None:
        value = probe.read()
        return None if value is None else str(value)

    return payload


def json_object(tree: dict[str, Any]) -> Payload:
    """A JSON object of the shape of `tree`, probes replaced by figures; a dead one gives null."""

    def payload() -> str | None:
        return json.dumps(_read_all(tree))

    return payload


def senml_pack(base_name: str, records: dict[str, tuple[Probe, str]]) -> Payload:
    """SenML (RFC 8428) without a time, which means now; `records` give probe and unit by name.

    A time of its own would have to arrive within seconds, and here seconds are short. A dead
    probe's record is left out; with all of them dead nothing is published.
    """

    def payload() -> str | None:
        pack: list[dict[str, Any]] = [
            {"n": name, "u": unit, "v": value}
            for name, (probe, unit) in records.items()
            if (value := probe.read()) is not None
        ]
        if not pack:
            return None
        pack[0] = {"bn": base_name, **pack[0]}
        return json.dumps(pack)

    return payload


def _read_all(tree: dict[str, Any]) -> dict[str, Any]:
    return {
        key: branch.read() if isinstance(branch, Probe) else _read_all(branch)
        for key, branch in tree.items()
    }
