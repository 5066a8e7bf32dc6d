"""A survey of what arrives, and the sensor and device tables drafted for it.

`Survey` collects messages within bounds, `find_sources` finds the numbers in a payload, `guess`
says what they probably are, and `draft` writes it as TOML, honest about what is guessed.
"""

import math
import re
from collections import deque
from collections.abc import Iterable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from itertools import islice
from statistics import median
from typing import Any, NamedTuple

from jsonpointer import escape
from paho.mqtt.client import topic_matches_sub

from cabinetwatch.config.model import DEFAULT_INTERVAL_S, SITE_SUBJECT, Config, Sensor
from cabinetwatch.config.values import UNITS, Quantity, conversion
from cabinetwatch.mqtt import decoding
from cabinetwatch.mqtt.link import Incoming, excerpt, excerpt_of_bytes
from cabinetwatch.text import counted

_MOST_TOPICS = 5_000
_MOST_BYTES = 32 * 1024 * 1024
"""Of topics and payloads together; beyond it no new topic and no further payload is kept."""
_PAYLOADS_KEPT = 10
_GAPS_KEPT = 200
_SHOWN = 60
# A payload with more numbers, or deeper ones, is no reading of a sensor: whatever could nest deeper
# to a purpose is far below what costs time or memory here.
_MOST_MEMBERS = 100
_DEEPEST = 32
_LONGEST_POINTER = 500


class Source(NamedTuple):
    """A number in the payloads of a topic: bare, under a pointer, or in a named SenML record.

    `unit` is as SenML names it, `hint` what a payload writes beside the number as its unit.
    """

    value: float
    pointer: str | None = None
    senml_name: str | None = None
    unit: str | None = None
    hint: str | None = None

    @property
    def name(self) -> str:
        """What it is called within the payload; empty where it is all of it."""
        return self.senml_name or self.pointer or ""


@dataclass(slots=True)
class Heard:
    """What was heard on one topic. `qos` is the highest at which a live message came."""

    topic: str
    count: int = 0
    live: int = 0
    qos: int = 0
    shown: str = ""
    """The beginning of the latest payload, fit to be shown."""
    last_live_t: int | None = None
    payloads: deque[bytes] = field(default_factory=lambda: deque(maxlen=_PAYLOADS_KEPT))
    gaps_ms: deque[int] = field(default_factory=lambda: deque(maxlen=_GAPS_KEPT))

    def note(self, message: Incoming, room_bytes: int) -> None:
        """Take a message of this topic; its payload is kept where there is room."""
        self.count += 1
        self.shown = excerpt_of_bytes(message.payload, _SHOWN)
        # A picture from a camera is no reading.
        most = decoding.LONGEST_BYTES
        if len(message.payload) <= min(most, room_bytes):
            self.payloads.append(message.payload)
            while self.payload_bytes > most:
                self.payloads.popleft()
        if message.retain:
            return
        self.live += 1
        self.qos = max(self.qos, message.qos)
        if self.last_live_t is not None:
            self.gaps_ms.append(message.t - self.last_live_t)
        self.last_live_t = message.t

    @property
    def payload_bytes(self) -> int:
        """How much is kept of it."""
        return sum(map(len, self.payloads))

    def interval_s(self) -> float | None:
        """The usual seconds between live messages; None when it was heard but once."""
        return median(self.gaps_ms) / 1000 if self.gaps_ms else None

    def sources(self) -> list[Source]:
        """The numbers seen in its latest payloads, the latest value of each."""
        seen = (source for payload in self.payloads for source in find_sources(payload))
        return list({(source.pointer, source.senml_name): source for source in seen}.values())


