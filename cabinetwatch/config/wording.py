"""Faults of a configuration as sentences: file, table, key, what is wrong, what would be right."""

import difflib
import json
import re
from collections.abc import Iterable, Mapping
from typing import Any

from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from cabinetwatch.config.base import Table
from cabinetwatch.errors import ConfigError
from cabinetwatch.text import printable, without_secrets

_LONGEST_VALUE = 60
_LONGEST_INTEGER_BITS = 200
_NEAR = 0.7
"""Of `difflib`'s ratio: one letter too many or two exchanged, and not just the same letters."""
_SHORTEST_BEGINNING = 3
_MOST_LISTED = 25

_NUMBER = re.compile(r"\s*([+-]?\d+(?:[.,]\d+)?)\s*(\D*)")
_TRUTHS = {"true": "true", "yes": "true", "on": "true"} | dict.fromkeys(
    ("false", "no", "off"), "false"
)

# By pydantic's type of error; the figures in braces are from its context.
_WRONG = {
    "string_type": "is no text in quotes",
    "int_type": "is no whole number",
    "int_from_float": "is no whole number",
    "float_type": "is no number",
    "finite_number": "is no finite number",
    "bool_type": "is neither true nor false",
    "tuple_type": "is no list",
    "list_type": "is no list",
    "dict_type": "is no table",
    "model_type": "is no table",
    "path_type": "is no text in quotes",
    "greater_than": "is not above {gt:zg}",
    "greater_than_equal": "is below {ge:zg}",
    "less_than": "is not below {lt:zg}",
    "less_than_equal": "is above {le:zg}",
    "missing": "has too few items",
    "too_short": "has too few items",
    "too_long": "has too many items",
}


class Places:
    """Where each key and each table of a configuration stands.

    Args:
        keys: key and table, such as max_rise_k and [devices.ID].
        tables: the last part of a table's name, and the whole, such as email and [notify.email].
    """

    def __init__(
        self, keys: Iterable[tuple[str, str]] = (), tables: Iterable[tuple[str, str]] = ()
    ) -> None:
        self._keys = _gathered(keys)
        self._tables = _gathered(tables)

    def of(self, name: str, *, is_table: bool) -> str:
        """Give the rest of a sentence that says where a name belongs; empty when nowhere."""
        if name in self._tables and (is_table or name not in self._keys):
            return f"write {_either(self._tables[name])}"
        if name in self._keys:
            return f"it is a key of {_either(self._keys[name])}"
        near = nearest(name, [*self._keys, *self._tables])
        if near is None:
            return ""
        where = self._keys.get(near) or self._tables[near]
        return f"the nearest known one is {near}, of {_either(where)}"


def _gathered(pairs: Iterable[tuple[str, str]]) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for name, where in pairs:
        if where not in found.setdefault(name, []):
            found[name].append(where)
    return found


def _either(places: list[str]) -> str:
    *others, last = places
    return f"{', '.join(others)} or {last}" if others else last


class Problems:
    """The faults found so far in one file; `places` help to say where a key belongs."""

    def __init__(self, file: str, places: Places | None = None) -> None:
        self.places = places or Places()
        self._file = file
        self._sentences: list[str] = []

    def add(self, table: str, text: str) -> None:
        """Note a fault; `text` is the rest of a sentence that begins with file and table."""
        where = f"{self._file}: [{table}]" if table else f"{self._file}:"
        sentence = printable(f"{where} {text}")
        if sentence not in self._sentences:
            self._sentences.append(sentence)

    def add_error(self, table: str, model: type[Table], error: ErrorDetails) -> None:
        """Note what pydantic found wrong with one key of a table."""
        self.add(table, describe(model, error, self.places))

    def raise_if_any(self) -> None:
        """Raise a ConfigError with all the faults, if there are any."""
        if self._sentences:
            raise ConfigError(self._sentences)

    def __bool__(self) -> bool:
        return bool(self._sentences)


