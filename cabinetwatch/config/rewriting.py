"""Putting settings into a configuration file: its comments and its layout survive."""

from collections.abc import Mapping
from typing import Any

import tomlkit
from tomlkit.container import OutOfOrderTableProxy
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import Item, Key, Table

from cabinetwatch.errors import ConfigError

Body = list[tuple[Key | None, Item]]


def with_settings(text: str, device: str, values: Mapping[str, float]) -> str:
    """Give the text of a configuration with some keys of a device set to other values.

    Args:
        text: of the file as it is.
        device: has a table in it.
        values: for each key the number to stand there.

    Raises:
        ConfigError: the file is no TOML, or has no such table.
    """
    try:
        document = tomlkit.parse(text)
    except TOMLKitError as error:
        raise ConfigError([f"the configuration is no valid TOML: {error}"]) from None
    devices = document.get("devices")
    if not isinstance(devices, Mapping) or not isinstance(devices.get(device), Mapping):
        raise ConfigError([f"the configuration has no table [devices.{device}]"])
    table = devices[device]
    for key in values.keys() & table.keys():
        table[key] = values[key]
    new = {key: value for key, value in values.items() if key not in table}
    below = _cut_tail(_parts_of(document, device)) if new else None
    for key, value in new.items():
        table[key] = value
    if below is not None:
        body, tail = below
        body.extend(tail)
    return tomlkit.dumps(document)


def _parts_of(document: tomlkit.TOMLDocument, device: str) -> Body | None:
    """Give what the table [devices.ID] holds, comments and all; None if written another way."""
    devices: Any = document.item("devices")
    table = devices.get(device)
    if isinstance(table, OutOfOrderTableProxy) or not isinstance(table, Table):
        return None
    return table.value.body


def _cut_tail(body: Body | None) -> tuple[Body, Body] | None:
    """Take the comments at the end of a table off: they speak of what comes after it."""
    if body is None:
        return None
    end = len(body)
    while end and body[end - 1][0] is None:
        end -= 1
    tail = body[end:]
    del body[end:]
    return body, tail
