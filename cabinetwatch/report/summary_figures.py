"""The figures of a week: what is frozen when it closes, and what the summary is written from.

Temperatures in degC, differences in K, instants in UTC ms; None is unknown.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from pydantic import TypeAdapter, ValidationError

VERSION = 1


@dataclass(frozen=True, slots=True)
class Spread:
    """A figure over the week: mean and 95th percentile of its minute means, and the extremes."""

    mean: float
    percentile_95: float
    lowest: float
    highest: float
    highest_utc_ms: int


@dataclass(frozen=True, slots=True)
class DriftWeek:
    """The trend of the rise as it stood when the week closed; see `thermal.drift`.

    `exhausted_in_days`: when the hot-day margin is used up at this pace.
    """

    significant: bool | None
    climb_per_week: float | None
    exhausted_in_days: float | None


@dataclass(frozen=True, slots=True)
class DeviceWeek:
    """A device's week.

    `settled_rise_k` and `normal_rise_k` are means over the time it was on, as are those of last
    week; hot-day margins likewise. `margin_k` is the least of the week, at `margin_utc_ms`.
    `life_factor` is how much more slowly it aged than it would have with its normal rise: below 1
    is a shorter life (Arrhenius, 0.7 eV). `known` is the part of the week with a temperature.
    """

    id: str
    name: str
    temperature: Spread | None
    rise: Spread | None
    ambient_c: float | None
    settled_rise_k: float | None
    settled_rise_last_week_k: float | None
    normal_rise_k: float | None
    margin_k: float | None
    margin_utc_ms: int | None
    hot_day_margin_k: float | None
    hot_day_margin_last_week_k: float | None
    life_factor: float | None
    off_fraction: float | None
    known: float
    drift: DriftWeek | None


@dataclass(frozen=True, slots=True)
class SensorWeek:
    """A sensor's week.

    `availability` is the part of the time in which the watch ran that the sensor was heard in, by
    stretches of `heard_every_s`; None for one that promises no interval, or if the watch never ran.
    `faults` counts how often each of its own conditions was raised. `unreadable` counts the
    messages that it could not be read from; weeks frozen before that was counted have none. `name`
    is empty for a sensor without one.
    """

    id: str
    quantity: str
    readings: int
    heard_every_s: float | None
    availability: float | None
    gaps: int
    longest_gap_s: float
    faults: dict[str, int]
    unreadable: int = 0
    name: str = ""

    @property
    def called(self) -> str:
        """What people call it."""
        return self.name or self.id


@dataclass(frozen=True, slots=True)
class AlarmWeek:
    """One occurrence of an alarm that was seen in the week.

    `raises` are those within the week, `stood_s` how long it stood until it ended or the week did,
    `acknowledged_s` how long after the raise somebody acknowledged it. `state` is that at the
    week's end. `returned_t` is the watch time of the return, of one that is `returned`.
    """

    id: str
    subject: str
    name: str
    condition: str
    says: str
    priority: str
    raised_utc_ms: int
    ended_utc_ms: int | None
    raises: int
    stood_s: float
    acknowledged_s: float | None
    state: str
    returned_t: int | None
    text: str
    likely: str
    response: str


@dataclass(frozen=True, slots=True)
class Busy:
    """An alarm with its raises in the week and its share of all."""

    name: str
    says: str
    condition: str
    raises: int
    share: float


@dataclass(frozen=True, slots=True)
class Chatter:
    """An alarm that comes and goes, and what would quieten it."""

    name: str
    says: str
    condition: str
    raises: int
    most_in_an_hour: int
    recommendation: str


@dataclass(frozen=True, slots=True)
class AlarmMeasures:
    """The measures of ISA-18.2 over the week.

    `stale` names the alarms that had stood for more than a day when it ended.
    """

    raises: int
    per_day: float
    most_in_ten_minutes: int
    by_priority: dict[str, int]
    busiest: list[Busy]
    chattering: list[Chatter]
    stale: list[str]


@dataclass(frozen=True, slots=True)
class Hidden:
    """An alarm, or a subject, that somebody had taken out of sight when the week ended."""

    subject: str
    name: str
    conditions: list[str]
    state: str
    text: str


@dataclass(frozen=True, slots=True)
class WatchWeek:
    """How the watch itself did.

    `is_first`: it never ran before this week. `uptime` is the part of the week in which it ran.
    `crashes` are the starts after an end without good order: a power cut, a kill. A notice is late
    that took over five minutes beside quiet hours. The store's room is None for a week that was
    made long after its end.
    """

    is_first: bool
    uptime: float
    longest_off_s: float
    longest_off_utc_ms: int | None
    readings: int
    starts: int
    crashes: int
    clock_steps: int
    largest_step_s: float
    broker_losses: int
    broker_lost_s: float
    store_faults: int
    readings_lost: int
    notices_delivered: int
    notices_late: int
    notices_failed: int
    notices_waiting: int
    store_bytes: int | None
    free_bytes: int | None
    growth_bytes_per_day: float | None
    days_left: float | None


@dataclass(frozen=True, slots=True)
class Remark:
    """What somebody noted or did."""

    utc_ms: int
    text: str


@dataclass(frozen=True, slots=True)
class Week:
    """All figures of a week. `minutes`: percentiles are of minutes; else of quarter-hours."""

    version: int
    week: str
    site: str
    timezone: str
    from_utc_ms: int
    to_utc_ms: int
    made_utc_ms: int
    minutes: bool
    devices: list[DeviceWeek]
    sensors: list[SensorWeek]
    alarms: list[AlarmWeek]
    measures: AlarmMeasures
    hidden: list[Hidden]
    watch: WatchWeek
    remarks: list[Remark]

    @property
    def is_over(self) -> bool:
        """Whether all of the week is in it."""
        return self.made_utc_ms >= self.to_utc_ms

    def as_json(self) -> dict[str, Any]:
        """Give the form that is stored."""
        made: dict[str, Any] = _ADAPTER.dump_python(self, mode="json")
        return made

    @classmethod
    def from_json(cls, stored: Mapping[str, Any]) -> "Week | None":
        """Give back what was stored; None if it is of a version that is not known."""
        if stored.get("version") != VERSION:
            return None
        try:
            return _ADAPTER.validate_python(dict(stored))
        except ValidationError:
            return None


_ADAPTER = TypeAdapter(Week)
