"""From topic and payload to values: bare numbers, JSON under a pointer, SenML (RFC 8428).

`Decoder` reads messages for the configured sensors. Whatever comes, it raises nothing: what can't
be read is reported in a sentence, with the sensors that have no value for it. Below it stand the
readers of the three kinds, stricter than Python's own, and the topic filters that are subscribed to
(MQTT 5.0 section 4.7, the same in 3.1.1).
"""

import json
import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import chain
from typing import Any, NamedTuple, NoReturn

from jsonpointer import EndOfList, JsonPointer
from paho.mqtt.matcher import MQTTMatcher

from cabinetwatch.config.model import Sensor
from cabinetwatch.config.values import UNITS, Conversion, conversion, is_wildcard
from cabinetwatch.mqtt.link import excerpt, excerpt_of_bytes

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


_NOWHERE = object()


@dataclass(frozen=True, slots=True)
class _Source:
    """One sensor, made ready for decoding. Under wildcards (`wild`) it comes after the others."""

    sensor: str
    wild: bool
    place: int
    quantity: str
    to_own_unit: Conversion
    pointer: JsonPointer | None
    name: str | None


class _Plan(NamedTuple):
    """The sensors that one topic feeds, by the kind of their payload."""

    sensors: tuple[str, ...]
    bare: list[_Source]
    pointed: list[tuple[_Source, JsonPointer]]
    named: dict[str, list[_Source]]


@dataclass(slots=True)
class Decoded:
    """What one message held: the values, and a sentence for everything that could not be read.

    `unread` are the sensors that should have had a value from it and have none, each with the first
    thing that is wrong for it. Under a wildcard, and in a pack, it is ordinary that a message
    serves only some sensors: what is `missing` is a problem only when nothing was found at all.
    """

    values: list[Value] = field(default_factory=list)
    problems: list[str] = field(default_factory=list)
    unread: dict[str, str] = field(default_factory=dict)
    missing: list[tuple[_Source, str]] = field(default_factory=list, compare=False)

    def fail(self, source: _Source, what: str) -> None:
        """Note what is wrong with the part of the message that a sensor is read from."""
        self.fail_all([source], f"{source.sensor}: {what}")

    def fail_all(self, sources: Iterable[_Source], sentence: str) -> None:
        """Note what is wrong with the message, or the part of it that these are read from."""
        self.problems.append(sentence)
        for source in sources:
            self.unread.setdefault(source.sensor, sentence)

    def take(self, source: _Source, value: float, own_utc_ms: int | None = None) -> None:
        """Note a value in the quantity's own unit; what became infinite on the way is none."""
        if math.isfinite(value):
            self.values.append(Value(source.sensor, value, own_utc_ms))
        else:
            self.fail(source, f"the value is not a finite number in {UNITS[source.quantity][0]}")


class Decoder:
    """Decodes messages for the configured sensors. Not for use by several threads at once.

    `filters` are the topic filters to subscribe to, folded so that no message comes twice.
    """

    def __init__(self, sensors: Mapping[str, Sensor]) -> None:
        by_filter: dict[str, list[_Source]] = {}
        for place, (sensor, settings) in enumerate(sensors.items()):
            to_own_unit = conversion(settings.quantity, settings.unit)
            if to_own_unit is None:
                raise ValueError(f"{settings.unit} is no unit of {settings.quantity}")
            source = _Source(
                sensor=sensor,
                wild=is_wildcard(settings.topic),
                place=place,
                quantity=settings.quantity,
                to_own_unit=to_own_unit,
                pointer=None if settings.pointer is None else JsonPointer(settings.pointer),
                name=settings.senml_name,
            )
            by_filter.setdefault(settings.topic, []).append(source)
        self._matcher = MQTTMatcher()  # type: ignore[no-untyped-call]
        for topic_filter, sources in by_filter.items():
            self._matcher[topic_filter] = sources
        self._plans: dict[str, _Plan | None] = {}
        self.filters: list[str] = fold(by_filter)

    def decode(self, topic: str, payload: bytes, arrived_utc_ms: int) -> Decoded:
        """Read a message; whatever it is, this raises nothing.

        A topic that feeds no sensor gives nothing at all. From `arrived_utc_ms` the relative times
        of a SenML pack count.
        """
        plan, found = self._plan(topic), Decoded()
        if plan is None:
            return found
        for source in plan.bare:
            try:
                found.take(source, source.to_own_unit(from_payload(payload)))
            except Undecodable as error:
                found.fail(source, f"'{excerpt_of_bytes(payload)}' {error}")
        if plan.pointed or plan.named:
            try:
                document = parse(payload)
            except Undecodable as error:
                sentence = f"the payload '{excerpt_of_bytes(payload)}' {error}"
                pointed = (source for source, _ in plan.pointed)
                found.fail_all(chain(pointed, *plan.named.values()), sentence)
            else:
                for source, pointer in plan.pointed:
                    _take_pointed(source, pointer, document, found)
                if plan.named:
                    _take_pack(plan.named, document, arrived_utc_ms, found)
        if not found.values:
            for source, what in found.missing:
                found.fail(source, what)
        return found

    def sensors_of(self, topic: str) -> tuple[str, ...]:
        """Give the sensors that a topic feeds."""
        plan = self._plan(topic)
        return () if plan is None else plan.sensors

    def _plan(self, topic: str) -> _Plan | None:
        if topic in self._plans:
            return self._plans[topic]
        plan = None
        matched = self._matcher.iter_match(topic)  # type: ignore[no-untyped-call]
        # A set, since of a topic that is no topic, such as `#`, a filter may come twice.
        once = {source for sources in matched for source in sources}
        fed = sorted(once, key=lambda source: (source.wild, source.place))
        if fed:
            plan = _Plan(tuple(source.sensor for source in fed), [], [], {})
            for source in fed:
                if source.name is not None:
                    plan.named.setdefault(source.name, []).append(source)
                elif source.pointer is not None:
                    plan.pointed.append((source, source.pointer))
                else:
                    plan.bare.append(source)
        if len(topic) <= _LONGEST_REMEMBERED:
            if len(self._plans) >= _MOST_REMEMBERED:
                self._plans.clear()
            self._plans[topic] = plan
        return plan


