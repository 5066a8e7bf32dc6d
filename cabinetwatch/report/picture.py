"""What a picture shows, before it is drawn: its curves and marks, its words, scales and layout.

A picture is made by one of the functions that end in `_picture`; `canvas` draws it. Nothing here
knows how: places are in points from the lower left corner. Whoever sees no picture reads its
title and description, and whoever sees no colours tells the lines by their dashes and labels.
"""

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from enum import StrEnum
from itertools import count
from typing import NamedTuple, TypeVar
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from cabinetwatch.report.words import LogEntry
from cabinetwatch.text import TemperatureUnit, counted, to_datetime

Numbers = NDArray[np.float64]


class Role(StrEnum):
    """What a line stands for: that gives it its colour and its stroke."""

    DEVICE = "device"
    AMBIENT = "ambient"
    THRESHOLD = "threshold"
    NORMAL = "normal"
    BEFORE = "before"


INK, QUIET, RULE = "ink", "quiet", "rule"

LIGHT = {
    INK: "#1d2430",
    QUIET: "#566070",
    RULE: "#d9dee6",
    "device": "#9c3d12",
    "ambient": "#1f6a86",
    "threshold": "#1e2531",
    "normal": "#5b4a8f",
    "before": "#1f6b87",
    "high": "#a8201a",
    "medium": "#8a5300",
    "low": "#2b5c8a",
}
"""On white. No two are equal: in an SVG the colour itself says what it stands for."""

DARK = {
    INK: "#eef1f5",
    QUIET: "#aab4c2",
    RULE: "#343d4b",
    "device": "#f2a27c",
    "ambient": "#7cc4dc",
    "threshold": "#eef1f5",
    "normal": "#b9a8ea",
    "before": "#7cc4dc",
    "high": "#ff8d84",
    "medium": "#f0b254",
    "low": "#86bdec",
}
"""On near black."""


class Stroke(NamedTuple):
    """A line's width in points and its dashes: on, off, ..., in points; () is an unbroken line."""

    width: float
    dashes: tuple[float, ...] = ()


STROKES = {
    Role.DEVICE: Stroke(1.8),
    Role.AMBIENT: Stroke(1.5, (5, 2.5)),
    Role.THRESHOLD: Stroke(1.2, (8, 2.5, 1.5, 2.5)),
    Role.NORMAL: Stroke(1.5, (1.5, 2)),
    Role.BEFORE: Stroke(1.5, (5, 2.5)),
}


class Curve(NamedTuple):
    """Figures over time: arrays of one length, NaN where nothing is known (the line breaks there).

    `utc_ms` holds the middles of the stretches that the figures are of.
    """

    utc_ms: Numbers
    mean: Numbers
    low: Numbers
    high: Numbers

    @property
    def known(self) -> bool:
        """Whether there is any figure."""
        return bool(np.isfinite(self.mean).any())

    @property
    def last(self) -> float:
        """The last mean that is known."""
        return float(self.mean[np.isfinite(self.mean)][-1])

    @property
    def extremes(self) -> tuple[float, float]:
        """The lowest and the highest of all, of a curve that is known."""
        return float(np.nanmin(self.low)), float(np.nanmax(self.high))

    def temperature_in(self, unit: TemperatureUnit) -> "Curve":
        """Give a curve in degC in the unit in which people read it."""
        return self._scaled(unit.from_k(1.0), unit.from_c(0.0))

    def difference_in(self, unit: TemperatureUnit) -> "Curve":
        """Give a curve in K likewise."""
        return self._scaled(unit.from_k(1.0), 0.0)

    def _scaled(self, by: float, zero: float) -> "Curve":
        return Curve(self.utc_ms, *(by * each + zero for each in self[1:]))


def curve(
    points: Sequence[tuple[float, float, float, float]] | Numbers, step_ms: float | None = None
) -> Curve:
    """Make a curve of points in order of time.

    Args:
        points: (UTC in ms, mean, lowest, highest), each at the middle of its stretch.
        step_ms: how far apart neighbours stand; the line breaks where they stand more than one and
            a half times as far. None: it never breaks.
    """
    table = np.asarray(points, dtype=np.float64).reshape(-1, 4)
    if step_ms is not None and len(table) > 1:
        gaps = np.nonzero(np.diff(table[:, 0]) > 1.5 * step_ms)[0] + 1
        middles = (table[gaps - 1, 0] + table[gaps, 0]) / 2
        unknown = np.full((len(gaps), 3), np.nan)
        table = np.insert(table, gaps, np.column_stack([middles, unknown]), axis=0)
    return Curve(*table.T)


