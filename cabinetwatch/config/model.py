"""The tables [sensors.ID], [devices.ID] and [alarms.CONDITION]; the whole, and what it is asked."""

from collections.abc import Iterator, Mapping, Sequence
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Any, Literal, NamedTuple

from pydantic import AfterValidator, Field, PrivateAttr, SecretStr, field_validator, model_validator

from cabinetwatch.config.services import Mqtt, Notify, Page, Site, Store, Summary, find_secret
from cabinetwatch.config.values import (
    CREDIBLE,
    FAULT_CODES,
    POSSIBLE,
    ROLES,
    TIMES_RATED,
    UNITS,
    Contradiction,
    Id,
    Interval,
    NotNegative,
    Numbers,
    PlainText,
    Point,
    Pointer,
    Positive,
    PriorityName,
    Quantity,
    SenmlName,
    SensorNames,
    Span,
    Table,
    TopicFilter,
    is_wildcard,
)

SubjectKind = Literal["device", "sensor", "site"]

AlarmTables = dict[str, dict[str, Any]]
"""By condition, the keys that were set, as they stand in the file."""

_PRIORITIES = ("high", "medium", "low")


class AlarmSettings(Table):
    """The settings of one condition's alarm.

    A condition derives from it with its own keys and its own defaults. No number in it may be
    negative: they are delays, deadbands and limits. A `priority` or an `off_delay_s` of None lets
    the condition decide.
    """

    enabled: bool = Field(default=True, description="true, or false to switch the alarm off")
    priority: PriorityName | str | None = Field(None, description='"high", "medium" or "low"')
    on_delay_s: float = Field(
        0.0, description="the seconds, 0 or more, it must hold before the alarm is raised"
    )
    off_delay_s: float | None = Field(
        0.0, description="the seconds, 0 or more, it must be gone before the alarm returns"
    )
    response: PlainText | None = Field(None, description="a text that a notice shows as what to do")

    @field_validator("priority")
    @classmethod
    def _check_priority(cls, priority: str | None) -> str | None:
        if priority is not None and priority not in _PRIORITIES:
            raise ValueError("is no priority")
        return priority

    @field_validator("*")
    @classmethod
    def _check_not_negative(cls, value: Any) -> Any:
        if isinstance(value, int | float) and value < 0:
            raise ValueError("is below 0")
        return value


class ConditionSpec(NamedTuple):
    """What the configuration must know of a condition: its name, its subject, its settings."""

    name: str
    subject: SubjectKind
    settings: type[AlarmSettings]


def overlay(
    spec: ConditionSpec, site_tables: AlarmTables, own_tables: AlarmTables
) -> AlarmSettings:
    """Give the settings of a condition for one subject: the site's, and over them its own."""
    merged: Mapping[str, Any] = site_tables.get(spec.name, {}) | own_tables.get(spec.name, {})
    return spec.settings.model_validate(merged)


DEFAULT_INTERVAL_S = 10.0


