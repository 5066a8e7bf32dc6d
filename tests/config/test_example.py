"""config.example.toml shows every key, and every default it shows is the model's."""

import re
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from cabinetwatch.config import Config, Device, Sensor, parse
from cabinetwatch.config.checking import keys_of
from cabinetwatch.config.services import (
    Command,
    Email,
    Http,
    Mqtt,
    MqttNotices,
    Notify,
    Page,
    Person,
    Site,
    Store,
    Summary,
)
from cabinetwatch.config.values import Table
from cabinetwatch.watch.conditions import SPECS

EXAMPLE = Path(__file__).parents[2] / "config.example.toml"

# The first table of each kind, and the least that its model needs.
MODELS: dict[str, tuple[type[Table], dict[str, Any]]] = {
    "site": (Site, {}),
    "mqtt": (Mqtt, {}),
    "store": (Store, {}),
    "sensors.nas-air": (Sensor, {"topic": "a", "quantity": "temperature"}),
    "devices.nas": (Device, {"temperature": "a"}),
    "notify": (Notify, {}),
    "notify.email": (Email, {"host": "a", "from": "a@b.example"}),
    "notify.people.kim": (Person, {"mail": "a@b.example"}),
    "notify.mqtt": (MqttNotices, {}),
    "notify.command": (Command, {"argv": ["a"]}),
    "notify.http": (Http, {"url": "https://a.example/"}),
    "summary": (Summary, {}),
    "page": (Page, {}),
    **{f"alarms.{spec.name}": (spec.settings, {}) for spec in SPECS},
}
# Keys that are tables of their own.
TABLES_INSIDE = {"sensors.nas-air": {"alarms"}, "devices.nas": {"alarms"}, "notify": set()}
TABLES_INSIDE["notify"] = {"email", "people", "mqtt", "command", "http"}

_HEADER = re.compile(r"#?\[([a-z.-]+)\]")
_KEY = re.compile(r"(#?)([a-z_]+) = (.*?)(?:\s+# (no default|required|default: (.*)))?")


@dataclass(frozen=True)
class Line:
    """One key of the example. `says` is what the comment behind it says about its default."""

    table: str
    key: str
    value: Any
    commented: bool
    says: str | None
    default: Any


def lines() -> Iterator[Line]:
    table = ""
    for text in EXAMPLE.read_text().splitlines():
        if header := _HEADER.fullmatch(text):
            table = header[1]
        elif key := _KEY.fullmatch(text):
            value = tomllib.loads(f"value = {key[3]}")["value"]
            default = tomllib.loads(f"value = {key[5]}")["value"] if key[5] else None
            yield Line(table, key[2], value, key[1] == "#", key[4], default)


def uncommented(text: str) -> str:
    return re.sub(r"^#(?=\[[a-z.-]+\]$|[a-z_]+ = )", "", text, flags=re.MULTILINE)


def as_toml(value: Any) -> Any:
    if isinstance(value, Path):
        return str(value)
    return [as_toml(item) for item in value] if isinstance(value, tuple) else value


@pytest.mark.parametrize("table", MODELS)
def test_the_example_shows_every_key_of_a_table_once(table: str) -> None:
    shown = [line.key for line in lines() if line.table == table]
    model, _ = MODELS[table]
    assert sorted(shown) == sorted(set(keys_of(model)) - TABLES_INSIDE.get(table, set()))


@pytest.mark.parametrize("table", MODELS)
def test_every_default_in_the_example_is_that_of_the_model(table: str) -> None:
    model, least = MODELS[table]
    made = model.model_validate(least)
    for line in (line for line in lines() if line.table == table):
        name = next(n for n, f in model.model_fields.items() if line.key in {n, f.alias})
        required = model.model_fields[name].is_required()
        default = None if required else as_toml(getattr(made, name))
        assert (line.says == "required") == required, line
        assert (line.says == "no default") == (default is None and not required), line
        if line.says is None:
            assert line.commented, f"{line} is set, so a comment must say its default"
            assert line.value == default, line
        elif line.default is not None or line.says.startswith("default"):
            assert line.default == default, line


def test_the_example_has_a_model_for_every_first_table_of_a_kind() -> None:
    shown = {line.table for line in lines()}
    others = {table for table in shown - MODELS.keys() if not table.startswith(("sen", "dev"))}
    assert others == set()


def test_the_example_is_a_configuration() -> None:
    config = parse(EXAMPLE.read_text(), EXAMPLE, SPECS)
    assert config.enclosing("nas") == ["cabinet"]
    assert set(config.devices) == {"nas", "poe-switch", "ups", "av-amplifier", "cabinet"}


def test_the_example_is_a_configuration_with_every_key_uncommented(tmp_path: Path) -> None:
    # The pairs of keys that exclude each other, and the sensor that the scene has not.
    text = uncommented(EXAMPLE.read_text())
    text = re.sub(r"^(senml_name|sound) = .*$", "", text, flags=re.MULTILINE)
    text = re.sub(r"^(tls|actions) = false$", r"\1 = true", text, flags=re.MULTILINE)
    for name in re.findall(r'"(secrets/[^"]+)"', text):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).touch(mode=0o600)

    config = parse(text, tmp_path / "config.toml", SPECS)

    assert config.notify.command is not None
    assert config.notify.http is not None
    assert set(config.notify.people) == {"kim"}
    assert config.page is not None
    assert config.mqtt.ca_file == tmp_path / "secrets/broker-ca.pem"


def test_every_root_table_of_the_model_is_in_the_example() -> None:
    shown = {line.table.split(".")[0] for line in lines()}
    assert shown == set(keys_of(Config))
