"""The whole configuration, and the questions that are asked of it."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any, Literal

from pydantic import Field, PrivateAttr, SecretStr

from cabinetwatch.config.equipment import (
    AlarmSettings,
    AlarmTables,
    ConditionSpec,
    Device,
    Sensor,
    SubjectKind,
    overlay,
)
from cabinetwatch.config.services import Mqtt, Notify, Page, Site, Store, Summary, find_secret
from cabinetwatch.config.values import CREDIBLE, POSSIBLE, TIMES_RATED, Span, Table

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