def _take_pointed(source: _Source, pointer: JsonPointer, document: Any, found: Decoded) -> None:
    value = pointer.resolve(document, _NOWHERE)
    # "-" names the element past the end of a list; there is nothing to read (RFC 6901, 4).
    if value is _NOWHERE or isinstance(value, EndOfList):
        what = f"the payload has nothing at '{pointer.path}'"
        if source.wild:
            found.missing.append((source, what))
        else:
            found.fail(source, what)
        return
    try:
        found.take(source, source.to_own_unit(from_json(value)))
    except Undecodable as error:
        found.fail(source, f"the value at '{pointer.path}' {error}")


def _take_pack(
    named: Mapping[str, list[_Source]], document: Any, arrived_utc_ms: int, found: Decoded
) -> None:
    try:
        pack = resolve(document, arrived_utc_ms / 1000)
    except Undecodable as error:
        found.fail_all(chain(*named.values()), f"the payload {error}")
        return
    for name, problem in pack.problems:
        found.fail_all(named.get(name, ()), f"in the payload {problem}")
    for record in pack.records:
        for source in named.get(record.name, ()):
            _take_record(source, record, found)
    served = {record.name for record in pack.records}
    for name, sources in named.items():
        if name not in served:
            what = f"the pack has no record named '{name}'"
            found.missing += [(source, what) for source in sources]


def _take_record(source: _Source, record: "Record", found: Decoded) -> None:
    if record.value is None:
        return
    # The record's own unit counts; without one, the configured unit does.
    unit = record.unit
    convert = source.to_own_unit if unit is None else conversion(source.quantity, unit)
    the_record = f"the record '{record.name}'"
    if convert is None:
        in_unit = f"is in '{excerpt(str(unit))}', which is no unit of {source.quantity}"
        found.fail(source, f"{the_record} {in_unit}")
    elif isinstance(record.value, bool | str):
        found.fail(source, f"{the_record} has no numeric value")
    else:
        own_utc_ms = round(record.time_s * 1000) if record.timed else None
        found.take(source, convert(record.value), own_utc_ms)


# -- numbers and JSON -----------------------------------------------------------------------------

LONGEST_BYTES = 131_072
"""Our choice: the longest pack that is read (`MOST_RECORDS`), with 65 bytes a record."""
# Stricter than float(): no 1_000, no nan, no infinity, no digits of other scripts.
_NUMERAL = re.compile(r"[ \t\r\n]*[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?[ \t\r\n]*")
_LONGEST_NUMERAL = 400


class Undecodable(ValueError):  # noqa: N818 - it says what the payload is
    """A payload, or a part of one, is not what it should be; the text says what is wrong."""


def from_payload(payload: bytes) -> float:
    """Read a payload that is wholly a number; raises Undecodable unless it is a finite one."""
    # Every byte is a letter of Latin-1, and numerals are ASCII.
    return _from_text(payload.decode("latin-1"), "is not a number")


