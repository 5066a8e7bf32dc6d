"""From topic and payload to the values of the sensors that are configured on that topic."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from math import isfinite
from typing import Any, NamedTuple

from cabinetwatch.config.quantities import UNITS, Conversion, conversion
from cabinetwatch.config.sensors import Sensor
from cabinetwatch.config.topics import is_wildcard
from cabinetwatch.intake import jsontext, numerals, senml, topics
from cabinetwatch.intake.excerpt import excerpt, excerpt_of_bytes
from cabinetwatch.intake.pointer import Missing, Pointer

# Topics seen under wildcards, remembered with their sensors. Bounded in number and length, because
# whoever may publish may invent topics: together at most 1 MB.
_MOST_REMEMBERED = 4096
_LONGEST_REMEMBERED = 256


class Value(NamedTuple):
    """One value of one sensor, in the quantity's own unit (degC for temperatures).

    `own_utc_ms` is the time the payload itself gives, None when it gives none.
    """

    sensor: str
    value: float
    own_utc_ms: int | None = None


class Decoded(NamedTuple):
    """What one message held: the values, and a sentence for everything that could not be read.

    `unread` are the sensors that should have had a value from it and have none, each once.
    """

    values: list[Value]
    problems: list[str]
    unread: list[str]


_NOTHING = Decoded([], [], [])


@dataclass(frozen=True, slots=True)
class _Source:
    """One sensor, made ready for decoding. `exact` when its topic has no wildcard."""

    sensor: str
    quantity: str
    to_own_unit: Conversion
    exact: bool
    pointer: Pointer | None
    name: str | None


@dataclass(frozen=True, slots=True)
class _Plan:
    """The sensors that one topic feeds, by the kind of their payload."""

    sensors: tuple[str, ...]
    bare: tuple[_Source, ...]
    pointed: tuple[tuple[_Source, Pointer], ...]
    named: Mapping[str, tuple[_Source, ...]]


@dataclass(slots=True)
class _Findings:
    """What has been found in one message so far.

    Under a wildcard, and in a pack, it is ordinary that a message serves only some sensors: what is
    `missing` is a problem only when nothing was found at all.
    """

    values: list[Value] = field(default_factory=list)
    problems: list[str] = field(default_factory=list)
    unread: list[str] = field(default_factory=list)
    missing: list[tuple[str, str]] = field(default_factory=list)

    def fail(self, sensor: str, sentence: str) -> None:
        """Note what is wrong with the part of the message that a sensor is read from."""
        self.problems.append(sentence)
        self.unread.append(sensor)

    def take(self, source: _Source, value: float, own_utc_ms: int | None = None) -> None:
        """Note a value in the quantity's own unit; what became infinite on the way is none."""
        if isfinite(value):
            self.values.append(Value(source.sensor, value, own_utc_ms))
        else:
            unit = UNITS[source.quantity][0]
            self.fail(source.sensor, f"{source.sensor}: the value is not a finite number in {unit}")

    def result(self) -> Decoded:
        """Sum up."""
        if not self.values:
            for sensor, sentence in self.missing:
                self.fail(sensor, sentence)
        unread = list(dict.fromkeys(self.unread)) if self.unread else self.unread
        return Decoded(self.values, self.problems, unread)


class Decoder:
    """Decodes messages for a set of sensors. Not for use by several threads at once.

    `filters` are the topic filters to subscribe to, folded so that no message comes twice.

    Args:
        sensors: the configured sensors by ID.
    """

    def __init__(self, sensors: Mapping[str, Sensor]) -> None:
        self._exact: dict[str, list[_Source]] = {}
        self._wild: list[tuple[str, _Source]] = []
        for sensor, settings in sensors.items():
            source = _make_source(sensor, settings)
            if source.exact:
                self._exact.setdefault(settings.topic, []).append(source)
            else:
                self._wild.append((settings.topic, source))
        self._plans: dict[str, _Plan | None] = {}
        self.filters: list[str] = topics.fold(settings.topic for settings in sensors.values())

    def decode(self, topic: str, payload: bytes, arrived_utc_ms: int) -> Decoded:
        """Read a message; whatever it is, this raises nothing.

        Args:
            topic: the topic it came on. One that feeds no sensor gives nothing at all.
            payload: its bytes.
            arrived_utc_ms: the arrival, from which a SenML pack's relative times count.
        """
        plan = self._plan(topic)
        if plan is None:
            return _NOTHING
        findings = _Findings()
        for source in plan.bare:
            _take_bare(source, payload, findings)
        if plan.pointed or plan.named:
            _take_json(plan, payload, arrived_utc_ms, findings)
        return findings.result()

    def sensors_of(self, topic: str) -> tuple[str, ...]:
        """Give the sensors that a topic feeds."""
        plan = self._plan(topic)
        return () if plan is None else plan.sensors

    def _plan(self, topic: str) -> _Plan | None:
        try:
            return self._plans[topic]
        except KeyError:
            return self._plan_anew(topic)

    def _plan_anew(self, topic: str) -> _Plan | None:
        sources = self._exact.get(topic, []) + [
            source for wildcard, source in self._wild if topics.matches(wildcard, topic)
        ]
        plan = _make_plan(sources) if sources else None
        if len(topic) <= _LONGEST_REMEMBERED:
            if len(self._plans) >= _MOST_REMEMBERED:
                self._plans.clear()
            self._plans[topic] = plan
        return plan