class Line(NamedTuple):
    """A curve, its role and the word at its end. `band` shades from lowest to highest."""

    curve: Curve
    role: Role
    label: str
    band: bool = False


class AlarmMark(NamedTuple):
    """An alarm that stood from one instant to another (None: it still stands)."""

    from_utc_ms: int
    to_utc_ms: int | None
    priority: str
    text: str


class Shade(NamedTuple):
    """A stretch of time that is set off from the rest, with its name above it."""

    from_utc_ms: int
    to_utc_ms: int
    text: str


@dataclass(frozen=True, slots=True)
class Timeline:
    """The span of a picture, and what is marked on it: alarms A1, A2, ..., notes N1, N2, ..."""

    from_utc_ms: int
    to_utc_ms: int
    timezone: str
    alarms: Sequence[AlarmMark] = ()
    notes: Sequence[LogEntry] = ()
    shades: Sequence[Shade] = ()


@dataclass(frozen=True, slots=True)
class Picture:
    """Lines over a span of time; `title` and `description` say in words what they show.

    `least_span` is the smallest height of the scale in its unit, so that noise looks like noise.
    """

    title: str
    description: str
    unit: str
    timeline: Timeline
    lines: Sequence[Line]
    least_span: float


_LEAST_SPAN_K = 4.0
SURROUNDING_AIR = "Surrounding air"


def device_picture(
    title: str,
    timeline: Timeline,
    unit: TemperatureUnit,
    *,
    temperature: Curve,
    ambient: Curve,
    threshold: Curve,
) -> Picture:
    """A device's temperature with its band from lowest to highest, its ambient and its threshold.

    All in degC, and shown in the unit. The ambient has no points where there is no such sensor, the
    threshold none where the device has no derating curve.
    """
    temperature, ambient, threshold = (
        each.temperature_in(unit) for each in (temperature, ambient, threshold)
    )
    sentences = [_range("Temperature", temperature, unit.symbol, whole=True)]
    if ambient.known:
        sentences.append(_range(SURROUNDING_AIR, ambient, unit.symbol, whole=True))
    if threshold.known:
        sentences.append(_against(temperature, threshold, unit))
    return Picture(
        title=title,
        description=" ".join(sentences) + _marked(timeline),
        unit=unit.symbol,
        timeline=timeline,
        least_span=unit.from_k(_LEAST_SPAN_K),
        lines=(
            Line(threshold, Role.THRESHOLD, "Threshold"),
            Line(ambient, Role.AMBIENT, SURROUNDING_AIR),
            Line(temperature, Role.DEVICE, "Device", band=True),
        ),
    )


def trend_picture(
    title: str, timeline: Timeline, unit: TemperatureUnit, *, rise: Curve, normal: Curve
) -> Picture:
    """A device's rise day by day, in K, against its normal rise as far as known."""
    rise, normal = (each.difference_in(unit) for each in (rise, normal))
    description = _range("Rise above the surrounding air", rise, unit.of_difference, whole=True)
    if normal.known:
        description += f" Normal rise {normal.last:z.1f} {unit.of_difference} at the end."
    return Picture(
        title=title,
        description=description + _marked(timeline),
        unit=unit.of_difference,
        timeline=timeline,
        least_span=unit.from_k(_LEAST_SPAN_K),
        lines=(Line(normal, Role.NORMAL, "Normal"), Line(rise, Role.DEVICE, "Rise", band=True)),
    )