class Survey:
    """Collects messages by topic, within bounds; `left_out` counts those of topics beyond them."""

    def __init__(self) -> None:
        self.topics: dict[str, Heard] = {}
        self.left_out = 0
        self._bytes = 0

    def note(self, message: Incoming) -> None:
        """Take a message."""
        heard = self.topics.get(message.topic)
        if heard is None:
            if len(self.topics) >= _MOST_TOPICS or self._bytes >= _MOST_BYTES:
                self.left_out += 1
                return
            heard = self.topics[message.topic] = Heard(message.topic)
            self._bytes += len(message.topic.encode())
        before = heard.payload_bytes
        heard.note(message, _MOST_BYTES - self._bytes)
        self._bytes += heard.payload_bytes - before


def find_sources(payload: bytes) -> list[Source]:
    """Give every number in a payload; nothing for one that is neither a number nor JSON."""
    with suppress(decoding.Undecodable):
        return [Source(decoding.from_payload(payload))]
    try:
        document = decoding.parse(payload)
    except decoding.Undecodable:
        return []
    with suppress(decoding.Undecodable):
        pack = [
            Source(float(record.value), senml_name=record.name, unit=record.unit)
            for record in decoding.resolve(document, 0.0).records
            if isinstance(record.value, float)
        ]
        if pack:
            return pack[:_MOST_MEMBERS]
    return list(islice(_of_members(document, ""), _MOST_MEMBERS))


def with_remedy(problem: str, sensor: Sensor, payload: bytes) -> str:
    """Say what is wrong with a payload, and what to change so that the sensor is read from it.

    >>> from cabinetwatch.config.model import Sensor
    >>> sensor = Sensor(topic="nas/air", quantity="temperature")
    >>> with_remedy("it is no number", sensor, b'{"t": 21.4}')
    'it is no number; numbers are at /t, so give pointer = "/t"'
    """
    found = find_sources(payload)
    names = [source.senml_name for source in found if source.senml_name is not None]
    pointers = [source.pointer for source in found if source.pointer is not None]
    if names:
        shown = excerpt(", ".join(names), _SHOWN)
        return f'{problem}; it is SenML with {shown}, so give senml_name = "{excerpt(names[0])}"'
    if pointers:
        shown = excerpt(", ".join(pointers), _SHOWN)
        return f'{problem}; numbers are at {shown}, so give pointer = "{excerpt(pointers[0])}"'
    if found:
        key = "pointer" if sensor.senml_name is None else "senml_name"
        return f"{problem}; it is a bare number, so leave {key} out"
    if re.search(rb"\d,\d", payload):
        return f"{problem}; write the number with a point, such as 21.4, in what sends it"
    return (
        f"{problem}; have what sends it write a bare number, JSON or SenML, or take another topic"
    )


def _of_members(value: Any, pointer: str, hint: str | None = None) -> Iterator[Source]:
    if pointer.count("/") >= _DEEPEST or len(pointer) > _LONGEST_POINTER:
        return
    members: Iterable[tuple[Any, Any]]
    if isinstance(value, dict):
        members = value.items()
        beside = next((value[key] for key in _UNIT_KEYS if isinstance(value.get(key), str)), hint)
        # Of several numbers in one object none is known to be what the unit speaks of.
        numbers = sum(isinstance(member, int | float) for member in value.values())
        hint = beside if numbers <= 1 else hint
    elif isinstance(value, list):
        members = enumerate(value)
    else:
        with suppress(decoding.Undecodable):
            yield Source(decoding.from_json(value), pointer=pointer, hint=hint)
        return
    for key, member in members:
        yield from _of_members(member, f"{pointer}/{escape(str(key))}", hint)