def _make_source(sensor: str, settings: Sensor) -> _Source:
    to_own_unit = conversion(settings.quantity, settings.unit)
    if to_own_unit is None:
        raise ValueError(f"{settings.unit} is no unit of {settings.quantity}")
    return _Source(
        sensor=sensor,
        quantity=settings.quantity,
        to_own_unit=to_own_unit,
        exact=not is_wildcard(settings.topic),
        pointer=None if settings.pointer is None else Pointer(settings.pointer),
        name=settings.senml_name,
    )


def _make_plan(sources: Sequence[_Source]) -> _Plan:
    bare: list[_Source] = []
    pointed: list[tuple[_Source, Pointer]] = []
    named: dict[str, tuple[_Source, ...]] = {}
    for source in sources:
        if source.name is not None:
            named[source.name] = (*named.get(source.name, ()), source)
        elif source.pointer is not None:
            pointed.append((source, source.pointer))
        else:
            bare.append(source)
    sensors = tuple(source.sensor for source in sources)
    return _Plan(sensors, tuple(bare), tuple(pointed), named)


def _take_bare(source: _Source, payload: bytes, findings: _Findings) -> None:
    try:
        number = numerals.from_payload(payload)
    except numerals.NotANumber as error:
        findings.fail(source.sensor, f"{source.sensor}: '{excerpt_of_bytes(payload)}' {error}")
    else:
        findings.take(source, source.to_own_unit(number))


def _take_json(plan: _Plan, payload: bytes, arrived_utc_ms: int, findings: _Findings) -> None:
    try:
        document = jsontext.parse(payload)
    except jsontext.NotJson as error:
        findings.problems.append(f"the payload '{excerpt_of_bytes(payload)}' {error}")
        findings.unread += [source.sensor for source, _ in plan.pointed]
        findings.unread += _sensors_of(plan.named)
        return
    for source, pointer in plan.pointed:
        _take_pointed(source, pointer, document, findings)
    if plan.named:
        _take_pack(plan.named, document, arrived_utc_ms, findings)


def _take_pointed(source: _Source, pointer: Pointer, document: Any, findings: _Findings) -> None:
    try:
        number = numerals.from_json(pointer.resolve(document))
    except Missing:
        sentence = f"{source.sensor}: the payload has nothing at '{pointer.text}'"
        if source.exact:
            findings.fail(source.sensor, sentence)
        else:
            findings.missing.append((source.sensor, sentence))
    except numerals.NotANumber as error:
        findings.fail(source.sensor, f"{source.sensor}: the value at '{pointer.text}' {error}")
    else:
        findings.take(source, source.to_own_unit(number))


def _take_pack(
    named: Mapping[str, tuple[_Source, ...]],
    document: Any,
    arrived_utc_ms: int,
    findings: _Findings,
) -> None:
    try:
        pack = senml.resolve(document, arrived_utc_ms / 1000)
    except senml.BadPack as error:
        findings.problems.append(f"the payload {error}")
        findings.unread += _sensors_of(named)
        return
    findings.problems += [f"in the payload {problem}" for problem in pack.problems]
    findings.unread += _sensors_of({name: named[name] for name in pack.bad_names & named.keys()})
    for record in pack.records:
        for source in named.get(record.name, ()):
            _take_record(source, record, findings)
    served = {record.name for record in pack.records}
    for name, sources in named.items():
        if name not in served:
            findings.missing += [
                (source.sensor, f"{source.sensor}: the pack has no record named '{name}'")
                for source in sources
            ]


def _sensors_of(named: Mapping[str, tuple[_Source, ...]]) -> list[str]:
    return [source.sensor for sources in named.values() for source in sources]


def _take_record(source: _Source, record: senml.Record, findings: _Findings) -> None:
    if record.value is None:
        return
    convert = _conversion_of(source, record.unit)
    if convert is None:
        findings.fail(
            source.sensor,
            f"{source.sensor}: the record '{record.name}' is in '{excerpt(str(record.unit))}', "
            f"which is no unit of {source.quantity}",
        )
    elif isinstance(record.value, bool | str):
        findings.fail(
            source.sensor, f"{source.sensor}: the record '{record.name}' has no numeric value"
        )
    else:
        own_utc_ms = round(record.time_s * 1000) if record.timed else None
        findings.take(source, convert(record.value), own_utc_ms)


def _conversion_of(source: _Source, unit: str | None) -> Conversion | None:
    """The record's own unit counts; without one, the configured unit does."""
    return source.to_own_unit if unit is None else conversion(source.quantity, unit)