def temperature_picture(
    name: str,
    timeline: Timeline,
    unit: TemperatureUnit,
    *,
    temperature: Curve,
    ambient: Curve,
    threshold_c: float | None,
) -> Picture:
    """A device's temperature and its ambient, degC, over the phases of a trial.

    The threshold is that at the load of the after phase, None where it is unknown.
    """
    temperature, ambient = temperature.temperature_in(unit), ambient.temperature_in(unit)
    lines = [Line(ambient, Role.AMBIENT, SURROUNDING_AIR), Line(temperature, Role.DEVICE, "Device")]
    if threshold_c is not None:
        level = [unit.from_c(threshold_c)] * 3
        ends = np.array([(at, *level) for at in (timeline.from_utc_ms, timeline.to_utc_ms)])
        lines.insert(0, Line(curve(ends), Role.THRESHOLD, "Threshold"))
    return Picture(
        title=f"{name}: temperature and surrounding air",
        description=_range("Device", temperature, unit.symbol)
        + " "
        + _range(SURROUNDING_AIR, ambient, unit.symbol),
        unit=unit.symbol,
        timeline=timeline,
        least_span=unit.from_k(_LEAST_SPAN_K),
        lines=lines,
    )


def rise_picture(
    name: str,
    timeline: Timeline,
    unit: TemperatureUnit,
    *,
    rise: Curve,
    fitted: Curve,
    settled: Curve,
) -> Picture:
    """The rise over the phases in K, the response that was fitted, and where it settles.

    The rise is device minus ambient as the device feels it; the settled rise of each phase has its
    95 % interval as lowest and highest.
    """
    rise, fitted, settled = (each.difference_in(unit) for each in (rise, fitted, settled))
    return Picture(
        title=f"{name}: rise above the surrounding air",
        description=_range("Rise", rise, unit.of_difference),
        unit=unit.of_difference,
        timeline=timeline,
        least_span=unit.from_k(_LEAST_SPAN_K),
        lines=(
            Line(settled, Role.BEFORE, "Settling at", band=True),
            Line(rise, Role.DEVICE, "Rise"),
            Line(fitted, Role.NORMAL, "Fitted"),
        ),
    )


def _range(what: str, curve: Curve, unit: str, *, whole: bool = False) -> str:
    """Say from where to where a curve goes; `whole`: and where it ends."""
    if not curve.known:
        return f"{what} not known in this span." if whole else f"{what} not known."
    low, high = curve.extremes
    end = f", at the end {curve.last:z.1f} {unit}" if whole else ""
    return f"{what} from {low:z.1f} to {high:z.1f} {unit}{end}."


def _against(temperature: Curve, threshold: Curve, unit: TemperatureUnit) -> str:
    """Say how near the temperature came to the threshold, at their nearest in time."""
    written = f"Threshold {threshold.last:z.1f} {unit.symbol} at the end"
    if not temperature.known:
        return f"{written}."
    known = np.isfinite(threshold.mean)
    there = np.interp(temperature.utc_ms, threshold.utc_ms[known], threshold.mean[known])
    least, by = float(np.nanmin(there - temperature.high)), unit.of_difference
    if least < 0:
        return f"{written}; the temperature went as much as {-least:z.1f} {by} above it."
    return f"{written}; least margin {least:z.1f} {by}."


def _marked(timeline: Timeline) -> str:
    marks = ((timeline.alarms, "alarm"), (timeline.notes, "note"))
    words = [counted(len(each), word) for each, word in marks if each]
    return f" {' and '.join(words)} marked." if words else ""


# The layout.

_FAR = 1 / 3
"""A threshold farther from the figures than this, in heights of theirs, is left out of the scale:
a quarter of it would be empty. Its label then stands at the edge, with an arrow and its figure."""

_PADDING = 0.04


class Box(NamedTuple):
    """A rectangle."""

    left: float
    bottom: float
    right: float
    top: float


class Tick(NamedTuple):
    """A place on a scale and what is written there."""

    at: float
    text: str


_OneOrMany = TypeVar("_OneOrMany", float, Numbers)


@dataclass(frozen=True, slots=True)
class Frame:
    """A box with the two scales that belong to it; figures go from `low` to `high`."""

    box: Box
    timeline: Timeline
    ticks: list[Tick]
    low: float
    high: float

    def x(self, utc_ms: _OneOrMany) -> _OneOrMany:
        """Give the place of an instant."""
        first, last = self.timeline.from_utc_ms, self.timeline.to_utc_ms
        return self.box.left + (utc_ms - first) / (last - first) * (self.box.right - self.box.left)

    def y(self, value: _OneOrMany) -> _OneOrMany:
        """Give the height of a figure."""
        part = (value - self.low) / (self.high - self.low)
        return self.box.bottom + part * (self.box.top - self.box.bottom)


