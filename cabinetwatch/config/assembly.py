"""From the tables of a file to a `Config`, with every fault of every table noted on the way."""

from collections.abc import Mapping, Sequence
from typing import Any

from cabinetwatch.config.alarm_tables import read_alarms
from cabinetwatch.config.alarms import AlarmSettings, ConditionSpec
from cabinetwatch.config.base import Table
from cabinetwatch.config.devices import Device
from cabinetwatch.config.model import Config
from cabinetwatch.config.mqtt import Mqtt
from cabinetwatch.config.notify import Command, Email, MqttNotices, Notify
from cabinetwatch.config.reading import Reader
from cabinetwatch.config.references import check_references
from cabinetwatch.config.reports import Page, Summary
from cabinetwatch.config.sensors import Sensor
from cabinetwatch.config.site import Site
from cabinetwatch.config.store import Store
from cabinetwatch.config.wording import Places, keys_of, unknown

_SINGLE: dict[str, type[Table]] = {
    "site": Site,
    "mqtt": Mqtt,
    "store": Store,
    "summary": Summary,
    "page": Page,
}
_CHANNELS: dict[str, type[Table]] = {"email": Email, "mqtt": MqttNotices, "command": Command}


def assemble(
    raw: Mapping[str, Any], reader: Reader, conditions: Sequence[ConditionSpec]
) -> Config | None:
    """Give the configuration that these tables are, or None when `reader` has noted faults."""
    for name in raw.keys() - set(keys_of(Config)):
        is_table = isinstance(raw[name], dict)
        belongs = reader.problems.places.of(name, is_table=is_table)
        if not belongs and is_table and "quantity" in raw[name]:
            belongs = f"write [sensors.{name}]"
        if not belongs and is_table and "temperature" in raw[name]:
            belongs = f"write [devices.{name}]"
        kind = "table" if is_table else "key"
        reader.problems.add("", unknown(kind, name, keys_of(Config), belongs))
    # The default of the store's url is a relative path, which a table must be read to resolve.
    present = {"store": {}} | {name: table for name, table in raw.items() if table is not None}
    parts: dict[str, Any] = {
        name: reader.table(model, present[name], name)
        for name, model in _SINGLE.items()
        if name in present
    }
    if "notify" in raw:
        parts["notify"] = _read_notify(raw["notify"], reader)
    sensors = reader.tables(raw.get("sensors", {}), "sensors")
    devices = reader.tables(raw.get("devices", {}), "devices")
    parts["sensors"] = {
        name: reader.table(Sensor, table, f"sensors.{name}") for name, table in sensors.items()
    }
    parts["devices"] = {
        name: reader.table(Device, table, f"devices.{name}") for name, table in devices.items()
    }
    check_references(sensors, devices, reader.problems, journaled=reader.folder is None)
    parts["alarms"] = read_alarms(raw, sensors, devices, reader, conditions)
    _check_summary(raw, reader)
    return None if reader.problems else Config(**parts).settled(conditions)


def places_of(conditions: Sequence[ConditionSpec]) -> Places:
    """Give where each key and each table of a configuration stands."""
    models = [(f"[{name}]", model) for name, model in _SINGLE.items()]
    models += [("[sensors.ID]", Sensor), ("[devices.ID]", Device), ("[notify]", Notify)]
    models += [(f"[notify.{name}]", model) for name, model in _CHANNELS.items()]
    keys = [(key, where) for where, model in models for key in keys_of(model)]
    # What every condition has belongs to none of them.
    keys += [(key, "[alarms.CONDITION]") for key in keys_of(AlarmSettings)]
    keys += [
        (key, f"[alarms.{spec.name}]")
        for spec in conditions
        for key in keys_of(spec.settings)
        if key not in keys_of(AlarmSettings)
    ]
    tables = [(name, f"[{name}]") for name in keys_of(Config)]
    tables += [(name, f"[notify.{name}]") for name in _CHANNELS]
    tables += [(spec.name, f"[alarms.{spec.name}]") for spec in conditions]
    return Places((pair for pair in keys if pair[0] not in {*_CHANNELS, "alarms"}), tables)


def _read_notify(raw: object, reader: Reader) -> Notify | None:
    if not isinstance(raw, dict):
        return reader.table(Notify, raw, "notify")
    channels = {
        name: reader.table(model, raw[name], f"notify.{name}")
        for name, model in _CHANNELS.items()
        if raw.get(name) is not None
    }
    others = {key: value for key, value in raw.items() if key not in _CHANNELS}
    read = {name: channel for name, channel in channels.items() if channel is not None}
    return reader.table(Notify, others | read, "notify")


def _check_summary(raw: Mapping[str, Any], reader: Reader) -> None:
    summary, notify = raw.get("summary"), raw.get("notify")
    wants_mail = isinstance(summary, dict) and summary.get("to") is not None
    has_mail = isinstance(notify, dict) and notify.get("email") is not None
    if wants_mail and not has_mail:
        reader.problems.add("summary", "to needs a mail server; add a table [notify.email]")
