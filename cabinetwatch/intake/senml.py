"""SenML packs in JSON (RFC 8428), resolved: base fields folded in, times made absolute."""

import math
import re
from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from cabinetwatch.intake.excerpt import excerpt

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
        total=_finite(base.get("bs", 0) + _number(fields, "s"), "sum") if has_sum else None,
        time_s=_time(base.get("bt", 0) + _number(fields, "t"), now_s),
        timed="bt" in base or "t" in fields,
        version=version,
    )


def _value(fields: Mapping[str, Any], label: str, base: Mapping[str, Any]) -> float | str | bool:
    if label == "v":
        return _finite(base.get("bv", 0) + _number(fields, "v"), "value")
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
        return _finite(float(value), label)
    except OverflowError:
        raise BadPack(f"has a {label} too large to be a number") from None


def _finite(value: float, what: str) -> float:
    if not math.isfinite(value):
        raise BadPack(f"has a {what} that is no finite number")
    return value