class Sensor(Table):
    """One quantity read from one topic.

    `high`, `low`, `range`, `max_step_per_s`, `offset` and `accuracy` are in the SI unit of the
    quantity (degC, %RH, W, 1/min, dB), whatever `unit` the payload has; `fault_codes` are compared
    with the payload's own figure. `interval_s` is None for a sensor with `on_change` that promises
    no interval, and `range` for a power where none is given: see `Config.credible`. What is known
    of the sensor `renamed_from` is of this one.
    """

    name: PlainText | None = Field(None, description="the name that people see in place of its ID")
    renamed_from: Id | None = Field(
        None, description="the ID, of a to z, 0 to 9 and -, that this sensor had before"
    )
    topic: TopicFilter = Field(
        description='an MQTT topic, such as "cabinet/nas/air"; + and # stand alone as levels'
    )
    pointer: Pointer | None = Field(
        None, description='a JSON Pointer (RFC 6901) into the payload, such as "/temperature"'
    )
    senml_name: SenmlName | None = Field(
        None, description="the full name of a SenML record (RFC 8428), base name included"
    )
    quantity: Quantity = Field(description="what is measured")
    unit: str = Field("", description="the unit of the payload")
    interval_s: Positive | None = Field(
        None, description="the usual seconds between two readings, above 0"
    )
    silent_after: float = Field(
        6.0, ge=1, description="how many intervals, 1 or more, it may be silent for"
    )
    on_change: bool = Field(
        default=False, description="true for a sensor that speaks only when its value changes"
    )
    high: float | None = Field(None, description="the limit above which it is too much")
    low: float | None = Field(None, description="the limit below which it is too little")
    range: Interval | None = Field(
        None, description="the lowest and the highest value that can be true, as [lowest, highest]"
    )
    fault_codes: Numbers = Field(
        (), description="a list of numbers that the payload has in place of a value when faulty"
    )
    max_step_per_s: Positive | None = Field(
        None, description="the fastest change in a second that can be true, above 0"
    )
    offset: float = Field(0.0, description="what is added to each value to correct it")
    accuracy: NotNegative | None = Field(
        None, description="how far, 0 or more, a value may be from the truth"
    )
    surface: bool = Field(
        default=False, description="true for a temperature measured on a surface, else false"
    )
    alarms: AlarmTables = Field(default_factory=dict, description="tables of alarm settings")

    @model_validator(mode="before")
    @classmethod
    def _fill_in(cls, table: Any) -> Any:
        if not isinstance(table, dict):
            return table
        filled: dict[str, Any] = {}
        quantity = table.get("quantity")
        if isinstance(quantity, str) and quantity in UNITS:
            filled["unit"] = UNITS[quantity][0]
            if quantity != "power":
                filled["range"] = CREDIBLE[quantity]
            unit = table.get("unit", filled["unit"])
            filled["fault_codes"] = FAULT_CODES.get(unit, ()) if isinstance(unit, str) else ()
        if table.get("on_change") is not True:
            filled["interval_s"] = DEFAULT_INTERVAL_S
        return filled | table

    @classmethod
    def contradictions(cls, values: Mapping[str, Any]) -> Iterator[Contradiction]:
        """Find limits the wrong way round, a unit that doesn't fit, a topic that can't tell."""
        yield from _check_limits(values)
        yield from _check_source(values)
        quantity, unit = values.get("quantity"), values.get("unit")
        if quantity is not None and unit and unit not in UNITS[quantity]:
            fitting = " or ".join(UNITS[quantity])
            yield Contradiction("unit", f'= "{unit}" is no unit of {quantity}; give {fitting}')
        if values.get("surface") and quantity not in {None, "temperature"}:
            yield Contradiction("surface", f"is for temperatures only, this is a {quantity}")


def _check_limits(values: Mapping[str, Any]) -> Iterator[Contradiction]:
    low, high, span = values.get("low"), values.get("high"), values.get("range")
    if low is not None and high is not None and low >= high:
        yield Contradiction(
            "low", f"= {low:zg} is not below high = {high:zg}; exchange or correct them"
        )
    if span is not None and span[0] >= span[1]:
        yield Contradiction(
            "range", f"= [{span[0]:zg}, {span[1]:zg}] runs downwards; give the lower end first"
        )
    quantity = values.get("quantity")
    if span is not None and quantity in POSSIBLE:
        lowest, highest = POSSIBLE[quantity]
        if span[0] < lowest or span[1] > highest:
            yield Contradiction(
                "range",
                f"= [{span[0]:zg}, {span[1]:zg}] goes beyond what a {quantity} can be; stay within"
                f" [{lowest:zg}, {highest:zg}]",
            )


def _check_source(values: Mapping[str, Any]) -> Iterator[Contradiction]:
    if not {"topic", "pointer", "senml_name"} <= values.keys():
        return
    pointer, senml_name = values["pointer"], values["senml_name"]
    if pointer is not None and senml_name is not None:
        yield Contradiction("senml_name", "excludes pointer; give the one that fits the payload")
    if pointer is None and senml_name is None and is_wildcard(values["topic"]):
        yield Contradiction(
            "topic",
            f'= "{values["topic"]}" has a wildcard, so pointer or senml_name must tell which of the'
            " values is meant",
        )


def _check_curve(points: tuple[Point, ...]) -> tuple[Point, ...]:
    for temperature_c, fraction in points:
        if not 0.0 <= fraction <= 1.0:
            raise ValueError(f"allows {fraction:zg} of the load at {temperature_c:zg} °C")
    for (cool_c, more), (warm_c, less) in pairwise(points):
        if warm_c <= cool_c:
            raise ValueError(f"has {warm_c:zg} °C after {cool_c:zg} °C")
        if less > more:
            raise ValueError(f"allows more load at {warm_c:zg} °C than at {cool_c:zg} °C")
    return points


Curve = Annotated[
    tuple[Point, ...], Field(strict=False, min_length=1), AfterValidator(_check_curve)
]

# Keys that mean something only beside another, and that other one.
_NEEDS = {
    "max_rise_k": "ambient",
    "normal_rise_k": "ambient",
    "normal_power_w": "normal_rise_k",
    "off_below_w": "power",
    "min_fan_rpm": "fan",
    "fan_may_stop": "fan",
}