def from_json(value: object) -> float:
    """Take a JSON value as a number: a number, or a string that is wholly a number.

    Raises:
        Undecodable: it is something else (true and false are no numbers), or not finite.
    """
    if isinstance(value, str):
        return _from_text(value, "is a text that is not wholly a number")
    if isinstance(value, bool):
        raise Undecodable("is true or false, not a number")
    if isinstance(value, int | float):
        try:
            return _finite(float(value))
        except OverflowError:
            raise Undecodable("is a number too large to be one") from None
    raise Undecodable("is null" if value is None else "is an object or a list, not a number")


def _from_text(text: str, wrong: str) -> float:
    if len(text) > _LONGEST_NUMERAL or _NUMERAL.fullmatch(text) is None:
        raise Undecodable(wrong)
    return _finite(float(text))


def _finite(value: float, wrong: str = "is not a finite number") -> float:
    if not math.isfinite(value):
        raise Undecodable(wrong)
    return value


def parse(payload: bytes) -> Any:
    """Read one JSON document.

    Raises:
        Undecodable: too long, invalid UTF-8, a syntax error, NaN or Infinity, a key that comes
            twice, or nested too deeply.
    """
    if len(payload) > LONGEST_BYTES:
        raise Undecodable(f"is longer than {LONGEST_BYTES} bytes")
    try:
        return _JSON.decode(payload.decode())
    except Undecodable:
        raise
    except UnicodeDecodeError:
        raise Undecodable("is not UTF-8") from None
    except RecursionError:
        raise Undecodable("is JSON nested too deeply") from None
    except json.JSONDecodeError as error:
        raise Undecodable(f"is not JSON: {error.msg} at character {error.pos}") from None
    except ValueError:
        # The one other ValueError: an integer of thousands of digits.
        raise Undecodable("holds a number with too many digits") from None


def _refuse_constant(name: str) -> NoReturn:
    raise Undecodable(f"holds {name}, which JSON doesn't know")