_UNIT_KEYS = ("unit", "units", "uom", "unit_of_measurement")
_WORDS: dict[Quantity, str] = {
    "temperature": "temp(erature|s|c|f)?|t|celsius|fahrenheit|kelvin|deg[cf]",
    "humidity": "humid(ity)?|hum|rh",
    "power": "power|watts?|w|kw|kilowatts?",
    "fan-speed": "fans?|rpm|tacho?|speed",
    "sound-level": "sound|noise|spl|dba?|loudness",
}
"""The words that name a quantity, as a regular expression."""
# What such a sensor in a house can read, in the unit that values are kept in. Our choice, wide.
_POSSIBLE: dict[Quantity, tuple[float, float]] = {
    "temperature": (-60.0, 150.0),
    "humidity": (0.0, 100.0),
    "power": (-1.0, 25_000.0),
    "fan-speed": (0.0, 50_000.0),
    "sound-level": (0.0, 140.0),
}
_PERCENT = frozenset(["percent", "pct"])
# What payloads write beside a number, or in its name, as its unit: in small letters.
_WORDS_OF_UNITS = {
    **dict.fromkeys(("c", "°c", "℃", "degc", "cel", "celsius"), "Cel"),
    **dict.fromkeys(("f", "°f", "℉", "degf", "tempf", "fahrenheit"), "degF"),
    **dict.fromkeys(("k", "kelvin"), "K"),
    **dict.fromkeys(("%", "%rh", "rh", "percent"), "%RH"),
    **dict.fromkeys(("w", "watt", "watts"), "W"),
    **dict.fromkeys(("kw", "kilowatt", "kilowatts"), "kW"),
    **dict.fromkeys(("rpm", "1/min", "r/min", "min-1"), "1/min"),
    **dict.fromkeys(("db", "dba", "db(a)"), "dB"),
}
# Units that are none of ours: a number so named is left to its owner.
_OTHER_UNITS = "mw|k?wh|mah|batt(ery)?|v(olts?)?|amps?"
# Names that say nothing, so that the topic must.
_EMPTY_NAMES = frozenset(
    ["value", "val", "state", "data", "reading", "measurement", "current", "now", "payload", "0"]
)
AMBIENT_WORDS = frozenset(
    ["ambient", "room", "hall", "hallway", "outside", "intake", "inlet", "living", "surroundings"]
)


class Guess(NamedTuple):
    """What a number probably is."""

    quantity: Quantity
    unit: str


def words_of(name: str) -> list[str]:
    """Split a name into lower-case words at everything but letters and digits, and in camelCase."""
    apart = re.sub(r"(?<=[a-z0-9])(?=[A-Z])", " ", name)
    return [word.lower() for word in re.findall(r"[^\W_]+", apart)]


def guess(topic: str, source: Source) -> Guess | None:
    """Guess quantity and unit; None when nothing fits."""
    if source.unit is not None:
        return _checked(_measured_in(source.unit), source.unit, source.value)
    words = words_of(source.name)
    if all(word in _EMPTY_NAMES for word in words):
        words = words_of(topic)
    named = _named(words)
    if source.hint is not None:
        # It must not contradict the name. Per cent can be anything, so they need one.
        unit = _WORDS_OF_UNITS.get(source.hint.strip().lower(), "")
        return _checked(
            named or (None if unit == "%RH" else _measured_in(unit)), unit, source.value
        )
    last = words[-2:]
    if named is None or any(re.fullmatch(_OTHER_UNITS, word) for word in last):
        return None
    if _PERCENT & set(last) and named != "humidity":
        return None
    return _checked(named, _unit_of(named, words, source.value), source.value)


def _measured_in(unit: str) -> Quantity | None:
    return next((quantity for quantity in _POSSIBLE if unit in UNITS[quantity]), None)


def _named(words: list[str]) -> Quantity | None:
    """Give the quantity that is named; the last name is the nearest to the number."""
    for word in reversed(words):
        for quantity, names in _WORDS.items():
            if re.fullmatch(names, word):
                return quantity
    return None


def _unit_of(quantity: Quantity, words: list[str], value: float) -> str:
    named = {_WORDS_OF_UNITS.get(word) for word in words} & set(UNITS[quantity])
    # No house has 200 degC of air, nor 200 K.
    usual = "K" if quantity == "temperature" and value > 200.0 else UNITS[quantity][0]
    return next((unit for unit in ("kW", "degF", "K") if unit in named), usual)


