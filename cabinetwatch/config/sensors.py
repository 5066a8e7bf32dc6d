"""The tables [sensors.ID]: where each quantity comes from and what can be believed of it."""

from collections.abc import Iterator, Mapping
from typing import Any

from pydantic import Field, model_validator

from cabinetwatch.config.alarms import AlarmTables
from cabinetwatch.config.base import Contradiction, Table
from cabinetwatch.config.kinds import (
    Id,
    Interval,
    NotNegative,
    Numbers,
    PlainText,
    Pointer,
    Positive,
    SenmlName,
    TopicFilter,
)
from cabinetwatch.config.quantities import CREDIBLE, FAULT_CODES, POSSIBLE, UNITS, Quantity
from cabinetwatch.config.topics import is_wildcard

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
        """Fill in the defaults that depend on other keys."""
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
