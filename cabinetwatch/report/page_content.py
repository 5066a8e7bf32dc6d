"""The page in words, before it is dressed as HTML: what each part of it holds."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple

from cabinetwatch.report.page_files import Span


class Headline(NamedTuple):
    """How things are, in a word, and why. `tone` is a priority's value or "well"."""

    tone: str
    words: str
    detail: str


class AlarmCard(NamedTuple):
    """An alarm that stands, or is over and not acknowledged; `text` is of the instant `told`."""

    tone: str
    degree: str
    heading: str
    text: str
    since: str
    told: str
    state: str
    likely: str
    response: str
    id: str
    hidden: bool


class Reach(NamedTuple):
    """Where a temperature stands between its ambient (0) and its threshold (100), for a bar.

    `settled` is where it is heading, None while that is unknown. All are within 0 to 100.
    """

    now: float
    settled: float | None


class ChartCard(NamedTuple):
    """A picture of a device; `source` is empty while it has not been drawn."""

    span: Span
    source: str
    title: str
    description: str
    drawn: str
    marks: list[dict[str, str]]


class DeviceCard(NamedTuple):
    """A device: the figures of its row, and what stands with its pictures."""

    id: str
    name: str
    off: bool
    tone: str
    alarm: str
    figures: Mapping[str, Any]
    shown: Mapping[str, str]
    arrow: str
    heading_word: str
    reach: Reach | None
    more: list[tuple[str, str, str]]
    charts: list[ChartCard]


class SensorRow(NamedTuple):
    """A sensor's present."""

    id: str
    name: str
    quantity: str
    value: str
    state: str
    unreadable: str
    heard: str
    tone: str


class NoticeRow(NamedTuple):
    """A notice and what became of it."""

    time: str
    channel: str
    told: str
    outcome: str
    bad: bool


@dataclass(frozen=True, slots=True)
class Page:
    """The whole page in words."""

    site: str
    headline: Headline
    written_utc_ms: int
    written: str
    figures_of: str
    date: str
    refresh_s: int
    alarms: list[AlarmCard]
    devices: list[DeviceCard]
    sensors: list[SensorRow]
    notices: list[NoticeRow]
    watch: list[tuple[str, str]]
    spans: tuple[Span, ...]