def _checked(quantity: Quantity | None, unit: str, value: float) -> Guess | None:
    """Give the guess if such a sensor could read such a value."""
    convert = None if quantity is None else conversion(quantity, unit)
    if quantity is None or convert is None:
        return None
    lowest, highest = _POSSIBLE[quantity]
    return Guess(quantity, unit) if lowest <= convert(value) <= highest else None


QOS_0 = "comes at QoS 0, which no broker keeps: what it says while the watch is away is lost"
RETAINED = "only a retained message came: the broker's copy of a last known value"
_LONGEST_ID = 60
# Words that name the quantity and not the place where it is measured.
_NO_PLACE = "temp(erature)?|humidity|power|fan|speed|sound|level|rpm|state|value|status|sensor"
_ROLES = {"power": "power", "fan-speed": "fan", "sound-level": "sound"}


@dataclass(frozen=True, slots=True)
class Drafted:
    """A sensor as it is proposed."""

    id: str
    heard: Heard
    source: Source
    guess: Guess

    @property
    def place(self) -> tuple[str, ...]:
        """The words that tell where it is, without what it measures."""
        return tuple(word for word in self._words() if not re.fullmatch(_NO_PLACE, word))

    @property
    def may_be_ambient(self) -> bool:
        """Whether its name says that it measures the air around things."""
        return not AMBIENT_WORDS.isdisjoint(self._words())

    def _words(self) -> list[str]:
        return words_of(self.heard.topic) + words_of(self.source.name)


def draft(heard: Iterable[Heard], config: Config) -> str:
    """Write the tables for what was heard and is not configured yet, as TOML.

    What could not be guessed, or is configured already, stands in comments. IDs don't collide with
    those of the configuration, so that the draft can be appended to it.
    """
    taken = {SITE_SUBJECT, *config.sensors, *config.devices}
    found = [
        each
        for topic in sorted(heard, key=lambda one: one.topic)
        if not topic_matches_sub(f"{config.mqtt.publish_under}/#", topic.topic)
        for each in _draft_topic(topic, config.sensors, taken)
    ]
    drafted = [each for each in found if isinstance(each, Drafted)]
    remarks = [f"# {each}" for each in found if isinstance(each, str)]
    parts = [_sensor_table(one) for one in drafted]
    parts += _device_tables(drafted, taken)
    if remarks:
        parts.append("\n".join(["# Not drafted:", *remarks]))
    return "\n\n".join(parts) + "\n" if parts else ""


def _draft_topic(
    heard: Heard, configured: Mapping[str, Sensor], taken: set[str]
) -> Iterator[Drafted | str]:
    """Give the sensors of one topic, and in a remark for each other number why it is none."""
    shown = excerpt(heard.topic)
    sources = heard.sources()
    if not sources:
        yield f"{shown}: no number in '{heard.shown}'"
    for source in sources:
        where = f"{shown} {excerpt(source.name)}" if source.name else shown
        known = _configured_as(heard.topic, source, configured)
        guessed = guess(heard.topic, source)
        if any(0xD800 <= ord(letter) < 0xE000 for letter in source.name):
            # JSON can name half a surrogate pair, TOML only whole characters.
            yield f"{where}: half a character stands in its name, which TOML can't hold"
        elif known is not None:
            yield f"{where}: it is [sensors.{known}] already"
        elif guessed is None:
            yield f"{where}: {source.value:zg}, not known what it measures"
        else:
            yield Drafted(_new_id(heard.topic, source, taken), heard, source, guessed)


def _configured_as(topic: str, source: Source, configured: Mapping[str, Sensor]) -> str | None:
    for name, sensor in configured.items():
        same = (sensor.pointer, sensor.senml_name) == (source.pointer, source.senml_name)
        if same and topic_matches_sub(sensor.topic, topic):
            return name
    return None


def _new_id(topic: str, source: Source, taken: set[str]) -> str:
    words = dict.fromkeys(words_of(topic) + words_of(source.name))
    wanted = "-".join(word for word in words if word.isascii())
    return _free_id(wanted[-_LONGEST_ID:].strip("-") or "sensor", taken)


