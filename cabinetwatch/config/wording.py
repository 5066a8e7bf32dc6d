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


class Problems:
    """The faults found so far in one file."""

    def __init__(self, file: str) -> None:
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
        self.add(table, describe(model, error))

    def raise_if_any(self) -> None:
        """Raise a ConfigError with all the faults, if there are any."""
        if self._sentences:
            raise ConfigError(self._sentences)

    def __bool__(self) -> bool:
        return bool(self._sentences)


def describe(model: type[Table], error: ErrorDetails) -> str:
    """Turn an error of pydantic's about a key of `model` into the rest of a sentence."""
    key, *inside = error["loc"]
    if error["type"] == "extra_forbidden":
        return unknown("key", str(key), keys_of(model))
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


def unknown(kind: str, name: str, known: Iterable[str]) -> str:
    """Say that a name is not known, and which known one is nearest to it."""
    nearest = difflib.get_close_matches(name, sorted(known), 1, cutoff=0.0)
    hint = f"; the nearest known one is {nearest[0]}" if nearest else f"; there is no {kind} yet"
    return f"{printable(name)} is an unknown {kind}{hint}"


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