def describe(model: type[Table], error: ErrorDetails, places: Places) -> str:
    """Turn an error of pydantic's about a key of `model` into the rest of a sentence."""
    key, *inside = error["loc"]
    if error["type"] == "extra_forbidden":
        is_table = isinstance(error["input"], dict)
        belongs = places.of(str(key), is_table=is_table)
        return unknown("table" if is_table else "key", str(key), keys_of(model), belongs)
    right = _what_is_right(model, str(key))
    if error["type"] == "missing" and not inside:
        return f"{key} is missing{right}"
    if error["type"] == "missing":
        inside.pop()  # the item that a list lacks
    items = ", ".join(f"item {place + 1}" for place in inside if isinstance(place, int))
    name = ".".join([str(key), *(place for place in inside if isinstance(place, str))])
    name = f"{name} ({items})" if items else name
    return f"{name} = {show(error['input'])} {_what_is_wrong(error)}{_unquoted(error)}{right}"


def _unquoted(error: ErrorDetails) -> str:
    """Say how a number, or true and false, is written that stands in quotes."""
    text = error["input"]
    if not isinstance(text, str):
        return ""
    if error["type"] == "bool_type" and text.lower() in _TRUTHS:
        return f"; write {_TRUTHS[text.lower()]} without quotes"
    number = _NUMBER.fullmatch(text)
    if error["type"] not in {"float_type", "int_type"} or number is None:
        return ""
    if number[2]:
        # Which figure it is in the unit of the key is theirs to say.
        return "; write the number alone, without unit and quotes"
    return f"; write {number[1].replace(',', '.')} without quotes"


def unknown(kind: str, name: str, known: Iterable[str], belongs: str = "") -> str:
    """Say that a name is not known, and which one is likely meant, or else all that are known.

    `belongs` is what `Places` say of it, which counts where no known one is near.
    """
    return f"{printable(name)} is an unknown {kind}; {_meant(kind, name, list(known), belongs)}"


def _meant(kind: str, name: str, known: list[str], belongs: str) -> str:
    near = nearest(name, known)
    if near is not None:
        return f"the nearest known one is {near}"
    return belongs or (among(known) if known else f"there is no {kind} yet")


def among(known: Iterable[str]) -> str:
    """List what is known, as the rest of a sentence; not all of it when it is much."""
    names = list(known)
    more = f" and {len(names) - _MOST_LISTED} more" if len(names) > _MOST_LISTED else ""
    return f"known are {', '.join(names[:_MOST_LISTED])}{more}"


def nearest(name: str, known: Iterable[str]) -> str | None:
    """Give the known name that another is likely meant for; None when none is really near."""
    names = sorted(known)
    close = difflib.get_close_matches(name, names, 1, cutoff=_NEAR)
    if close:
        return close[0]
    begun = [each for each in names if each.startswith(name)]
    return begun[0] if len(begun) == 1 and len(name) >= _SHORTEST_BEGINNING else None


def keys_of(model: type[Table]) -> list[str]:
    """Give the keys of a table as they are written in the file."""
    return [field.alias or name for name, field in model.model_fields.items()]


def show(value: object) -> str:
    """Write a value the way TOML does, shortened, fit for a terminal."""
    if isinstance(value, Mapping):
        return "a table"
    if isinstance(value, int) and value.bit_length() > _LONGEST_INTEGER_BITS:
        return "a huge number"
    if isinstance(value, list):
        text = f"[{', '.join(map(show, value[:10]))}]"
    elif isinstance(value, str):
        # Before it is shortened, or half of a secret would be no longer known as one.
        text = json.dumps(without_secrets(value), ensure_ascii=False)
    elif isinstance(value, bool) or value is None:
        text = json.dumps(value)
    else:
        text = str(value)
    return printable(text if len(text) <= _LONGEST_VALUE else f"{text[:_LONGEST_VALUE]}...")


def _what_is_right(model: type[Table], key: str) -> str:
    """Give the end of a sentence: the description of a key, by the class that last gave one."""
    for owner in model.__mro__:
        fields: Mapping[str, FieldInfo] = getattr(owner, "model_fields", {})
        field = next((f for name, f in fields.items() if key in {name, f.alias}), None)
        if field is not None and field.description:
            return f"; give {field.description}"
    return ""


def _what_is_wrong(error: Mapping[str, Any]) -> str:
    context = error.get("ctx", {})
    if error["type"] == "value_error":
        return str(context["error"])
    wording = _WRONG.get(error["type"])
    if error["type"] == "literal_error":
        return "is not " + str(context["expected"]).replace("'", '"')
    return wording.format(**context) if wording else f"is wrong ({error['msg']})"