def _unique(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    members = dict(pairs)
    if len(members) != len(pairs):
        raise Undecodable("is JSON with a key that comes twice")
    return members


_JSON = json.JSONDecoder(parse_constant=_refuse_constant, object_pairs_hook=_unique)

# -- SenML ----------------------------------------------------------------------------------------

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


class Record(NamedTuple):
    """One resolved record.

    `value` is what stood under `v` (with the base value added), `vs`, `vb` or `vd`, None when the
    record has only a sum. `time_s` is absolute (seconds since 1970); `timed` is False when the pack
    gave no time at all, so that it means now.
    """

    name: str
    unit: str | None
    value: float | str | bool | None
    time_s: float
    timed: bool


class Pack(NamedTuple):
    """What a pack holds: its good records in time order, and what is wrong with each bad one.

    That is a sentence behind the name under which it comes, as far as it has any.
    """

    records: list[Record]
    problems: list[tuple[str, str]]


def resolve(document: object, now_s: float) -> Pack:
    """Resolve a pack by RFC 8428 section 4.6; relative times count from `now_s`.

    A record that breaks a rule is left out and reported; the others count.

    Raises:
        Undecodable: not a list of objects, a larger version than understood, a label ending in `_`,
            which must be understood (4.4) and is not, or a base field that can't be read.
    """
    if not isinstance(document, list) or not all(isinstance(item, dict) for item in document):
        raise Undecodable("is no SenML pack: a list of objects")
    if len(document) > MOST_RECORDS:
        raise Undecodable(
            f"has {len(document)} records; at most {MOST_RECORDS} are read from one message: "
            "send them in several"
        )
    _check_labels(document)
    base: dict[str, Any] = {}
    pack = Pack([], [])
    for place, fields in enumerate(document, 1):
        # Base fields hold from their record onwards (4.1). One that can't be read makes all that
        # follow doubtful: not caught here.
        base |= {label: _text(fields, label) for label in ("bn", "bu") if label in fields}
        if len(base.get("bn", "")) > _LONGEST_NAME:
            raise Undecodable(f"has a bn longer than {_LONGEST_NAME} characters")
        base |= {label: _number(fields, label) for label in ("bt", "bv", "bs") if label in fields}
        try:
            record = _resolve_record(fields, base, now_s)
        except Undecodable as error:
            name = f"{base.get('bn', '')}{fields.get('n', '')}"
            pack.problems.append((name, f"record {place} {error}"))
        else:
            if record is not None:
                pack.records.append(record)
    pack.records.sort(key=lambda record: record.time_s)
    return pack


def _check_labels(document: Sequence[Mapping[str, Any]]) -> None:
    """Refuse what the whole pack must be refused for."""
    for fields in document:
        for label in fields:
            if label.endswith("_"):
                raise Undecodable(
                    f"has the field {excerpt(label)}, which must be understood and is not"
                )
        version = fields.get("bver", _UNDERSTOOD_VERSION)
        if isinstance(version, bool) or not isinstance(version, int) or version < 1:
            raise Undecodable("has a bver that is no positive whole number")
        if version > _UNDERSTOOD_VERSION:
            raise Undecodable(f"is of version {version}; versions up to 10 are understood")


def _resolve_record(
    fields: Mapping[str, Any], base: Mapping[str, Any], now_s: float
) -> Record | None:
    values = [label for label in _VALUE_LABELS if label in fields]
    if not values and "bv" in base and "n" in fields:
        values = ["v"]  # of base value and value the missing one counts as zero (4.5.2)
    if not values and "s" not in fields:
        if any(label.startswith("b") for label in fields):
            return None  # only sets base fields for those that follow
        raise Undecodable("has no value")
    if len(values) > 1:
        raise Undecodable(f"has more than one value: {' and '.join(values)}")
    name = base.get("bn", "") + _text(fields, "n")
    if len(name) > _LONGEST_NAME:
        raise Undecodable(f"has a name longer than {_LONGEST_NAME} characters")
    if not _NAME.fullmatch(name):
        raise Undecodable(f"has the name '{excerpt(name)}', which RFC 8428, 4.5.1 doesn't allow")
    unit = _text(fields, "u") if "u" in fields else base.get("bu")
    value = _value(fields, values[0], base) if values else None
    # Sums are of no use here, but one that can't be read spoils its record all the same.
    _finite(base.get("bs", 0) + _number(fields, "s"), "has a sum that is no finite number")
    time_s = base.get("bt", 0) + _number(fields, "t")
    if time_s < _RELATIVE_BELOW_S:
        time_s += now_s
    if not 0 <= time_s <= _LATEST_S:
        raise Undecodable("has a time beyond any calendar")
    return Record(name, unit, value, time_s, timed="bt" in base or "t" in fields)


def _value(fields: Mapping[str, Any], label: str, base: Mapping[str, Any]) -> float | str | bool:
    if label == "v":
        value: float = base.get("bv", 0) + _number(fields, "v")
        return _finite(value, "has a value that is no finite number")
    wanted = bool if label == "vb" else str
    value = fields[label]
    if not isinstance(value, wanted):
        raise Undecodable(f"has a {label} of the wrong type")
    return value


def _text(fields: Mapping[str, Any], label: str) -> str:
    value = fields.get(label, "")
    if not isinstance(value, str):
        raise Undecodable(f"has a {label} that is no text")
    return value


def _number(fields: Mapping[str, Any], label: str) -> float:
    value = fields.get(label, 0)
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise Undecodable(f"has a {label} that is no number")
    try:
        return _finite(float(value), f"has a {label} that is no finite number")
    except OverflowError:
        raise Undecodable(f"has a {label} too large to be a number") from None


# -- topic filters --------------------------------------------------------------------------------


def covers(wide: str, narrow: str) -> bool:
    """Whether every topic that the filter `narrow` matches is matched by `wide` too."""
    return _join(wide.split("/"), narrow.split("/")) == wide.split("/")


def fold(filters: Iterable[str]) -> list[str]:
    """Give filters that match at least the same topics, and no topic twice.

    A broker may deliver a message once for every filter that matches it (MQTT 5.0, 3.3.4). A filter
    covered by another is left out; two that overlap without one covering the other become the
    narrowest one that covers both. That may bring topics nobody asked for, which nobody decodes.
    """
    folded: list[list[str]] = []
    for topic_filter in filters:
        levels, place = topic_filter.split("/"), 0
        while place < len(folded):
            joined = _join(folded[place], levels)
            if joined is None:
                place += 1
            else:
                # It may reach others that the narrower one did not: begin again with it.
                del folded[place]
                levels, place = joined, 0
        folded.append(levels)
    return sorted("/".join(levels) for levels in folded)


def _join(one: list[str], other: list[str]) -> list[str] | None:
    """Give the narrowest filter that covers two; None when no topic is matched by both."""
    for first, second in ((one[0], other[0]), (other[0], one[0])):
        if first in {"+", "#"} and second.startswith("$"):
            return None  # a leading wildcard doesn't match topics that begin with $ (4.7.2)
    joined: list[str] = []
    for mine, theirs in zip(one, other, strict=False):
        if "#" in (mine, theirs):
            return [*joined, "#"]
        if mine != theirs and "+" not in (mine, theirs):
            return None
        joined.append(mine if mine == theirs else "+")
    if len(one) == len(other):
        return joined
    longer, shorter = (one, other) if len(one) > len(other) else (other, one)
    # `sport/#` matches `sport` itself, too (4.7.1.2).
    return [*joined, "#"] if longer[len(shorter)] == "#" else None