class Device(Table):
    """One piece of equipment. A cabinet is itself a device: its air against the room's.

    `power` is a tuple of sensors whose values add up, empty where there is none. `derating` holds
    points (temperature in degC, fraction of rated load allowed).
    """

    name: PlainText | None = Field(None, description="the name that mails and pages give it")
    temperature: str = Field(description="the ID of the temperature sensor in its warm air")
    ambient: str | None = Field(
        None, description="the ID of the temperature sensor in the air around it"
    )
    power: SensorNames = Field(
        (), description="the ID of its power sensor, or a list of several that add up"
    )
    fan: str | None = Field(None, description="the ID of its fan-speed sensor")
    sound: str | None = Field(None, description="the ID of its sound-level sensor")
    derating: Curve | None = Field(
        None,
        description="points [temperature in °C, fraction of rated load allowed], temperatures"
        " rising, fractions 0 to 1 and never rising, such as [[45.0, 1.0], [60.0, 0.5]]",
    )
    derating_air: Literal["device", "ambient"] = Field(
        "device",
        description='"device" for a curve of the air at the part, "ambient" for one of the air'
        " around the device",
    )
    rated_power_w: Positive | None = Field(
        None, description="the power in W, above 0, at full rated load"
    )
    max_rise_k: Positive | None = Field(
        None, description="the highest rise above ambient in K, above 0"
    )
    min_fan_rpm: Positive | None = Field(
        None, description="the slowest good fan speed in rpm, above 0"
    )
    fan_may_stop: bool = Field(
        default=False, description="true for a fan that stops at idle, else false"
    )
    off_below_w: NotNegative | None = Field(
        None, description="the power in W, 0 or more, below which it counts as off"
    )
    normal_rise_k: Positive | None = Field(
        None, le=1000, description="the settled rise in K, above 0, when all is well"
    )
    normal_power_w: Positive | None = Field(
        None, ge=0.001, description="the power in W, above 0, at which normal_rise_k was measured"
    )
    time_constant_s: Positive | None = Field(
        None, ge=0.1, description="the seconds, above 0, in which it warms up by 63 %"
    )
    alarms: AlarmTables = Field(default_factory=dict, description="tables of alarm settings")

    def with_sensor_renamed(self, old: str, new: str) -> "Device":
        """Give this device with a sensor's ID exchanged."""
        changed: dict[str, Any] = {role: new for role in ROLES if getattr(self, role) == old} | {
            "power": tuple(new if each == old else each for each in self.power)
        }
        return self.model_copy(update=changed)

    @classmethod
    def contradictions(cls, values: Mapping[str, Any]) -> Iterator[Contradiction]:
        """Find keys that lack the sensor they speak of, and a device in its own air."""
        for key, other in _NEEDS.items():
            if values.get(key) and other in values and not values[other]:
                yield Contradiction(key, f"needs {other} beside it")
        if values.get("derating_air") == "ambient" and values.get("ambient", "") is None:
            yield Contradiction("derating_air", '= "ambient" needs ambient beside it')
        temperature, ambient = values.get("temperature"), values.get("ambient")
        if temperature is not None and temperature == ambient:
            yield Contradiction(
                "ambient",
                "is its temperature sensor too, so it has no rise; give that of the air around it",
            )


SITE_SUBJECT = "site"
"""The subject of site conditions; no sensor or device may have this ID."""