def frame_of(picture: Picture, box: Box) -> Frame:
    """Give the frame that holds all figures of a picture, but not a threshold that is far off."""
    known = [line for line in picture.lines if line.curve.known]
    ends = [end for line in known if line.role != Role.THRESHOLD for end in line.curve.extremes]
    low, high = (min(ends), max(ends)) if ends else (0.0, picture.least_span)
    if high - low < picture.least_span:
        middle = (low + high) / 2
        low, high = middle - picture.least_span / 2, middle + picture.least_span / 2
    near = (_FAR * (high - low)) if ends else math.inf
    for line in known:
        if line.role == Role.THRESHOLD:
            lowest, highest = line.curve.extremes
            if lowest - high <= near and low - highest <= near:
                low, high = min(low, lowest), max(high, highest)
    padding = _PADDING * (high - low)
    low, high = low - padding, high + padding
    ticks = [tick for tick in value_ticks(low, high) if low <= tick.at <= high]
    return Frame(box, picture.timeline, ticks, low, high)


MOST_LANES = 3


def lanes_of(alarms: Sequence[AlarmMark]) -> list[int]:
    """Number a lane for each alarm, so that those of one time lie above each other, not over.

    >>> marks = [AlarmMark(*span, "high", "") for span in ((0, 9), (5, None), (9, 12))]
    >>> lanes_of(marks)
    [0, 1, 0]
    """
    until = [-math.inf] * MOST_LANES
    lanes = []
    for alarm in alarms:
        free = (lane for lane, end in enumerate(until) if end <= alarm.from_utc_ms)
        lane = next(free, MOST_LANES - 1)
        until[lane] = math.inf if alarm.to_utc_ms is None else alarm.to_utc_ms
        lanes.append(lane)
    return lanes


def value_ticks(low: float, high: float) -> list[Tick]:
    """Give round figures from at or below `low` to at or above `high`, the least that cover both.

    >>> [tick.text for tick in value_ticks(21.3, 46.0)]
    ['20', '25', '30', '35', '40', '45', '50']
    """
    # The smallest of 1, 2 and 5 times a power of ten that is wide enough.
    least = (high - low) / 5
    power = 10.0 ** math.floor(math.log10(least))
    step = next(factor * power for factor in (1.0, 2.0, 5.0, 10.0) if factor * power >= least)
    first, last = math.floor(low / step + 1e-9), math.ceil(high / step - 1e-9)
    decimals = max(0, -math.floor(math.log10(step) + 1e-9))
    places = (number * step for number in range(first, last + 1))
    return [Tick(at, f"{at:z.{decimals}f}") for at in places]


_MOST_LETTERS = 32
"""Of all labels together that fit beside each other below a picture as wide as a phone."""


def time_ticks(timeline: Timeline) -> list[Tick]:
    """Give round local times within a span, with the words for them, as many as fit."""
    zone = ZoneInfo(timeline.timezone)
    start = to_datetime(timeline.from_utc_ms).astimezone(zone)
    for walk, step, form in _WALKS:
        ticks: list[Tick] = []
        for local in walk(start, step):
            # Instants are compared, not what the clock on the wall shows: that repeats an hour.
            at = local.timestamp() * 1000
            if at > timeline.to_utc_ms or not _fit(ticks):
                break
            # Of an hour that is skipped the clock shows the next, which may come by itself, too.
            if at >= timeline.from_utc_ms and (not ticks or at > ticks[-1].at):
                shown = to_datetime(round(at)).astimezone(zone)
                is_midnight = form == "%H:%M" and shown.hour == shown.minute == 0
                ticks.append(Tick(at, shown.strftime("%a" if is_midnight else form)))
        if _fit(ticks):
            return ticks
    return []


def _fit(ticks: list[Tick]) -> bool:
    return sum(len(tick.text) for tick in ticks) <= _MOST_LETTERS


