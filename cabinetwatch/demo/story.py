"""What happens in the simulated cabinet: an evening live, two weeks, a trial; and who watches."""

import csv
import json
import math
import threading
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, NamedTuple, Self
from zoneinfo import ZoneInfo

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from cabinetwatch.demo.cabinet import INTERVAL_S, MAX_STEP_S, Cabinet, instrument, under_stairs
from cabinetwatch.text import from_datetime, to_datetime, to_rfc3339


class WatchMessage(NamedTuple):
    """What the demonstration shows of a transition, as the watch published it."""

    time: str
    subject: str
    condition: str
    state: str
    priority: str
    text: str


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
            case ["alarm", _, _]:
                self._told.append(WatchMessage(*(content[key] for key in WatchMessage._fields)))


RATE = 30.0
"""How many times faster than life the demonstration runs."""

EVENING_SEED = 20
TIME_ZONE = "Europe/Dublin"
EVENING_HOUR, EVENING_MINUTE = 19, 40
MINUTE_S = 60.0
END_S = 33 * MINUTE_S


class Stage:
    """A cabinet with its instruments, and the hands that act on it; by default of the evening."""

    def __init__(self, cabinet: Cabinet | None = None, seed: int = EVENING_SEED) -> None:
        start_hour = EVENING_HOUR + EVENING_MINUTE / 60
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
    Act(_REPLACE_S, "The dead sensor is replaced.", lambda stage: stage.kill_probe(False)),
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
    now = _household(now_utc_ms)
    start = _at(now, EVENING_HOUR, EVENING_MINUTE)
    is_past = start + timedelta(seconds=END_S) <= now
    return from_datetime(start if is_past else start - timedelta(days=1))


def trial_start_utc_ms(now_utc_ms: int) -> int:
    """Give nine in the morning of the day before yesterday: the trial record begins there."""
    return from_datetime(_at(_household(now_utc_ms) - timedelta(days=2), 9))


def clock_time(utc_ms: int) -> str:
    """Give the simulated time of day as the household's clock shows it."""
    return _household(utc_ms).strftime("%H:%M:%S")


def _household(utc_ms: int) -> datetime:
    """Give an instant in the household's time zone; sums within it are those of a wall clock."""
    return to_datetime(utc_ms).astimezone(ZoneInfo(TIME_ZONE))


def _at(day: datetime, hour: int, minute: int = 0) -> datetime:
    return day.replace(hour=hour, minute=minute, second=0, microsecond=0)


# The fortnight.

SEED = 7
MOMENT_S = 60
DUST_PER_DAY = 0.012
"""Of the remaining air flow; more than a house has, so that a fortnight shows it."""

SIMULATED = (
    "All figures of these weeks are simulated by cabinetwatch demo: no sensor, house or person is"
    " real."
)
_BY = "household (simulated)"
_DAYS = 14
_SUMMARY_HOUR = 7
_HOT_DAYS = (10, 11)
_HOT_BY_K = 4.0


class OperatorAction(NamedTuple):
    """What a person did: a command to the watch.

    Where it is about an alarm, `alarm` names that by subject and condition, because its id is the
    watch's own.
    """

    command: dict[str, Any]
    alarm: tuple[str, str] | None = None


class Moment(NamedTuple):
    """What was measured at an instant, by sensor, and what people did then."""

    utc_ms: int
    values: dict[str, float]
    actions: list[OperatorAction]


class _Life(Stage):
    """The cabinet over the fortnight."""

    def __init__(self) -> None:
        cabinet = under_stairs(
            start_hour=0.0, seed=SEED, dust_per_day=DUST_PER_DAY, step_s=MAX_STEP_S
        )
        super().__init__(cabinet, SEED)
        self._usual = self.cabinet.surroundings

    def open_door(self, opened: bool) -> None:
        self.cabinet.door_open = opened

    def weather(self) -> None:
        """Warm the hall on the hot days, and cool it down again in the nights around them."""
        day = self.cabinet.elapsed_s / 86_400
        first, last = _HOT_DAYS[0], _HOT_DAYS[-1] + 1
        inside = min(day - first + 0.5, last + 0.5 - day)
        share = 0.5 - 0.5 * math.cos(math.pi * min(1.0, max(0.0, inside)))
        mean_c = self._usual.hall_mean_c + _HOT_BY_K * share
        self.cabinet.surroundings = replace(self._usual, hall_mean_c=mean_c)


@dataclass(frozen=True)
class _Event:
    """Something that happens on a day (0 to 13) at an hour, and what the household tells of it."""

    day: int
    hour: float
    do: Callable[[_Life], None] | None = None
    action: OperatorAction | None = None

    @property
    def at_s(self) -> float:
        return self.day * 86_400.0 + self.hour * 3600.0


def _note(text: str) -> OperatorAction:
    return OperatorAction({"command": "note", "text": text, "by": _BY})