class Config(Table):
    """A configuration that has been checked as a whole. Attributes are named as the keys are.

    `alarms` holds, once settled, every key of every condition as it is in force for the site; the
    tables of sensors and devices hold only the keys set there. `summary` and `page` are None where
    their table is absent. Paths are absolute.
    """

    site: Site = Field(Site())
    mqtt: Mqtt = Field(Mqtt())
    store: Store = Field(Store())
    sensors: dict[str, Sensor] = Field(default_factory=dict)
    devices: dict[str, Device] = Field(default_factory=dict)
    alarms: AlarmTables = Field(default_factory=dict)
    notify: Notify = Field(Notify())
    summary: Summary | None = None
    page: Page | None = None

    _settings: dict[tuple[str, str], AlarmSettings] = PrivateAttr(default_factory=dict)
    _file: Path | None = PrivateAttr(default=None)

    def read_from(self, file: Path) -> "Config":
        """Note the file that this was read from; give it back."""
        self._file = file
        return self

    @property
    def file(self) -> Path | None:
        """The file that this was read from; None when it came out of the journal, or a text."""
        return self._file

    def settled(self, conditions: Sequence[ConditionSpec]) -> "Config":
        """Give this configuration with the settings of all alarms worked out."""
        alarms = {
            spec.name: overlay(spec, self.alarms, {}).model_dump(mode="json") for spec in conditions
        }
        own: dict[SubjectKind, dict[str, AlarmTables]] = {
            "device": {name: device.alarms for name, device in self.devices.items()},
            "sensor": {name: sensor.alarms for name, sensor in self.sensors.items()},
            "site": {SITE_SUBJECT: {}},
        }
        config = self.model_copy(update={"alarms": alarms})
        config._settings = {  # noqa: SLF001 - its own class
            (spec.name, subject): overlay(spec, self.alarms, own_tables)
            for spec in conditions
            for subject, own_tables in own[spec.subject].items()
        }
        return config

    def alarm(self, condition: str, subject: str) -> AlarmSettings:
        """Give the settings of an alarm: the site's, and over them the subject's own.

        Raises:
            KeyError: no such condition, or it doesn't apply to this kind of subject.
        """
        return self._settings[condition, subject]

    def secret(
        self, name: Literal["mqtt-password", "email-password", "page-pin"]
    ) -> SecretStr | None:
        """Give a secret: from its file, a systemd credential, or the environment; else None.

        Raises:
            ConfigError: it is set and can't be read.
        """
        if name == "mqtt-password":
            return find_secret(name, self.mqtt.password_file)
        if name == "page-pin":
            return find_secret(name, None if self.page is None else self.page.pin_file)
        email = self.notify.email
        return find_secret(name, None if email is None else email.password_file)

    @property
    def summary_readers(self) -> tuple[str, ...]:
        """The addresses that the weekly summary goes to."""
        return (self.summary and self.summary.to) or self.notify.readers

    def store_path(self) -> Path:
        """Give the database file."""
        return self.store.path

    def enclosing(self, device_id: str) -> list[str]:
        """Give the devices around a device, outwards: the cabinet it stands in, and so on.

        A device is enclosed by the one whose temperature sensor is its ambient; of several with
        that sensor, by the first in the file.
        """
        around: list[str] = []
        ambient = self.devices[device_id].ambient
        while ambient is not None:
            outer = next((i for i, d in self.devices.items() if d.temperature == ambient), None)
            if outer is None:
                break
            around.append(outer)
            ambient = self.devices[outer].ambient
        return around

    def credible(self, sensor_id: str) -> Span:
        """Give the lowest and the highest value of a sensor that can be true, in its SI unit.

        Its own `range`; else, for a power all of whose devices are rated, what they may draw
        together; else what is usual for the quantity.
        """
        sensor = self.sensors[sensor_id]
        if sensor.range is not None:
            return sensor.range
        lowest, highest = CREDIBLE[sensor.quantity]
        fed = [device for device in self.devices.values() if sensor_id in device.power]
        ratings_w = [device.rated_power_w for device in fed if device.rated_power_w is not None]
        if ratings_w and len(ratings_w) == len(fed):
            highest = min(TIMES_RATED * sum(ratings_w), POSSIBLE[sensor.quantity][1])
        return lowest, highest

    def name_of(self, subject: str) -> str:
        """Give what people call a sensor, a device or the site: its ID where it has no name."""
        if subject == SITE_SUBJECT:
            return self.site.name
        table = self.devices.get(subject) or self.sensors.get(subject)
        return (None if table is None else table.name) or subject

    @property
    def renames(self) -> list[tuple[str, str]]:
        """The renames of sensors that it asks for, each as (old, new)."""
        return [
            (sensor.renamed_from, name)
            for name, sensor in self.sensors.items()
            if sensor.renamed_from is not None
        ]

    def with_sensor_renamed(self, old: str, new: str) -> "Config":
        """Give this configuration with the ID of one of its sensors exchanged, and nothing else."""
        sensors = {new if name == old else name: each for name, each in self.sensors.items()}
        devices = {
            name: device.with_sensor_renamed(old, new) for name, device in self.devices.items()
        }
        config = self.model_copy(update={"sensors": sensors, "devices": devices})
        config._settings = {  # noqa: SLF001 - its own class
            (condition, new if subject == old else subject): settings
            for (condition, subject), settings in self._settings.items()
        }
        return config

    def as_json(self) -> dict[str, Any]:
        """Give the configuration in force as JSON-able values, without any secret."""
        return self.model_dump(mode="json", by_alias=True)