def _minutes(start: datetime, step: int) -> Iterator[datetime]:
    """Minutes of the clock that are multiples of `step`, a divisor of the hour."""
    at = start.replace(minute=0, second=0, microsecond=0)
    while True:
        yield at
        at = (at.astimezone(UTC) + timedelta(minutes=step)).astimezone(start.tzinfo)


def _hours(start: datetime, step: int) -> Iterator[datetime]:
    """Whole hours of the local clock that are multiples of `step`; days change with its changes."""
    for midnight in _days(start, 1):
        yield from (midnight.replace(hour=hour) for hour in range(0, 24, step))


def _days(start: datetime, step: int) -> Iterator[datetime]:
    """Local midnights, every so many days; for whole weeks those of Mondays."""
    midnight = start.replace(hour=0, minute=0, second=0, microsecond=0)
    if step % 7 == 0:
        midnight -= timedelta(days=midnight.weekday())
    yield from (midnight + timedelta(days=days) for days in count(0, step))


def _months(start: datetime, step: int) -> Iterator[datetime]:
    for month in count(start.month - 1, step):
        year, month_of_year = start.year + month // 12, month % 12 + 1
        yield datetime(year, month_of_year, 1, tzinfo=start.tzinfo)


_WALKS: tuple[tuple[Callable[[datetime, int], Iterator[datetime]], int, str], ...] = (
    *((_minutes, step, "%H:%M") for step in (1, 2, 5, 10, 15, 30)),
    *((_hours, step, "%H:%M") for step in (1, 2, 3, 6, 12)),
    *((_days, step, "%a %-d") for step in (1, 2)),
    *((_days, step, "%-d %b") for step in (7, 14, 21, 28)),
    *((_months, step, "%b %Y") for step in (1, 2, 3, 6, 12)),
)
"""From fine to coarse; the first whose words fit is taken."""


def spread(places: list[float], gap: float, least: float, most: float) -> list[float]:
    """Move places apart until neighbours are at least `gap` apart, within two bounds if they fit.

    >>> spread([10.0, 12.0, 40.0], 14.0, 0.0, 100.0)
    [4.0, 18.0, 40.0]
    """
    order = sorted(range(len(places)), key=lambda number: places[number])
    groups: list[tuple[float, int]] = []
    for number in order:
        centre, size = min(max(places[number], least), most), 1
        # Groups (centre, size) are joined while they overlap, and the joint one kept in bounds.
        while groups:
            below, below_size = groups[-1]
            if centre - below >= (size + below_size) / 2 * gap - 1e-9:
                break
            del groups[-1]
            centre = (centre * size + below * below_size) / (size + below_size)
            size += below_size
            half = (size - 1) / 2 * gap
            centre = max(min(centre, most - half), least + half)
        groups.append((centre, size))
    heights = [
        centre + (rank - (size - 1) / 2) * gap for centre, size in groups for rank in range(size)
    ]
    moved = dict(zip(order, heights, strict=True))
    return [moved[number] for number in range(len(places))]


_CHARACTER_PT = 6.5
_NAME_GAP_PT = 4.0
"""How wide a name beside a mark is drawn, and what keeps it from the next."""


def mark_names(letter: str, places: list[float], most: float) -> list[tuple[int, float, str]]:
    """Name marks beside each other; those whose names would touch get one name together.

    The places go from left to right; the last name ends at `most`. Gives for each name the first
    mark that it is for (from 0), where it begins, and the name.

    >>> mark_names("A", [36.0, 90.0, 92.0, 95.0, 300.0], 320.0)
    [(0, 36.0, 'A1'), (1, 90.0, 'A2-4'), (4, 300.0, 'A5')]
    """

    def width(name: str) -> float:
        return _CHARACTER_PT * len(name) + _NAME_GAP_PT

    groups: list[tuple[int, float, str]] = []
    for number, place in enumerate(places):
        first, at, name = number, place, f"{letter}{number + 1}"
        at = min(at, most - width(name))
        while groups and groups[-1][1] + width(groups[-1][2]) > at:
            first, at, _ = groups.pop()
            name = f"{letter}{first + 1}-{number + 1}"
            at = min(at, most - width(name))
        groups.append((first, at, name))
    return groups
