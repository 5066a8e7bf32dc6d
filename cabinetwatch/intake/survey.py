"""A survey of what arrives: the topics, how often they speak, and the numbers in their payloads."""

import re
from collections import deque
from collections.abc import Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from itertools import islice
from statistics import median
from typing import Any, NamedTuple

from cabinetwatch.config.sensors import Sensor
from cabinetwatch.intake import jsontext, numerals, senml
from cabinetwatch.intake.excerpt import excerpt, excerpt_of_bytes
from cabinetwatch.intake.message import Incoming

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
_COMMA = re.compile(rb"\d,\d")
_UNIT_KEYS = ("unit", "units", "uom", "unit_of_measurement")


class Source(NamedTuple):
    """A number in the payloads of a topic: bare, under a pointer, or in a named SenML record.

    `unit` is as SenML names it, `hint` what a payload writes beside the number as its unit.
    """

    value: float
    pointer: str | None = None
    senml_name: str | None = None
    unit: str | None = None
    hint: str | None = None


@dataclass(slots=True)
class Heard:
    """What was heard on one topic. `qos` is the highest at which a live message came."""

    topic: str
    count: int = 0
    live: int = 0
    retained: int = 0
    qos: int = 0
    shown: str = ""
    """The beginning of the latest payload, fit to be shown."""
    last_live_t: int | None = None
    payloads: deque[bytes] = field(default_factory=deque)
    payload_bytes: int = 0
    gaps_ms: deque[int] = field(default_factory=lambda: deque(maxlen=_GAPS_KEPT))

    def note(self, message: Incoming, room_bytes: int) -> None:
        """Take a message of this topic; its payload is kept where there is room."""
        self.count += 1
        self.shown = excerpt_of_bytes(message.payload, _SHOWN)
        self._keep(message.payload, room_bytes)
        if message.retain:
            self.retained += 1
            return
        self.live += 1
        self.qos = max(self.qos, message.qos)
        if self.last_live_t is not None:
            self.gaps_ms.append(message.t - self.last_live_t)
        self.last_live_t = message.t

    def _keep(self, payload: bytes, room_bytes: int) -> None:
        # A picture from a camera is no reading.
        if len(payload) > min(jsontext.LONGEST_BYTES, room_bytes):
            return
        self.payload_bytes += len(payload)
        while self.payload_bytes > jsontext.LONGEST_BYTES or len(self.payloads) >= _PAYLOADS_KEPT:
            self.payload_bytes -= len(self.payloads.popleft())
        self.payloads.append(payload)

    def interval_s(self) -> float | None:
        """The usual seconds between live messages; None when it was heard but once."""
        return median(self.gaps_ms) / 1000 if self.gaps_ms else None

    def sources(self) -> list[Source]:
        """The numbers seen in its latest payloads, the latest value of each."""
        found: dict[tuple[str | None, str | None], Source] = {}
        for payload in self.payloads:
            for source in find_sources(payload):
                found[source.pointer, source.senml_name] = source
        return list(found.values())


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
    try:
        return [Source(numerals.from_payload(payload))]
    except numerals.NotANumber:
        pass
    try:
        document = jsontext.parse(payload)
    except jsontext.NotJson:
        return []
    return _of_pack(document) or list(islice(_of_members(document, ""), _MOST_MEMBERS))


def with_remedy(problem: str, sensor: Sensor, payload: bytes) -> str:
    """Say what is wrong with a payload, and what to change so that the sensor is read from it.

    >>> from cabinetwatch.config.sensors import Sensor
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
    if _COMMA.search(payload) is not None:
        return f"{problem}; write the number with a point, such as 21.4, in what sends it"
    return (
        f"{problem}; have what sends it write a bare number, JSON or SenML, or take another topic"
    )


def _of_pack(document: Any) -> list[Source]:
    try:
        records = senml.resolve(document, 0.0).records
    except senml.BadPack:
        return []
    return [
        Source(float(record.value), senml_name=record.name, unit=record.unit)
        for record in records
        if isinstance(record.value, float)
    ][:_MOST_MEMBERS]


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
        with suppress(numerals.NotANumber):
            yield Source(numerals.from_json(value), pointer=pointer, hint=hint)
        return
    for key, member in members:
        yield from _of_members(member, f"{pointer}/{_escape(str(key))}", hint)


def _escape(token: str) -> str:
    # RFC 6901, section 3; the order matters.
    return token.replace("~", "~0").replace("/", "~1")
