"""From topic and payload to values: JSON, SenML (RFC 8428), plain numbers.

The rules are those of MQTT 5.0 section 4.7, which are the same in 3.1.1.
"""

import json
import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from math import isfinite
from typing import Any, NamedTuple, NoReturn

from jsonpointer import JsonPointer, JsonPointerException

from cabinetwatch.config.equipment import Sensor
from cabinetwatch.config.values import UNITS, Conversion, conversion, is_wildcard
from cabinetwatch.mqtt.link import excerpt, excerpt_of_bytes

# Our choice: the longest pack that is read (`senml.MOST_RECORDS`), with 65 bytes a record.
LONGEST_BYTES = 131_072


class NotJson(ValueError):  # noqa: N818 - it says what the payload is
    """The payload can't be read as JSON; the text says why."""


def parse(payload: bytes) -> Any:
    """Read one JSON document.

    Raises:
        NotJson: too long, invalid UTF-8, a syntax error, NaN or Infinity, a key that comes twice,
            or nested too deeply.
    """
    if len(payload) > LONGEST_BYTES:
        raise NotJson(f"is longer than {LONGEST_BYTES} bytes")
    try:
        return _DECODER.decode(payload.decode())
    except NotJson:
        raise
    except UnicodeDecodeError:
        raise NotJson("is not UTF-8") from None
    except RecursionError:
        raise NotJson("is JSON nested too deeply") from None
    except json.JSONDecodeError as error:
        raise NotJson(f"is not JSON: {error.msg} at character {error.pos}") from None
    except ValueError:
        # The one other ValueError: an integer of thousands of digits.
        raise NotJson("holds a number with too many digits") from None


def _refuse_constant(name: str) -> NoReturn:
    raise NotJson(f"holds {name}, which JSON doesn't know")


