"""Sensor nodes that read the simulated cabinet, and what happens in it."""

import json
import threading
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, NamedTuple, Self
from zoneinfo import ZoneInfo

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from cabinetwatch.clock import Clock
from cabinetwatch.demo.cabinet import Cabinet, Probe, under_stairs
from cabinetwatch.text import from_datetime, to_datetime

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
        """Connect every node and start; OSError when the broker can't be reached."""
        try:
            for node in self._nodes:
                self._clients[node.name] = self._connect(node)
        except BaseException:
            self._disconnect()
            raise
        self._lived_to_ms = self._clock.monotonic_ms()
        self._thread.start()
        return self

    def __exit__(self, kind: object, error: BaseException | None, trace: object) -> None:
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

    def read(branch: Any) -> Any:
        if isinstance(branch, Probe):
            return branch.read()
        return {key: read(inner) for key, inner in branch.items()}

    return lambda: json.dumps(read(tree))


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


INTERVAL_S = 10.0


@dataclass(frozen=True)
class Instruments:
    """The probes by the sensor IDs of the demonstration's configuration, and their nodes."""

    probes: dict[str, Probe]
    nodes: list[Node]


def instrument(cabinet: Cabinet, seed: int) -> Instruments:
    """Fit the cabinet with probes: thermometers, plugs with a power meter, a fan's tachometer."""
    nas, switch = cabinet.devices["nas"], cabinet.devices["switch"]
    ups, amplifier = cabinet.devices["ups"], cabinet.devices["amplifier"]
    # By sensor: the truth, the noise (one sigma), the step of the converter.
    fitted: dict[str, tuple[Callable[[], float], float, float]] = {
        "hall-air": (lambda: cabinet.hall_c, 0.05, 0.1),
        "cabinet-air": (lambda: cabinet.air_c, 0.05, 0.0625),
        "nas-air": (lambda: nas.part_c, 0.1, 0.1),
        "nas-power": (lambda: nas.power_w, 0.1, 0.1),
        "nas-fan": (lambda: nas.fan_rpm, 2.0, 30.0),
        "switch-air": (lambda: switch.part_c, 0.1, 0.0625),
        "switch-power": (lambda: switch.power_w, 0.1, 0.1),
        "ups-air": (lambda: ups.part_c, 0.1, 0.5),
        "ups-power": (lambda: ups.power_w, 0.1, 0.1),
        "amplifier-air": (lambda: amplifier.part_c, 0.1, 0.1),
        "amplifier-power": (lambda: amplifier.power_w, 0.2, 0.1),
    }
    probes = {
        name: Probe(truth, noise=noise, resolution=step, seed=seed + number)
        for number, (name, (truth, noise, step)) in enumerate(fitted.items())
    }
    payloads: dict[str, dict[str, Payload]] = {
        "hall": {"house/hall": json_object({"temperature": probes["hall-air"]})},
        "cabinet": {"house/cabinet/air": bare_number(probes["cabinet-air"])},
        "nas": {
            "house/cabinet/nas": json_object(
                {
                    "temperature": probes["nas-air"],
                    "fan": {"rpm": probes["nas-fan"]},
                    "plug": {"power": probes["nas-power"]},
                }
            )
        },
        "switch": {
            "house/cabinet/switch/temperature": bare_number(probes["switch-air"]),
            "house/cabinet/switch/power": bare_number(probes["switch-power"]),
        },
        "ups": {
            "house/cabinet/ups": senml_pack(
                "ups/",
                {"temperature": (probes["ups-air"], "Cel"), "power": (probes["ups-power"], "W")},
            )
        },
        "amplifier": {
            "house/cabinet/amplifier": json_object(
                {"temperature": probes["amplifier-air"], "power": probes["amplifier-power"]}
            )
        },
    }
    nodes = [Node(name, INTERVAL_S, topics) for name, topics in payloads.items()]
    return Instruments(probes, nodes)


class WatchMessage(NamedTuple):
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
        self._told: list[WatchMessage] = []
        self._faults: list[str] = []
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="demo-observer")
        self._client.username_pw_set("observer")
        self._client.on_connect = self._subscribe
        self._client.on_message = self._heard
        self._address = (host, port)

    def __enter__(self) -> Self:
        """Connect and subscribe; OSError when the broker can't be reached."""
        self._client.connect(*self._address)
        self._client.loop_start()
        return self

    def __exit__(self, *_: object) -> None:
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

    def told(self, start: int = 0) -> list[WatchMessage]:
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
                time, state, text = (content[key] for key in ("time", "state", "text"))
                self._told.append(WatchMessage(time, subject, condition, state, text, content))


RATE = 30.0
"""How many times faster than life the demonstration runs."""

