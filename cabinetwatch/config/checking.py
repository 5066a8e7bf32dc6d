"""From the tables of a file to a `Config`, with a sentence for every fault in every table.

Each table goes through its pydantic model by itself, and `describe` turns what pydantic finds into
the rest of a sentence that begins with file and table. What stands between tables is looked for in
the tables as they were read, so that a fault within one hides none between two.
"""

import difflib
import json
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, TypeVar

from pydantic import ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from cabinetwatch.config.model import (
    SITE_SUBJECT,
    AlarmSettings,
    AlarmTables,
    ConditionSpec,
    Config,
    Device,
    Sensor,
)
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
from cabinetwatch.config.values import ID, ROLES, UNITS, Table
from cabinetwatch.text import ConfigError, printable, without_secrets

_LONGEST_VALUE = 60
_LONGEST_INTEGER_BITS = 200
_NEAR = 0.7
"""Of `difflib`'s ratio: one letter too many or two exchanged, and not just the same letters."""
_SHORTEST_BEGINNING = 3
_MOST_LISTED = 25

_NUMBER = re.compile(r"\s*([+-]?\d+(?:[.,]\d+)?)\s*(\D*)")
TRUTHS = dict.fromkeys(("yes", "on", "true"), "true") | dict.fromkeys(
    ("no", "off", "false"), "false"
)
"""What people write for one of the two, and how TOML has it."""

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

    `keys` are pairs such as max_rise_k and [devices.ID], `tables` such as email and [notify.email].
    """

    def __init__(
        self, keys: Iterable[tuple[str, str]] = (), tables: Iterable[tuple[str, str]] = ()
    ) -> None:
        self._keys, self._tables = _gathered(keys), _gathered(tables)

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
    for name, where in dict.fromkeys(pairs):
        found.setdefault(name, []).append(where)
    return found


def _either(places: list[str]) -> str:
    *others, last = places
    return f"{', '.join(others)} or {last}" if others else last


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
    if error["type"] == "bool_type" and text.lower() in TRUTHS:
        return f"; write {TRUTHS[text.lower()]} without quotes"
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
    names = list(known)
    near = nearest(name, names)
    if near is not None:
        meant = f"the nearest known one is {near}"
    else:
        meant = belongs or (among(names) if names else f"there is no {kind} yet")
    return f"{printable(name)} is an unknown {kind}; {meant}"


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
    if error["type"] in {"literal_error", "enum"}:
        return "is not " + str(context["expected"]).replace("'", '"')
    return wording.format(**context) if wording else f"is wrong ({error['msg']})"


AnyTable = TypeVar("AnyTable", bound=Table)


class Reader:
    """Reads the tables of one file, and collects what is wrong with them.

    `file` is what a sentence about a fault calls it. `folder` is where relative paths start and
    named files are looked for; None for a configuration out of the journal, which names none that
    must exist. `places` help to say where a key belongs.
    """

    def __init__(self, file: str, folder: Path | None, places: Places | None = None) -> None:
        self.folder = folder
        self.places = places or Places()
        self._file = file
        self._sentences: list[str] = []

    def add(self, table: str, text: str) -> None:
        """Note a fault; `text` is the rest of a sentence that begins with file and table."""
        where = f"{self._file}: [{table}]" if table else f"{self._file}:"
        sentence = printable(f"{where} {text}")
        if sentence not in self._sentences:
            self._sentences.append(sentence)

    def raise_if_any(self) -> None:
        """Raise a ConfigError with all the faults, if there are any."""
        if self._sentences:
            raise ConfigError(self._sentences)

    def table(self, model: type[AnyTable], raw: object, where: str) -> AnyTable | None:
        """Give the model of a table, or None once its faults are noted."""
        if not isinstance(raw, dict):
            self.add("", f"{where} = {show(raw)} is no table; write its keys below [{where}]")
            return None
        read: AnyTable | None = None
        faults: list[ErrorDetails] = []
        try:
            read = model.model_validate(raw, context={"folder": self.folder})
        except ValidationError as error:
            faults = error.errors()
        with_faulty_items = {fault["loc"][0] for fault in faults if len(fault["loc"]) > 1}
        for fault in faults:
            # Pydantic doesn't count faulty items, and goes on to miss them.
            if fault["type"] != "too_short" or fault["loc"][0] not in with_faulty_items:
                self.add(where, describe(model, fault, self.places))
        faulty = {str(fault["loc"][0]) for fault in faults}
        contradictions = list(model.contradictions(_right_values(model, raw, faulty)))
        for key, text in contradictions:
            self.add(where, f"{key} {text}")
        return None if contradictions else read

    def tables(self, raw: object, where: str) -> dict[str, dict[str, Any]]:
        """Give the tables within a table; what is none is noted and left out."""
        if not isinstance(raw, dict):
            self.add("", f"{where} = {show(raw)} is no table; write [{where}.NAME]")
            return {}
        for name, inner in raw.items():
            if not isinstance(inner, dict):
                # A key in the table of all of them, or else a name of one.
                right = self.places.of(name, is_table=False) or f"write [{where}.{name}]"
                self.add(where, f"{name} = {show(inner)} is no table; {right}")
        return {name: inner for name, inner in raw.items() if isinstance(inner, dict)}


def _right_values(model: type[Table], raw: Mapping[str, Any], faulty: set[str]) -> dict[str, Any]:
    """Give the values of the keys that are right by themselves, by attribute name."""
    values: dict[str, Any] = {}
    for name, field in model.model_fields.items():
        key = field.alias or name
        if key in faulty:
            continue
        if key in raw:
            values[name] = raw[key]
        elif not field.is_required():
            values[name] = field.get_default(call_default_factory=True)
    return values


Tables = Mapping[str, Mapping[str, Any]]


def read_alarms(
    raw: Mapping[str, Any],
    sensors: Tables,
    devices: Tables,
    reader: Reader,
    conditions: Sequence[ConditionSpec],
) -> AlarmTables:
    """Check all tables of alarm settings, and give those of the site."""
    specs = {spec.name: spec for spec in conditions}
    site_tables = reader.tables(raw.get("alarms", {}), "alarms")

    def is_right(name: str, table: dict[str, Any], where: str) -> bool:
        """Say whether a table is right by itself, and note what is wrong."""
        if name not in specs:
            reader.add(where, unknown("condition", name, specs))
            return False
        return reader.table(specs[name].settings, table, f"{where}.{name}") is not None

    for name, table in site_tables.items():
        is_right(name, table, "alarms")
    subjects = [("sensor", name, table) for name, table in sensors.items()]
    subjects += [("device", name, table) for name, table in devices.items()]
    for kind, subject, keys in subjects:
        where = f"{kind}s.{subject}.alarms"
        tables = keys.get("alarms", {})
        # What is no table was noted when the subject's own table was read.
        for name, table in tables.items() if isinstance(tables, dict) else ():
            if not isinstance(table, dict):
                continue
            spec = specs.get(name)
            if spec is not None and spec.subject != kind:
                reader.add(f"{where}.{name}", _belongs(spec, kind))
            elif is_right(name, table, where):
                # Each may be right by itself and the two contradict each other.
                merged = site_tables.get(name, {}) | table
                reader.table(specs[name].settings, merged, f"{where}.{name}")
    return site_tables


def _belongs(spec: ConditionSpec, kind: str) -> str:
    own_place = "" if spec.subject == "site" else f"[{spec.subject}s.ID.alarms.{spec.name}] or "
    return (
        f"{spec.name} is a condition of a {spec.subject}, not of a {kind}; set it in"
        f" {own_place}[alarms.{spec.name}]"
    )


def check_references(sensors: Tables, devices: Tables, reader: Reader) -> None:
    """Note every fault between the tables of sensors and devices."""
    _check_ids(sensors, devices, reader)
    _check_sources(sensors, reader)
    _check_renames(sensors, reader)
    for device_id, device in devices.items():
        _check_roles(device_id, device, sensors, reader)
    _check_circles(devices, reader)


def _check_ids(sensors: Tables, devices: Tables, reader: Reader) -> None:
    for kind, tables in (("sensors", sensors), ("devices", devices)):
        for name in tables:
            if not ID.fullmatch(name):
                reader.add(
                    f"{kind}.{name}", f"{show(name)} is no ID; give one of a to z, 0 to 9 and -"
                )
            elif name == SITE_SUBJECT:
                reader.add(f"{kind}.{name}", "the ID site is reserved; give another")
    for name in sensors.keys() & devices.keys():
        reader.add(f"devices.{name}", f"a sensor has the ID {name} too; give one of them another")


def _check_sources(sensors: Tables, reader: Reader) -> None:
    first_with: dict[tuple[object, ...], str] = {}
    for sensor_id, sensor in sensors.items():
        source = tuple(sensor.get(key) for key in ("topic", "pointer", "senml_name"))
        if not isinstance(source[0], str) or not all(isinstance(s, str | None) for s in source):
            continue
        other = first_with.setdefault(source, sensor_id)
        if other != sensor_id:
            reader.add(
                f"sensors.{sensor_id}",
                f"topic = {show(source[0])}, pointer and senml_name are those of [sensors.{other}]"
                " too; change one or leave one of the two sensors out",
            )


def _check_renames(sensors: Tables, reader: Reader) -> None:
    """A history goes to one sensor, and only once its own is gone."""
    first_from: dict[str, str] = {}
    for sensor_id, sensor in sensors.items():
        old = sensor.get("renamed_from")
        if not isinstance(old, str):
            continue
        where = f"sensors.{sensor_id}"
        if old == sensor_id:
            reader.add(where, f"renamed_from = {show(old)} is its own ID; leave it out")
        elif old in sensors:
            reader.add(
                where,
                f"renamed_from = {show(old)} is still a sensor of its own, so its history is not"
                f" free; leave out [sensors.{old}] or this key",
            )
        elif (other := first_from.setdefault(old, sensor_id)) != sensor_id:
            reader.add(
                where,
                f"renamed_from = {show(old)} stands in [sensors.{other}] too; a history goes to"
                " one sensor, so leave the key out of one of them",
            )


def _check_roles(
    device_id: str, device: Mapping[str, Any], sensors: Tables, reader: Reader
) -> None:
    # What is journaled was in force once: an older version took any humidity for a temperature,
    # and its records must still be read.
    journaled = reader.folder is None
    for role, name in _named_sensors(device):
        needed = ROLES[role]
        fitting = [id_ for id_, each in sensors.items() if each.get("quantity") == needed]
        if name not in sensors:
            # One whose quantity is wrong, which is told of by itself, may be meant as well.
            meant = fitting + [
                i for i, s in sensors.items() if s.get("quantity") not in tuple(UNITS)
            ]
            said = unknown(f"sensor of {needed}", name, meant)
            reader.add(f"devices.{device_id}", f"{role} = {said}")
            continue
        quantity = sensors[name].get("quantity")
        if quantity in tuple(UNITS) and quantity != needed and not journaled:
            right = f"give one of {needed}" + (f", such as {fitting[0]}" if fitting else "")
            reader.add(
                f"devices.{device_id}", f'{role} = "{name}" is a sensor of {quantity}; {right}'
            )


def _named_sensors(device: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    for role in ROLES:
        value = device.get(role)
        for name in value if isinstance(value, list) else [value]:
            if isinstance(name, str):
                yield role, name


def _check_circles(devices: Tables, reader: Reader) -> None:
    """Follow each device outwards; a way that comes back to where it was has no outside."""
    told: set[str] = set()
    for device_id in devices:
        way = [device_id]
        while (outer := _enclosing(way[-1], devices)) is not None and outer not in way:
            way.append(outer)
        if outer is None or told & set(way):
            continue
        circle = way[way.index(outer) :]
        told |= set(circle)
        if len(circle) == 1:
            continue  # noted when the device's own table was read
        path = " -> ".join([*circle, circle[0]])
        reader.add(
            f"devices.{circle[0]}",
            f"ambient goes round in a circle ({path}); give one of them a sensor outside it",
        )


def _enclosing(device_id: str, devices: Tables) -> str | None:
    ambient = devices[device_id].get("ambient")
    if ambient is None:
        return None
    inside = [name for name, device in devices.items() if device.get("temperature") == ambient]
    return inside[0] if inside else None


_SINGLE: dict[str, type[Table]] = {
    "site": Site,
    "mqtt": Mqtt,
    "store": Store,
    "summary": Summary,
    "page": Page,
}
_CHANNELS: dict[str, type[Table]] = {
    "email": Email,
    "mqtt": MqttNotices,
    "command": Command,
    "http": Http,
}


def assemble(raw: Mapping[str, Any], reader: Reader, conditions: Sequence[ConditionSpec]) -> Config:
    """Give the configuration that these tables are.

    Raises:
        ConfigError: with one sentence for each fault in them.
    """
    for name in raw.keys() - set(keys_of(Config)):
        is_table = isinstance(raw[name], dict)
        belongs = reader.places.of(name, is_table=is_table)
        if not belongs and is_table and "quantity" in raw[name]:
            belongs = f"write [sensors.{name}]"
        if not belongs and is_table and "temperature" in raw[name]:
            belongs = f"write [devices.{name}]"
        kind = "table" if is_table else "key"
        reader.add("", unknown(kind, name, keys_of(Config), belongs))
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
    check_references(sensors, devices, reader)
    parts["alarms"] = read_alarms(raw, sensors, devices, reader, conditions)
    _check_summary(raw, reader)
    reader.raise_if_any()
    return Config(**parts).settled(conditions)


def places_of(conditions: Sequence[ConditionSpec]) -> Places:
    """Give where each key and each table of a configuration stands."""
    models = [(f"[{name}]", model) for name, model in _SINGLE.items()]
    models += [("[sensors.ID]", Sensor), ("[devices.ID]", Device), ("[notify]", Notify)]
    models += [(f"[notify.{name}]", model) for name, model in _CHANNELS.items()]
    models.append(("[notify.people.ID]", Person))
    keys = [(key, where) for where, model in models for key in keys_of(model)]
    # What every condition has belongs to none of them.
    common = keys_of(AlarmSettings)
    keys += [(key, "[alarms.CONDITION]") for key in common]
    tables = [(name, f"[{name}]") for name in keys_of(Config)]
    tables += [(name, f"[notify.{name}]") for name in _CHANNELS]
    tables.append(("people", "[notify.people.ID]"))
    for spec in conditions:
        where = f"[alarms.{spec.name}]"
        keys += [(key, where) for key in keys_of(spec.settings) if key not in common]
        tables.append((spec.name, where))
    return Places(
        (pair for pair in keys if pair[0] not in {*_CHANNELS, "people", "alarms"}), tables
    )


def _read_notify(raw: object, reader: Reader) -> Notify | None:
    if not isinstance(raw, dict):
        return reader.table(Notify, raw, "notify")
    # What is faulty is left out: it is noted, and no fault of the table around it.
    right: dict[str, Any] = {
        name: channel
        for name, model in _CHANNELS.items()
        if raw.get(name) is not None
        and (channel := reader.table(model, raw[name], f"notify.{name}")) is not None
    }
    no_people = raw.get("people") is None
    people = {} if no_people else reader.tables(raw["people"], "notify.people")
    _check_people(people, raw.get("email"), reader)
    right["people"] = {
        name: person
        for name, table in people.items()
        if (person := reader.table(Person, table, f"notify.people.{name}")) is not None
    }
    others = {key: value for key, value in raw.items() if key not in {*_CHANNELS, "people"}}
    return reader.table(Notify, others | right, "notify")


def _check_people(people: Tables, email: object, reader: Reader) -> None:
    """Note who can't be mailed, and who would be notified twice."""
    to = email.get("to") if isinstance(email, dict) else None
    if people and email is None:
        reader.add("notify.people", "needs a mail server; add a table [notify.email]")
    elif isinstance(email, dict) and to is None and not people:
        reader.add(
            "notify.email", "to is missing; give a list of addresses, or a table [notify.people.ID]"
        )
    simple = [each for each in to if isinstance(each, str)] if isinstance(to, list) else []
    first_at = {each.lower(): "[notify.email] to" for each in simple}
    for name, table in people.items():
        where = f"notify.people.{name}"
        if not ID.fullmatch(name):
            reader.add(where, f"{show(name)} is no ID; give one of a to z, 0 to 9 and -")
        mail = table.get("mail")
        if isinstance(mail, str):
            other = first_at.setdefault(mail.lower(), f"[{where}]")
            if other != f"[{where}]":
                reader.add(
                    where,
                    f"mail = {show(mail)} is in {other} too, so each notice would come twice; leave"
                    " it out of one of them",
                )


def _check_summary(raw: Mapping[str, Any], reader: Reader) -> None:
    summary, notify = raw.get("summary"), raw.get("notify")
    wants_mail = isinstance(summary, dict) and summary.get("to") is not None
    has_mail = isinstance(notify, dict) and notify.get("email") is not None
    if wants_mail and not has_mail:
        reader.add("summary", "to needs a mail server; add a table [notify.email]")