def _unique(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    members = dict(pairs)
    if len(members) != len(pairs):
        raise NotJson("is JSON with a key that comes twice")
    return members


_DECODER = json.JSONDecoder(parse_constant=_refuse_constant, object_pairs_hook=_unique)


# Stricter than float(): no 1_000, no nan, no infinity, no digits of other scripts.
_NUMERAL = re.compile(r"[ \t\r\n]*[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?[ \t\r\n]*")
_NUMERAL_BYTES = re.compile(_NUMERAL.pattern.encode())
_LONGEST = 400


class NotANumber(ValueError):  # noqa: N818 - it says what the value is
    """What should be a number is none; the text says why."""


def from_payload(payload: bytes) -> float:
    """Read a payload that is wholly a number.

    Raises:
        NotANumber: it is not, or not a finite one.
    """
    if len(payload) > _LONGEST or _NUMERAL_BYTES.fullmatch(payload) is None:
        raise NotANumber("is not a number")
    return _finite(float(payload))


def from_json(value: object) -> float:
    """Take a JSON value as a number: a number, or a string that is wholly a number.

    Raises:
        NotANumber: it is something else (true and false are no numbers), or not finite.
    """
    if isinstance(value, float):
        return _finite(value)
    if isinstance(value, bool):
        raise NotANumber("is true or false, not a number")
    if isinstance(value, int):
        try:
            return float(value)
        except OverflowError:
            raise NotANumber("is a number too large to be one") from None
    if isinstance(value, str):
        if len(value) > _LONGEST or _NUMERAL.fullmatch(value) is None:
            raise NotANumber("is a text that is not wholly a number")
        return _finite(float(value))
    raise NotANumber("is null" if value is None else "is an object or a list, not a number")


def _finite(value: float) -> float:
    if not math.isfinite(value):
        raise NotANumber("is not a finite number")
    return value


class Missing(LookupError):  # noqa: N818 - it says what the member is
    """The document has nothing where the pointer points."""


class Pointer:
    """A JSON Pointer to a value that is to be read.

    Raises:
        ValueError: the text is no JSON Pointer.
    """

    def __init__(self, text: str) -> None:
        try:
            self._compiled = JsonPointer(text)
        except JsonPointerException:
            raise ValueError(
                f"{text!r} is no JSON Pointer; write it like /temperature or /probes/0/value"
            ) from None
        self.text = text
        self._parts: list[str] = self._compiled.get_parts()

    def resolve(self, document: Any) -> Any:
        """Give the value that the pointer names.

        Raises:
            Missing: there is none.
        """
        # Nearly every payload is objects within objects; the library serves the rest.
        value = document
        for part in self._parts:
            if type(value) is not dict:
                return self._resolve_otherwise(document)
            if part not in value:
                raise Missing(self.text)
            value = value[part]
        return value

    def _resolve_otherwise(self, document: Any) -> Any:
        # "-" names the element past the end of a list; there is nothing to read (RFC 6901, 4).
        value = document
        for part in self._parts:
            if part == "-" and isinstance(value, list):
                raise Missing(self.text)
            try:
                value = self._compiled.walk(value, part)
            except JsonPointerException:
                raise Missing(self.text) from None
        return value


MOST_RECORDS = 2_000
"""Taken from one message. Our choice: a day of minutes is 1,440, an hour of five values every 10 s
1,800; judging them takes a twentieth of a second or so, in which other sensors wait."""
_UNDERSTOOD_VERSION = 10
# RFC 8428 sets no limit. But a base name counts anew in each record that follows.
_LONGEST_NAME = 512
# Times below this are relative to now (RFC 8428, 4.5.3).
_RELATIVE_BELOW_S = 2**28
# The last instant of the year 9999: later ones have no calendar date here.
_LATEST_S = 253_402_300_799
# 4.5.1: starts with a letter or a digit and holds only these characters.
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*")
_VALUE_LABELS = ("v", "vs", "vb", "vd")


class BadPack(ValueError):  # noqa: N818 - it says what the payload is
    """The pack breaks a rule of RFC 8428; the text says which."""


class Record(NamedTuple):
    """One resolved record.

    `value` is what stood under `v` (with the base value added), `vs`, `vb` or `vd`, None when the
    record has only a sum. `time_s` is absolute (seconds since 1970); `timed` is False when the pack
    gave no time at all, so that it means now. `version` is None when it is the usual 10.
    """

    name: str
    unit: str | None
    value: float | str | bool | None
    total: float | None
    time_s: float
    timed: bool
    version: int | None = None


class Pack(NamedTuple):
    """What a pack holds: its good records in time order, and a sentence for each bad one.

    `bad_names` are those under which the bad ones stand, as far as they have any.
    """

    records: list[Record]
    problems: list[str]
    bad_names: set[str]


def resolve(document: object, now_s: float) -> Pack:
    """Resolve a pack by RFC 8428 section 4.6.

    A record that breaks a rule is left out and told; the others stand.

    Args:
        document: the parsed JSON.
        now_s: the instant that relative times count from, seconds since 1970.

    Raises:
        BadPack: not a list of objects, a larger version than understood, a label ending in `_`,
            which must be understood (4.4) and is not, or a base field that can't be read.
    """
    if not isinstance(document, list) or not all(isinstance(item, dict) for item in document):
        raise BadPack("is no SenML pack: a list of objects")
    if len(document) > MOST_RECORDS:
        raise BadPack(
            f"has {len(document)} records; at most {MOST_RECORDS} are read from one message: "
            "send them in several"
        )
    version = _check_labels(document)
    base: dict[str, Any] = {}
    records: list[Record] = []
    problems: list[str] = []
    bad_names: set[str] = set()
    for place, fields in enumerate(document, 1):
        # A base field that can't be read makes all that follow doubtful: not caught here.
        base |= _base_fields(fields)
        try:
            record = _resolve_record(fields, base, now_s, version)
        except BadPack as error:
            problems.append(f"record {place} {error}")
            bad_names.add(f"{base.get('bn', '')}{fields.get('n', '')}")
        else:
            if record is not None:
                records.append(record)
    records.sort(key=lambda record: record.time_s)
    return Pack(records, problems, bad_names)


def _check_labels(document: Sequence[Mapping[str, Any]]) -> int | None:
    """Refuse what the whole pack must be refused for; give its version unless it is the usual."""
    version = _UNDERSTOOD_VERSION
    for fields in document:
        for label in fields:
            if label.endswith("_"):
                raise BadPack(
                    f"has the field {excerpt(label)}, which must be understood and is not"
                )
        stated = fields.get("bver", version)
        if isinstance(stated, bool) or not isinstance(stated, int) or stated < 1:
            raise BadPack("has a bver that is no positive whole number")
        if stated > _UNDERSTOOD_VERSION:
            raise BadPack(f"is of version {stated}; versions up to 10 are understood")
        version = stated
    return None if version == _UNDERSTOOD_VERSION else version


def _base_fields(fields: Mapping[str, Any]) -> dict[str, Any]:
    """Give the base fields a record sets; they hold from it onwards (4.1)."""
    base: dict[str, Any] = {}
    for label in ("bn", "bu"):
        if label in fields:
            base[label] = _text(fields, label)
    if len(base.get("bn", "")) > _LONGEST_NAME:
        raise BadPack(f"has a bn longer than {_LONGEST_NAME} characters")
    for label in ("bt", "bv", "bs"):
        if label in fields:
            base[label] = _number(fields, label)
    return base


def _resolve_record(
    fields: Mapping[str, Any], base: Mapping[str, Any], now_s: float, version: int | None
) -> Record | None:
    has_sum = "s" in fields or "bs" in base
    values = [label for label in _VALUE_LABELS if label in fields]
    if not values and "bv" in base and "n" in fields:
        values = ["v"]  # of base value and value the missing one counts as zero (4.5.2)
    if not values and "s" not in fields:
        if any(label.startswith("b") for label in fields):
            return None  # only sets base fields for those that follow
        raise BadPack("has no value")
    if len(values) > 1:
        raise BadPack(f"has more than one value: {' and '.join(values)}")
    name = base.get("bn", "") + _text(fields, "n")
    if len(name) > _LONGEST_NAME:
        raise BadPack(f"has a name longer than {_LONGEST_NAME} characters")
    if not _NAME.fullmatch(name):
        raise BadPack(f"has the name '{excerpt(name)}', which RFC 8428, 4.5.1 doesn't allow")
    return Record(
        name=name,
        unit=_text(fields, "u") if "u" in fields else base.get("bu"),
        value=_value(fields, values[0], base) if values else None,
        total=_finite_or_refused(base.get("bs", 0) + _number(fields, "s"), "sum")
        if has_sum
        else None,
        time_s=_time(base.get("bt", 0) + _number(fields, "t"), now_s),
        timed="bt" in base or "t" in fields,
        version=version,
    )


def _value(fields: Mapping[str, Any], label: str, base: Mapping[str, Any]) -> float | str | bool:
    if label == "v":
        return _finite_or_refused(base.get("bv", 0) + _number(fields, "v"), "value")
    wanted = bool if label == "vb" else str
    value = fields[label]
    if not isinstance(value, wanted):
        raise BadPack(f"has a {label} of the wrong type")
    return value


def _time(stated_s: float, now_s: float) -> float:
    time_s = stated_s + now_s if stated_s < _RELATIVE_BELOW_S else stated_s
    if not 0 <= time_s <= _LATEST_S:
        raise BadPack("has a time beyond any calendar")
    return time_s


def _text(fields: Mapping[str, Any], label: str) -> str:
    value = fields.get(label, "")
    if not isinstance(value, str):
        raise BadPack(f"has a {label} that is no text")
    return value


def _number(fields: Mapping[str, Any], label: str) -> float:
    value = fields.get(label, 0)
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise BadPack(f"has a {label} that is no number")
    try:
        return _finite_or_refused(float(value), label)
    except OverflowError:
        raise BadPack(f"has a {label} too large to be a number") from None


def _finite_or_refused(value: float, what: str) -> float:
    if not math.isfinite(value):
        raise BadPack(f"has a {what} that is no finite number")
    return value


def matches(topic_filter: str, topic: str) -> bool:
    """Whether a topic name is matched by a filter."""
    return covers(topic_filter, topic)


def covers(wide: str, narrow: str) -> bool:
    """Whether every topic that the filter `narrow` matches is matched by `wide` too."""
    return _covers_levels(wide.split("/"), narrow.split("/"))


def fold(filters: Iterable[str]) -> list[str]:
    """Give filters that match at least the same topics, and no topic twice.

    A broker may deliver a message once for every filter that matches it (MQTT 5.0, 3.3.4). A filter
    covered by another is left out; two that overlap without one covering the other become the
    narrowest one that covers both. That may bring topics nobody asked for, which nobody decodes.
    """
    folded: list[list[str]] = []
    for topic_filter in filters:
        joined = topic_filter.split("/")
        # A wider filter may reach others that the narrower ones did not: begin again with it.
        while (other := _find_overlap(folded, joined)) is not None:
            folded.remove(other)
            joined = _join(other, joined)
        folded.append(joined)
    return sorted("/".join(levels) for levels in folded)


def _covers_levels(wide: list[str], narrow: list[str]) -> bool:
    if wide[0] in {"+", "#"} and narrow[0].startswith("$"):
        return False  # a leading wildcard doesn't match topics that begin with $ (4.7.2)
    for place, level in enumerate(wide):
        if level == "#":
            return True
        if place >= len(narrow) or narrow[place] == "#":
            return False
        if level not in {"+", narrow[place]}:
            return False
    # `narrow` may still be longer; `sport/#` matches `sport` itself, which is longer by its #.
    return len(narrow) == len(wide)


def _find_overlap(filters: list[list[str]], levels: list[str]) -> list[str] | None:
    return next((other for other in filters if _overlap(other, levels)), None)


def _overlap(one: list[str], other: list[str]) -> bool:
    """Whether some topic is matched by both."""
    for first, second in ((one[0], other[0]), (other[0], one[0])):
        if first in {"+", "#"} and second.startswith("$"):
            return False
    for mine, theirs in zip(one, other, strict=False):
        if "#" in (mine, theirs):
            return True
        if mine != theirs and "+" not in (mine, theirs):
            return False
    longer, shorter = (one, other) if len(one) > len(other) else (other, one)
    return len(longer) == len(shorter) or longer[len(shorter)] == "#"


def _join(one: list[str], other: list[str]) -> list[str]:
    """Give the narrowest filter that covers two which overlap."""
    if _covers_levels(one, other):
        return one
    if _covers_levels(other, one):
        return other
    joined: list[str] = []
    for mine, theirs in zip(one, other, strict=False):
        if "#" in (mine, theirs):
            return [*joined, "#"]
        joined.append(mine if mine == theirs else "+")
    return joined if len(one) == len(other) else [*joined, "#"]


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
        self.filters: list[str] = fold(settings.topic for settings in sensors.values())

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
            source for wildcard, source in self._wild if matches(wildcard, topic)
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
        number = from_payload(payload)
    except NotANumber as error:
        findings.fail(source.sensor, f"{source.sensor}: '{excerpt_of_bytes(payload)}' {error}")
    else:
        findings.take(source, source.to_own_unit(number))


def _take_json(plan: _Plan, payload: bytes, arrived_utc_ms: int, findings: _Findings) -> None:
    try:
        document = parse(payload)
    except NotJson as error:
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
        number = from_json(pointer.resolve(document))
    except Missing:
        sentence = f"{source.sensor}: the payload has nothing at '{pointer.text}'"
        if source.exact:
            findings.fail(source.sensor, sentence)
        else:
            findings.missing.append((source.sensor, sentence))
    except NotANumber as error:
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
        pack = resolve(document, arrived_utc_ms / 1000)
    except BadPack as error:
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


def _take_record(source: _Source, record: Record, findings: _Findings) -> None:
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
