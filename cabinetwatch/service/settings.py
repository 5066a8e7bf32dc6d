"""Trying another setting on a configuration: KEY=VALUE, with the value as TOML writes it."""

import tomllib
from collections.abc import Callable, Iterable, Mapping, Sequence
from copy import deepcopy
from typing import Any

from cabinetwatch.config.model import Config
from cabinetwatch.errors import UsageError
from cabinetwatch.store.renames import Rename
from cabinetwatch.watch import configuration

Change = tuple[tuple[str, ...], Any]
"""A path of keys, such as devices, nas, max_rise_k, and the value to stand there."""


_WITHIN_A_TABLE = 3
"""The parts of a path to a key in [sensors.ID], at least."""


def parse_change(text: str) -> Change:
    """Read KEY=VALUE, such as devices.nas.max_rise_k=22.

    Raises:
        UsageError: there is no key, or the value is not TOML.
    """
    key, equals, value = text.partition("=")
    parts = tuple(part.strip() for part in key.split("."))
    if not equals or not all(parts):
        raise UsageError(f"--set {text}: write it as KEY=VALUE, like devices.nas.max_rise_k=22")
    try:
        return parts, tomllib.loads(f"value = {value.strip()}")["value"]
    except tomllib.TOMLDecodeError:
        raise UsageError(
            f"--set {text}: {value.strip()!r} is no TOML value; put a text in double quotes"
        ) from None


def changed_restore(
    changes: Sequence[Change], renames: Iterable[Rename] = ()
) -> Callable[[Mapping[str, Any]], Config]:
    """Give a way to restore a configuration with these changes made to it.

    What is tried of a sensor counts for the time before it was renamed, too.
    A key that does not exist is refused by the configuration itself, with the nearest known one.
    """
    before = tuple(renames)

    def restore(journaled: Mapping[str, Any]) -> Config:
        config = deepcopy(dict(journaled))
        for path, value in changes:
            _put(config, _then(path, config, before), value)
        return configuration.restore(config, "the configuration with --set")

    return restore


def _then(
    path: tuple[str, ...], config: Mapping[str, Any], renames: Sequence[Rename]
) -> tuple[str, ...]:
    """Give a path with the ID that its sensor has in a configuration of then."""
    if path[0] != "sensors" or len(path) < _WITHIN_A_TABLE:
        return path
    name = path[1]
    for rename in reversed(renames):
        if name in config.get("sensors", {}):
            break
        name = rename.old if rename.new == name else name
    return (path[0], name, *path[2:])


def _put(config: dict[str, Any], path: tuple[str, ...], value: Any) -> None:
    table = config
    for part in path[:-1]:
        inner = table.setdefault(part, {})
        if not isinstance(inner, dict):
            raise UsageError(f"--set {'.'.join(path)}: {part} is no table")
        table = inner
    table[path[-1]] = value