def _acknowledged(subject: str, condition: str) -> OperatorAction:
    return OperatorAction({"command": "ack", "by": _BY}, (subject, condition))


_EVENTS = (
    _Event(0, 0.1, action=_note(SIMULATED)),
    _Event(5, 15.0, lambda life: life.open_door(True)),
    _Event(5, 15.3, lambda life: life.open_door(False)),
    _Event(7, 0.1, action=_note(SIMULATED)),
    _Event(8, 20.25, lambda life: life.stall_fan(True)),
    _Event(8, 20.4, action=_acknowledged("nas", "fan-slow")),
    _Event(
        8,
        20.75,
        lambda life: life.stall_fan(False),
        _note("A cable had fallen into the fan of the NAS; tied it back from outside"),
    ),
    _Event(12, 10.0, lambda life: life.kill_probe(True, "ups-air")),
    _Event(
        12,
        13.5,
        lambda life: life.kill_probe(False, "ups-air"),
        _note("Changed the cell of the sensor at the UPS"),
    ),
    _Event(13, 11.0, action=_note("The dust filter of the NAS looks grey")),
)


def fortnight_end_utc_ms(now_utc_ms: int) -> int:
    """Give the last Monday at seven, by the household's clock, that is past: its summary is due."""
    now = _household(now_utc_ms)
    monday = _at(now - timedelta(days=now.weekday()), _SUMMARY_HOUR)
    return from_datetime(monday if monday <= now else monday - timedelta(days=7))


def fortnight_start_utc_ms(ends_utc_ms: int) -> int:
    """Give the Monday, at midnight by the household's clock, two weeks before it ends."""
    return from_datetime(_at(_household(ends_utc_ms) - timedelta(days=_DAYS), 0))