def _free_id(wanted: str, taken: set[str]) -> str:
    identity, number = wanted, 2
    while identity in taken:
        identity, number = f"{wanted}-{number}", number + 1
    taken.add(identity)
    return identity


def _sensor_table(one: Drafted) -> str:
    heard, source = one.heard, one.source
    lines = []
    if heard.live and not heard.qos:
        lines.append(f"# It {QOS_0}.")
    if not heard.live:
        lines.append(f"# Of this one {RETAINED}.")
    keys = {"topic": heard.topic, "pointer": source.pointer, "senml_name": source.senml_name}
    lines.append(f"[sensors.{one.id}]")
    lines += [f"{key} = {toml_text(text)}" for key, text in keys.items() if text is not None]
    lines.append(f'quantity = "{one.guess.quantity}"')
    lines.append(f'unit = "{one.guess.unit}"  # it said {source.value:zg}')
    interval_s = heard.interval_s()
    if interval_s:
        seen = f"measured over {counted(len(heard.gaps_ms) + 1, 'message')}"
        lines.append(f"interval_s = {_rounded(interval_s)}  # {seen}")
    else:
        lines.append(f"interval_s = {DEFAULT_INTERVAL_S}  # not measured: it was heard too briefly")
    return "\n".join(lines)


def _device_tables(drafted: list[Drafted], taken: set[str]) -> list[str]:
    """Give a device for each temperature; its ambient is guessed among the others."""
    temperatures = [one for one in drafted if one.guess.quantity == "temperature"]
    ambient = next((one for one in temperatures if one.may_be_ambient), None)
    tables = []
    for one in temperatures:
        words = one.id.removesuffix("-temperature").removesuffix("-temp")
        identity = _free_id(words if words != one.id else f"{one.id}-device", taken)
        lines = [f"[devices.{identity}]", f'temperature = "{one.id}"']
        if one is ambient:
            lines.insert(0, "# Taken for the air around the others; no device if it is only that.")
        else:
            lines += _ambient_lines(ambient, temperatures, one)
        lines += _companions(one, temperatures, drafted)
        lines.append("# max_rise_k = 25.0  # a setpoint, or derating: see the maker's data")
        tables.append("\n".join(lines))
    return tables


def _ambient_lines(ambient: Drafted | None, temperatures: list[Drafted], one: Drafted) -> list[str]:
    if ambient is not None:
        return [f'ambient = "{ambient.id}"  # guessed by its name']
    others = [other for other in temperatures if other is not one]
    if not others:
        return ['# ambient = "..."  # no second temperature came; without it no rise is known']
    coolest = min(others, key=lambda other: other.source.value)
    if coolest.source.value >= one.source.value:
        return [f'# ambient = "{coolest.id}"  # this is the coolest: perhaps it is the ambient']
    return [f'ambient = "{coolest.id}"  # guessed: the coolest of the others; put it right']


def _companions(one: Drafted, temperatures: list[Drafted], drafted: list[Drafted]) -> list[str]:
    """Give its power, fan and sound sensors: those whose names tell of the very same place."""
    if sum(other.place == one.place for other in temperatures) > 1:
        return []
    lines = []
    for quantity, role in _ROLES.items():
        fitting = [
            other
            for other in drafted
            if other.guess.quantity == quantity and other.place == one.place
        ]
        if len(fitting) == 1:
            lines.append(f'{role} = "{fitting[0].id}"')
    return lines


def toml_text(text: str) -> str:
    """Write a TOML basic string; what a terminal could take for a command is escaped."""

    def escaped(letter: str) -> str:
        if letter in '"\\':
            return f"\\{letter}"
        return letter if letter.isprintable() else f"\\U{ord(letter):08X}"

    return f'"{"".join(map(escaped, text))}"'


def _rounded(interval_s: float) -> float:
    """Round to two significant digits, as nobody sets a node to 9.98 s; at least 0.001."""
    digits = 1 - math.floor(math.log10(max(interval_s, 0.001)))
    return max(round(interval_s, digits), 0.001)
