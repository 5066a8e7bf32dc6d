"""What one table says about another: sensors that must exist, topics and IDs that must differ.

All of it looks at the tables as they were read, so that a fault within a table hides none between
tables.
"""

from collections.abc import Iterator, Mapping
from typing import Any

from cabinetwatch.config.kinds import ID
from cabinetwatch.config.model import SITE_SUBJECT
from cabinetwatch.config.quantities import ROLES, UNITS
from cabinetwatch.config.wording import Problems, show, unknown

Tables = Mapping[str, Mapping[str, Any]]


def check_references(
    sensors: Tables, devices: Tables, problems: Problems, *, journaled: bool
) -> None:
    """Note every fault between the tables of sensors and devices.

    What is journaled was in force once: an older version took any humidity for a temperature, and
    its records must still be read.
    """
    _check_ids(sensors, devices, problems)
    _check_sources(sensors, problems)
    _check_renames(sensors, problems)
    for device_id, device in devices.items():
        _check_roles(device_id, device, sensors, problems, journaled=journaled)
    _check_circles(devices, problems)


def _check_ids(sensors: Tables, devices: Tables, problems: Problems) -> None:
    for kind, tables in (("sensors", sensors), ("devices", devices)):
        for name in tables:
            if not ID.fullmatch(name):
                problems.add(
                    f"{kind}.{name}", f"{show(name)} is no ID; give one of a to z, 0 to 9 and -"
                )
            elif name == SITE_SUBJECT:
                problems.add(f"{kind}.{name}", "the ID site is reserved; give another")
    for name in sensors.keys() & devices.keys():
        problems.add(f"devices.{name}", f"a sensor has the ID {name} too; give one of them another")


def _check_sources(sensors: Tables, problems: Problems) -> None:
    first_with: dict[tuple[object, ...], str] = {}
    for sensor_id, sensor in sensors.items():
        source = tuple(sensor.get(key) for key in ("topic", "pointer", "senml_name"))
        if not isinstance(source[0], str) or not all(isinstance(s, str | None) for s in source):
            continue
        other = first_with.setdefault(source, sensor_id)
        if other != sensor_id:
            problems.add(
                f"sensors.{sensor_id}",
                f"topic = {show(source[0])}, pointer and senml_name are those of [sensors.{other}]"
                " too; change one or leave one of the two sensors out",
            )


def _check_renames(sensors: Tables, problems: Problems) -> None:
    """A history goes to one sensor, and only once its own is gone."""
    first_from: dict[str, str] = {}
    for sensor_id, sensor in sensors.items():
        old = sensor.get("renamed_from")
        if not isinstance(old, str):
            continue
        where = f"sensors.{sensor_id}"
        if old == sensor_id:
            problems.add(where, f"renamed_from = {show(old)} is its own ID; leave it out")
        elif old in sensors:
            problems.add(
                where,
                f"renamed_from = {show(old)} is still a sensor of its own, so its history is not"
                f" free; leave out [sensors.{old}] or this key",
            )
        elif (other := first_from.setdefault(old, sensor_id)) != sensor_id:
            problems.add(
                where,
                f"renamed_from = {show(old)} stands in [sensors.{other}] too; a history goes to"
                " one sensor, so leave the key out of one of them",
            )


def _check_roles(
    device_id: str,
    device: Mapping[str, Any],
    sensors: Tables,
    problems: Problems,
    *,
    journaled: bool,
) -> None:
    for role, name in _named_sensors(device):
        needed = ROLES[role]
        fitting = [id_ for id_, each in sensors.items() if each.get("quantity") == needed]
        if name not in sensors:
            # One whose quantity is wrong, which is told of by itself, may be meant as well.
            meant = fitting + [
                i for i, s in sensors.items() if s.get("quantity") not in tuple(UNITS)
            ]
            said = unknown(f"sensor of {needed}", name, meant)
            problems.add(f"devices.{device_id}", f"{role} = {said}")
            continue
        quantity = sensors[name].get("quantity")
        if quantity in tuple(UNITS) and quantity != needed and not journaled:
            right = f"give one of {needed}" + (f", such as {fitting[0]}" if fitting else "")
            problems.add(
                f"devices.{device_id}", f'{role} = "{name}" is a sensor of {quantity}; {right}'
            )


def _named_sensors(device: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    for role in ROLES:
        value = device.get(role)
        for name in value if isinstance(value, list) else [value]:
            if isinstance(name, str):
                yield role, name


def _check_circles(devices: Tables, problems: Problems) -> None:
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
        problems.add(
            f"devices.{circle[0]}",
            f"ambient goes round in a circle ({path}); give one of them a sensor outside it",
        )


def _enclosing(device_id: str, devices: Tables) -> str | None:
    ambient = devices[device_id].get("ambient")
    if ambient is None:
        return None
    inside = [name for name, device in devices.items() if device.get("temperature") == ambient]
    return inside[0] if inside else None