SEED = 20
TIME_ZONE = "Europe/Dublin"
START_HOUR, START_MINUTE = 19, 40
MINUTE_S = 60.0
END_S = 33 * MINUTE_S


class Stage:
    """A cabinet with its instruments, and the hands that act on it; by default of the evening."""

    def __init__(self, cabinet: Cabinet | None = None, seed: int = SEED) -> None:
        start_hour = START_HOUR + START_MINUTE / 60
        self.cabinet = cabinet or under_stairs(start_hour=start_hour, seed=seed)
        self.instruments = instrument(self.cabinet, seed)

    def stall_fan(self, stalled: bool) -> None:
        """Stall the fan of the NAS, or free it."""
        self.cabinet.devices["nas"].fan_stalled = stalled

    def kill_probe(self, dead: bool, sensor: str = "amplifier-air") -> None:
        """Let a temperature probe die, or replace it."""
        self.instruments.probes[sensor].dead = dead


@dataclass(frozen=True)
class Act:
    """Something that happens in the cabinet at `at_s` after the start."""

    at_s: float
    says: str
    do: Callable[[Stage], None]


@dataclass(frozen=True)
class Expected:
    """A transition that the watch must tell between two instants after the start."""

    subject: str
    condition: str
    states: frozenset[str]
    after_s: float
    by_s: float

    def __str__(self) -> str:
        states = " or ".join(sorted(self.states))
        return f"{self.condition} of {self.subject} becoming {states}"

    def find(self, told: Iterable[tuple[float, WatchMessage]]) -> WatchMessage | None:
        """Give the first fitting transition out of pairs of seconds after the start and it."""
        for at_s, transition in told:
            if (
                self.after_s <= at_s <= self.by_s
                and transition.subject == self.subject
                and transition.condition == self.condition
                and transition.state in self.states
            ):
                return transition
        return None


_RAISED = frozenset({"unacknowledged"})
_BACK = frozenset({"returned", "normal"})
_STALL_S, _FREE_S = 5 * MINUTE_S, 16 * MINUTE_S
_DIE_S, _REPLACE_S = 23 * MINUTE_S, 28 * MINUTE_S

ACTS = (
    Act(
        20.0,
        "An ordinary evening: everything runs, the amplifier plays, the watch is silent.",
        lambda stage: None,
    ),
    Act(
        _STALL_S,
        "The fan of the NAS stalls. Nobody is near; the temperature still looks harmless.",
        lambda stage: stage.stall_fan(True),
    ),
    Act(
        _FREE_S,
        "Somebody has read the mails and, from outside, pulled away the cable that held the fan:"
        " it turns again.",
        lambda stage: stage.stall_fan(False),
    ),
    Act(
        _DIE_S,
        "The amplifier's temperature sensor dies. Its node goes on sending, without a figure.",
        lambda stage: stage.kill_probe(True),
    ),
    Act(
        _REPLACE_S,
        "The dead sensor is replaced.",
        lambda stage: stage.kill_probe(False),
    ),
)

# Before the next act: these minutes are seconds, in which a busy machine may do something else.
EXPECTED = (
    Expected("nas", "fan-slow", _RAISED, _STALL_S, _FREE_S),
    Expected("nas", "over-derating", _RAISED, _STALL_S, _FREE_S),
    Expected("nas", "fan-slow", _BACK, _FREE_S, _DIE_S),
    Expected("nas", "over-derating", _BACK, _FREE_S, _DIE_S),
    Expected("amplifier-air", "silent", _RAISED, _DIE_S, _REPLACE_S),
    Expected("amplifier-air", "silent", _BACK, _REPLACE_S, END_S),
)


def start_utc_ms(now_utc_ms: int) -> int:
    """Give the start of the last simulated evening that is wholly past, in ms since 1970.

    In the past, so that the commands typed afterwards find it where they look by default.
    """
    zone = ZoneInfo(TIME_ZONE)
    now = to_datetime(now_utc_ms).astimezone(zone)
    start = datetime(now.year, now.month, now.day, START_HOUR, START_MINUTE, tzinfo=zone)
    if start + timedelta(seconds=END_S) > now:
        # Wall-clock arithmetic within one zone: twenty to eight the evening before.
        start -= timedelta(days=1)
    return from_datetime(start)


def trial_start_utc_ms(now_utc_ms: int) -> int:
    """Give nine in the morning of the day before yesterday: the trial record begins there."""
    zone = ZoneInfo(TIME_ZONE)
    day = (to_datetime(now_utc_ms).astimezone(zone) - timedelta(days=2)).date()
    return from_datetime(datetime(day.year, day.month, day.day, 9, tzinfo=zone))


def clock_time(utc_ms: int) -> str:
    """Give the simulated time of day as the household's clock shows it."""
    return to_datetime(utc_ms).astimezone(ZoneInfo(TIME_ZONE)).strftime("%H:%M:%S")