def moments(from_utc_ms: int, to_utc_ms: int) -> Iterator[Moment]:
    """Live through the fortnight from its first midnight on, the same whenever it is asked for."""
    life, waiting = _Life(), list(_EVENTS)
    probes = life.instruments.probes.items()
    for number in range(1, (to_utc_ms - from_utc_ms) // (MOMENT_S * 1000) + 1):
        life.weather()
        life.cabinet.advance(MOMENT_S)
        actions = []
        while waiting and waiting[0].at_s <= life.cabinet.elapsed_s:
            event = waiting.pop(0)
            if event.do is not None:
                event.do(life)
            if event.action is not None:
                actions.append(event.action)
        read = {sensor: probe.read() for sensor, probe in probes}
        values = {sensor: value for sensor, value in read.items() if value is not None}
        yield Moment(from_utc_ms + number * MOMENT_S * 1000, values, actions)


DEVICE = "nas"
INVENTED = "invented: a simulated cabinet of cabinetwatch demo, no real device, house or person"
START_HOUR = 9.0
TRIAL_SEED = 4

BEFORE_S, CHANGE_S, AFTER_S = 3 * 3600.0, 900.0, 4 * 3600.0
SLOWED_TO = 0.8
"""Speed of the fan after the change, as a fraction of before."""

_OPEN_VENT_W_K = 6.0
"""What a NAS without its cover gives to the air of the cabinet, beside its fan; invented."""


class Phases(NamedTuple):
    """The intervals of the record, as ISO 8601."""

    before: str
    after: str


def write_trial_record(path: Path, start_utc_ms: int) -> Phases:
    """Write the record as CSV of time, sensor, value; a remark in it says that it is invented.

    It begins at nine in the morning of some day. OSError where the file can't be written.
    """
    cabinet = under_stairs(start_hour=START_HOUR, seed=TRIAL_SEED)
    probes = instrument(cabinet, TRIAL_SEED).probes
    nas = cabinet.devices[DEVICE]
    built = nas.build
    opened = replace(built, vent_w_k=_OPEN_VENT_W_K)
    slowed = replace(
        built, fan_rpm=SLOWED_TO * built.fan_rpm, fan_flow_m3_s=SLOWED_TO * built.fan_flow_m3_s
    )
    remark = INVENTED
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(("time", "sensor", "value", "remark"))
        for build, length_s in ((built, BEFORE_S), (opened, CHANGE_S), (slowed, AFTER_S)):
            nas.build = build
            for _ in range(round(length_s / INTERVAL_S)):
                cabinet.advance(INTERVAL_S)
                time = to_rfc3339(start_utc_ms + round(cabinet.elapsed_s * 1000))
                for sensor, probe in probes.items():
                    writer.writerow((time, sensor, probe.read(), remark))
                    remark = ""

    def interval(from_s: float, to_s: float) -> str:
        ends = (to_rfc3339(start_utc_ms + round(at_s * 1000)) for at_s in (from_s, to_s))
        return "/".join(ends)

    changed_s = BEFORE_S + CHANGE_S
    return Phases(interval(0.0, BEFORE_S), interval(changed_s, changed_s + AFTER_S))


MARK = "# Written by `cabinetwatch demo`. "
"""How the file begins; tells a demonstration's folder from anybody else's."""

PREFIX = "cabinetwatch"
STORE_FILE = "cabinetwatch.db"

_FIGURES = {"temperature": "Cel", "fan-speed": "1/min", "power": "W"}
"""The quantities, and their units."""

_SENSORS = (
    # ID, topic, where in its payload, quantity, what else is to be said
    ("hall-air", "hall", 'pointer = "/temperature"', "temperature", ""),
    ("cabinet-air", "cabinet/air", "", "temperature", ""),
    ("nas-air", "cabinet/nas", 'pointer = "/temperature"', "temperature", ""),
    ("nas-fan", "cabinet/nas", 'pointer = "/fan/rpm"', "fan-speed", ""),
    ("nas-power", "cabinet/nas", 'pointer = "/plug/power"', "power", ""),
    ("switch-air", "cabinet/switch/temperature", "", "temperature", ""),
    ("switch-power", "cabinet/switch/power", "", "power", ""),
    ("ups-air", "cabinet/ups", 'senml_name = "ups/temperature"', "temperature",
     "high = 40.0    # lead batteries age fast above that"),
    ("ups-power", "cabinet/ups", 'senml_name = "ups/power"', "power", ""),
    ("amplifier-air", "cabinet/amplifier", 'pointer = "/temperature"', "temperature", ""),
    ("amplifier-power", "cabinet/amplifier", 'pointer = "/power"', "power", ""),
)  # fmt: skip


def _sensor_tables(interval_s: int) -> str:
    tables = ["# --- sensors: one quantity each, read from one topic ---"]
    for name, topic, where, quantity, more in _SENSORS:
        lines = (
            f'[sensors.{name}]\ntopic = "house/{topic}"',
            where,
            f'quantity = "{quantity}"\nunit = "{_FIGURES[quantity]}"\ninterval_s = {interval_s}',
            more,
        )
        tables.append("\n".join(filter(None, lines)))
    return "\n\n".join(tables) + "\n\n"


_GONE = "# The broker and the mail server it names lived inside the demonstration and are gone."
_NO_BROKER = "# A simulation was fed straight to the watch: the broker it names was never asked."


def configuration_text(
    *, broker_host: str, broker_port: int, mail_host: str, mail_port: int
) -> str:
    """Give the demonstration's config.toml for a broker and a mail server that listen already."""
    return f"""\
{_cabinet(_GONE, broker_host, broker_port, 10)}
# --- who is told ---

[notify.email]
host = "{mail_host}"
port = {mail_port}
security = "none"    # a mail server on this very machine; anywhere else use starttls or tls
from = "cabinetwatch@house.example"
to = ["household@house.example"]
priorities = ["high", "medium"]
"""


def fortnight_configuration_text() -> str:
    """Give the config.toml of the simulated fortnight: the same cabinet, and nobody to mail to."""
    return f"""\
{_cabinet(_NO_BROKER, "127.0.0.1", 1883, MOMENT_S)}
# --- who is told: nobody, of a simulation ---

[notify.mqtt]
enabled = false
"""


def _cabinet(remark: str, host: str, port: int, interval_s: int) -> str:
    return f"""\
{MARK}Simulated data: no sensor, house or person is real.
{remark}

[site]
name = "Under the stairs (simulated)"
timezone = "{TIME_ZONE}"
altitude_m = 40
design_ambient_c = 32.0

[mqtt]
host = "{host}"
port = {port}
protocol = "3.1.1"    # all that the demonstration's broker speaks; leave it out for a real one
username = "watch"
publish_under = "{PREFIX}"

[store]
url = "sqlite:///{STORE_FILE}"

{_sensor_tables(interval_s)}# --- devices: what is to be kept cool ---

[devices.cabinet]
name = "Cabinet"
temperature = "cabinet-air"
ambient = "hall-air"
power = ["nas-power", "switch-power", "ups-power", "amplifier-power"]
max_rise_k = 12.0

[devices.nas]
name = "NAS"
temperature = "nas-air"
ambient = "cabinet-air"
power = "nas-power"
fan = "nas-fan"
rated_power_w = 80.0
derating = [[40.0, 1.0], [48.0, 0.5], [60.0, 0.2]]
max_rise_k = 30.0
min_fan_rpm = 900

[devices.switch]
name = "PoE switch"
temperature = "switch-air"
ambient = "cabinet-air"
power = "switch-power"
rated_power_w = 60.0
derating = [[45.0, 1.0], [60.0, 0.5]]
max_rise_k = 25.0

[devices.ups]
name = "UPS"
temperature = "ups-air"
ambient = "cabinet-air"
power = "ups-power"
max_rise_k = 15.0

[devices.amplifier]
name = "AV amplifier"
temperature = "amplifier-air"
ambient = "cabinet-air"
power = "amplifier-power"
rated_power_w = 200.0
derating = [[45.0, 1.0], [65.0, 0.5]]
max_rise_k = 25.0
"""
