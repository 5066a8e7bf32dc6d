"""The tables [alarms.CONDITION]: what can be set about an alarm, for the site and for a subject."""

from collections.abc import Mapping
from typing import Any, Literal, NamedTuple

from pydantic import Field, field_validator

from cabinetwatch.config.base import Table
from cabinetwatch.config.kinds import PlainText, PriorityName

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
