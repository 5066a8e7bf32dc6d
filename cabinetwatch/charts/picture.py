"""What a picture shows before it is drawn: curves, marks, scales, colours, layout."""

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from enum import StrEnum
from typing import NamedTuple, overload
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from cabinetwatch.clock import to_datetime

Numbers = NDArray[np.float64]


class Role(StrEnum):
    """What a line stands for: that gives it its colour, and its style for those who see none."""

    DEVICE = "device"
    AMBIENT = "ambient"
    THRESHOLD = "threshold"
    NORMAL = "normal"
    BEFORE = "before"
    AFTER = "after"


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
    return Curve(table[:, 0], table[:, 1], table[:, 2], table[:, 3])


@dataclass(frozen=True, slots=True)
class Line:
    """A curve, its role and the word at its end. `band` shades from lowest to highest."""

    curve: Curve
    role: Role
    label: str
    band: bool = False


@dataclass(frozen=True, slots=True)
class AlarmMark:
    """An alarm that stood from one instant to another (None: it still stands)."""

    from_utc_ms: int
    to_utc_ms: int | None
    priority: str
    text: str


@dataclass(frozen=True, slots=True)
class NoteMark:
    """Something that somebody did or wrote down."""

    utc_ms: int
    text: str


@dataclass(frozen=True, slots=True)
class Shade:
    """A stretch of time that is set off from the rest, with its name above it."""

    from_utc_ms: int
    to_utc_ms: int
    text: str


@dataclass(frozen=True, slots=True)
class Picture:
    """One picture over a span of time, with everything that goes on it.

    `title` and `description` say in words what it shows, for those who don't see it.
    `least_span` is the smallest height of the scale in its unit, so that noise looks like noise.
    """

    title: str
    description: str
    unit: str
    from_utc_ms: int
    to_utc_ms: int
    timezone: str
    lines: tuple[Line, ...]
    alarms: tuple[AlarmMark, ...] = ()
    notes: tuple[NoteMark, ...] = ()
    shades: tuple[Shade, ...] = ()
    least_span: float = 8.0


INK = "ink"
QUIET = "quiet"
RULE = "rule"

LIGHT = {
    INK: "#1d2430",
    QUIET: "#566070",
    RULE: "#d9dee6",
    "device": "#9c3d12",
    "ambient": "#1f6a86",
    "threshold": "#1e2531",
    "normal": "#5b4a8f",
    "before": "#1f6b87",
    "after": "#9c3d13",
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
    "after": "#f2a27c",
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
    Role.AFTER: Stroke(1.8),
}


_MOST_LETTERS = 32
"""Of all labels together that fit beside each other below a picture as wide as a phone."""


class Tick(NamedTuple):
    """A place on a scale and what is written there."""

    at: float
    text: str


def value_ticks(low: float, high: float, most: int = 6) -> list[Tick]:
    """Give round figures from at or below `low` to at or above `high`, the least that cover both.

    >>> [tick.text for tick in value_ticks(21.3, 46.0)]
    ['20', '30', '40', '50']
    """
    step = _round_step((high - low) / (most - 1))
    first, last = math.floor(low / step + 1e-9), math.ceil(high / step - 1e-9)
    decimals = max(0, -math.floor(math.log10(step) + 1e-9))
    return [
        Tick(number * step, f"{number * step:z.{decimals}f}") for number in range(first, last + 1)
    ]


def _round_step(least: float) -> float:
    """Give the smallest of 1, 2 and 5 times a power of ten that is not below `least`."""
    power = 10.0 ** math.floor(math.log10(least))
    return next(factor * power for factor in (1.0, 2.0, 5.0, 10.0) if factor * power >= least)


def time_ticks(from_utc_ms: int, to_utc_ms: int, timezone: str) -> list[Tick]:
    """Give round local times within a span, with the words for them, as many as fit."""
    zone = ZoneInfo(timezone)
    start = to_datetime(from_utc_ms).astimezone(zone)
    for steps, form in _STEPS:
        ticks: list[Tick] = []
        for local in steps(start):
            # Instants are compared, not what the clock on the wall shows: that repeats an hour.
            at = local.timestamp() * 1000
            if at > to_utc_ms or not _fit(ticks):
                break
            # Of an hour that is skipped the clock shows the next, which may come by itself, too.
            if at >= from_utc_ms and (not ticks or at > ticks[-1].at):
                ticks.append(Tick(at, _written(to_datetime(round(at)).astimezone(zone), form)))
        if _fit(ticks):
            return ticks
    return []


def _fit(ticks: list[Tick]) -> bool:
    return sum(len(tick.text) for tick in ticks) <= _MOST_LETTERS


_Steps = Callable[[datetime], Iterator[datetime]]


def _hours(step: int) -> _Steps:
    """Whole hours of the local clock that are multiples of `step`; days change with its changes."""

    def steps(start: datetime) -> Iterator[datetime]:
        midnight = start.replace(hour=0, minute=0, second=0, microsecond=0)
        while True:
            for hour in range(0, 24, step):
                yield midnight.replace(hour=hour)
            midnight += timedelta(days=1)

    return steps


def _minutes(step: int) -> _Steps:
    """Minutes of the clock that are multiples of `step`, a divisor of the hour."""

    def steps(start: datetime) -> Iterator[datetime]:
        at = start.replace(minute=0, second=0, microsecond=0)
        while True:
            yield at
            at = (at.astimezone(UTC) + timedelta(minutes=step)).astimezone(start.tzinfo)

    return steps


def _days(step: int) -> _Steps:
    """Local midnights, every so many days; for whole weeks those of Mondays."""

    def steps(start: datetime) -> Iterator[datetime]:
        midnight = start.replace(hour=0, minute=0, second=0, microsecond=0)
        if step % 7 == 0:
            midnight -= timedelta(days=midnight.weekday())
        while True:
            yield midnight
            midnight += timedelta(days=step)

    return steps


def _months(step: int) -> _Steps:
    """First days of months."""

    def steps(start: datetime) -> Iterator[datetime]:
        first = start.replace(day=1, hour=0, minute=0, second=0, microsecond=0)
        while True:
            yield first
            month = first.month - 1 + step
            first = first.replace(year=first.year + month // 12, month=month % 12 + 1)

    return steps


_STEPS: tuple[tuple[_Steps, str], ...] = (
    *((_minutes(step), "%H:%M") for step in (1, 2, 5, 10, 15, 30)),
    *((_hours(step), "%H:%M") for step in (1, 2, 3, 6, 12)),
    (_days(1), "%a %-d"),
    (_days(2), "%a %-d"),
    *((_days(step), "%-d %b") for step in (7, 14, 21, 28)),
    *((_months(step), "%b %Y") for step in (1, 2, 3, 6, 12)),
)


def _written(local: datetime, form: str) -> str:
    if form == "%H:%M" and local.hour == local.minute == 0:
        form = "%a"
    return local.strftime(form)


_FAR = 1.5
"""A threshold farther above the figures than this, in heights of theirs, is left out of the scale:
it would press them flat. Its label then stands at the upper edge, with an arrow."""

_CHARACTER_PT = 6.5
_NAME_GAP_PT = 4.0
"""How wide a name beside a mark is drawn, and what keeps it from the next."""

_SET_BY_RULE = {Role.THRESHOLD}


class Box(NamedTuple):
    """A rectangle, in points from the lower left corner of the picture."""

    left: float
    bottom: float
    right: float
    top: float


@dataclass(frozen=True, slots=True)
class Frame:
    """A box with the two scales that belong to it."""

    box: Box
    from_utc_ms: int
    to_utc_ms: int
    ticks: list[Tick]

    @overload
    def x(self, utc_ms: float) -> float: ...
    @overload
    def x(self, utc_ms: Numbers) -> Numbers: ...
    def x(self, utc_ms: float | Numbers) -> float | Numbers:
        """Give the place of an instant."""
        part = (utc_ms - self.from_utc_ms) / (self.to_utc_ms - self.from_utc_ms)
        return self.box.left + part * (self.box.right - self.box.left)

    @overload
    def y(self, value: float) -> float: ...
    @overload
    def y(self, value: Numbers) -> Numbers: ...
    def y(self, value: float | Numbers) -> float | Numbers:
        """Give the height of a figure."""
        low, high = self.ticks[0].at, self.ticks[-1].at
        part = (value - low) / (high - low)
        return self.box.bottom + part * (self.box.top - self.box.bottom)


def frame_of(picture: Picture, box: Box) -> Frame:
    """Give the frame that holds all figures of a picture, but not a threshold that is far off."""
    low, high = _extent(picture)
    return Frame(box, picture.from_utc_ms, picture.to_utc_ms, value_ticks(low, high))


def _extent(picture: Picture) -> tuple[float, float]:
    measured = [line for line in picture.lines if line.role not in _SET_BY_RULE]
    ends = [each for line in measured for each in _ends(line.curve.low, line.curve.high)]
    low, high = (min(ends), max(ends)) if ends else (0.0, picture.least_span)
    if high - low < picture.least_span:
        middle = (low + high) / 2
        low, high = middle - picture.least_span / 2, middle + picture.least_span / 2
    for line in picture.lines:
        if line.role in _SET_BY_RULE and line.curve.known:
            lowest, highest = _ends(line.curve.low, line.curve.high)
            if not ends or highest - high <= _FAR * (high - low):
                low, high = min(low, lowest), max(high, highest)
    return low, high


def _ends(low: Numbers, high: Numbers) -> tuple[float, ...]:
    if not np.isfinite(low).any():
        return ()
    return float(np.nanmin(low)), float(np.nanmax(high))


def spread(places: list[float], gap: float, least: float, most: float) -> list[float]:
    """Move places apart until neighbours are at least `gap` apart, within two bounds if they fit.

    >>> spread([10.0, 12.0, 40.0], 14.0, 0.0, 100.0)
    [4.0, 18.0, 40.0]
    """
    order = sorted(range(len(places)), key=lambda number: places[number])
    groups: list[list[float]] = []
    for number in order:
        groups.append([min(max(places[number], least), most), 1.0])
        _join(groups, gap, least, most)
    heights = [
        centre + (rank - (count - 1) / 2) * gap
        for centre, count in groups
        for rank in range(int(count))
    ]
    moved = [0.0] * len(places)
    for number, height in zip(order, heights, strict=True):
        moved[number] = height
    return moved


def _join(groups: list[list[float]], gap: float, least: float, most: float) -> None:
    """Join the last groups (centre, count) while they overlap, and keep the joint one in bounds."""
    while True:
        centre, count = groups[-1]
        half = (count - 1) / 2 * gap
        groups[-1][0] = centre = max(min(centre, most - half), least + half)
        if len(groups) == 1:
            return
        below, below_count = groups[-2]
        if centre - half - gap >= below + (below_count - 1) / 2 * gap - 1e-9:
            return
        total = count + below_count
        groups[-2:] = [[(centre * count + below * below_count) / total, total]]


def mark_names(letter: str, places: list[float], most: float) -> list[tuple[int, float, str]]:
    """Name marks beside each other; those whose names would touch get one name together.

    Args:
        letter: before each number.
        places: of the marks in points, from left to right.
        most: where the last name has to end.

    Returns:
        For each name the first mark that it is for (from 0), where it begins, and the name.

    >>> mark_names("A", [36.0, 90.0, 92.0, 95.0, 300.0], 320.0)
    [(0, 36.0, 'A1'), (1, 90.0, 'A2-4'), (4, 300.0, 'A5')]
    """
    groups: list[tuple[int, float, str]] = []
    for number, place in enumerate(places):
        first, at, name = number, place, f"{letter}{number + 1}"
        at = min(at, most - _name_width(name))
        while groups and groups[-1][1] + _name_width(groups[-1][2]) > at:
            first, at, _ = groups.pop()
            name = f"{letter}{first + 1}-{number + 1}"
            at = min(at, most - _name_width(name))
        groups.append((first, at, name))
    return groups


def _name_width(name: str) -> float:
    return _CHARACTER_PT * len(name) + _NAME_GAP_PT


def device_picture(
    name: str,
    span: str,
    *,
    from_utc_ms: int,
    to_utc_ms: int,
    timezone: str,
    temperature: Curve,
    ambient: Curve,
    threshold: Curve,
    alarms: Sequence[AlarmMark] = (),
    notes: Sequence[NoteMark] = (),
) -> Picture:
    """A device's temperature with its band from lowest to highest, its ambient and its threshold.

    Args:
        name: of the device.
        span: in words, such as "last 24 hours"; it ends the title.
        from_utc_ms: where the picture begins.
        to_utc_ms: where it ends.
        timezone: of the site.
        temperature: of the device, degC.
        ambient: of the air around it, degC; without points where there is no such sensor.
        threshold: its derating threshold, degC; without points where it has no curve.
        alarms: of the device, marked A1, A2, ... in this order.
        notes: marked N1, N2, ... in this order.
    """
    sentences = [_extremes("Temperature", temperature, "°C")]
    if ambient.known:
        sentences.append(_extremes("Ambient", ambient, "°C"))
    if threshold.known:
        sentences.append(_against(temperature, threshold))
    sentences += _counts(alarms, notes)
    return Picture(
        title=f"{name}, {span}",
        description=" ".join(sentences),
        unit="°C",
        from_utc_ms=from_utc_ms,
        to_utc_ms=to_utc_ms,
        timezone=timezone,
        lines=(
            Line(threshold, Role.THRESHOLD, "Threshold"),
            Line(ambient, Role.AMBIENT, "Ambient"),
            Line(temperature, Role.DEVICE, "Device", band=True),
        ),
        alarms=tuple(alarms),
        notes=tuple(notes),
    )


def trend_picture(
    name: str,
    span: str,
    *,
    from_utc_ms: int,
    to_utc_ms: int,
    timezone: str,
    rise: Curve,
    normal: Curve,
    alarms: Sequence[AlarmMark] = (),
    notes: Sequence[NoteMark] = (),
) -> Picture:
    """A device's rise above ambient, day by day, against what is normal for it.

    Args:
        name: of the device.
        span: in words, such as "last 13 weeks"; it ends the title.
        from_utc_ms: where the picture begins.
        to_utc_ms: where it ends.
        timezone: of the site.
        rise: in K, one point a day with the day's lowest and highest.
        normal: the normal rise, in K; without points while it is not known.
        alarms: of the device, marked A1, A2, ... in this order.
        notes: marked N1, N2, ... in this order.
    """
    sentences = [_extremes("Rise above ambient", rise, "K")]
    if normal.known:
        sentences.append(f"Normal rise {_last(normal):z.1f} K at the end.")
    sentences += _counts(alarms, notes)
    return Picture(
        title=f"{name}, rise above ambient, {span}",
        description=" ".join(sentences),
        unit="K",
        from_utc_ms=from_utc_ms,
        to_utc_ms=to_utc_ms,
        timezone=timezone,
        lines=(
            Line(normal, Role.NORMAL, "Normal"),
            Line(rise, Role.DEVICE, "Rise", band=True),
        ),
        alarms=tuple(alarms),
        notes=tuple(notes),
    )


def _extremes(what: str, curve: Curve, unit: str) -> str:
    if not curve.known:
        return f"{what} not known in this span."
    low, high = np.nanmin(curve.low), np.nanmax(curve.high)
    return f"{what} from {low:z.1f} to {high:z.1f} {unit}, at the end {_last(curve):z.1f} {unit}."


def _against(temperature: Curve, threshold: Curve) -> str:
    """Say how near the temperature came to the threshold, at their nearest in time."""
    written = f"Threshold {_last(threshold):z.1f} °C at the end"
    if not temperature.known:
        return f"{written}."
    known = np.isfinite(threshold.mean)
    there = np.interp(temperature.utc_ms, threshold.utc_ms[known], threshold.mean[known])
    least_k = float(np.nanmin(there - temperature.high))
    if least_k < 0:
        return f"{written}; passed by {-least_k:z.1f} K at the most."
    return f"{written}; at the least {least_k:z.1f} K below it."


def _last(curve: Curve) -> float:
    return float(curve.mean[np.isfinite(curve.mean)][-1])


def _counts(alarms: Sequence[AlarmMark], notes: Sequence[NoteMark]) -> list[str]:
    counted = ((len(alarms), "alarm"), (len(notes), "note"))
    words = [f"{count} {word}{'' if count == 1 else 's'}" for count, word in counted if count]
    return [f"{' and '.join(words)} marked."] if words else []


def temperature_picture(
    name: str,
    *,
    timezone: str,
    temperature: Curve,
    ambient: Curve,
    threshold_c: float | None,
    phases: Sequence[Shade],
    notes: Sequence[NoteMark] = (),
) -> Picture:
    """A device's temperature and its ambient over the phases of a trial.

    Args:
        name: of the device.
        timezone: of the site.
        temperature: of the device, degC.
        ambient: of the air around it, degC.
        threshold_c: its derating threshold at the load of the after phase, None where unknown.
        phases: in order of time; the first and the last bound the picture.
        notes: marked N1, N2, ... in this order.
    """
    span = _span(phases)
    lines = [Line(ambient, Role.AMBIENT, "Ambient"), Line(temperature, Role.DEVICE, "Device")]
    if threshold_c is not None:
        lines.insert(0, Line(_level(span, threshold_c), Role.THRESHOLD, "Threshold"))
    return Picture(
        title=f"{name}: temperature and ambient",
        description=f"{_range('Device', temperature, '°C')} {_range('Ambient', ambient, '°C')}",
        unit="°C",
        from_utc_ms=span[0],
        to_utc_ms=span[1],
        timezone=timezone,
        lines=tuple(lines),
        notes=tuple(notes),
        shades=tuple(phases),
    )


def rise_picture(
    name: str,
    *,
    timezone: str,
    rise: Curve,
    fitted: Curve,
    settled: Curve,
    phases: Sequence[Shade],
) -> Picture:
    """The rise over the phases, the response that was fitted, and where it settles.

    Args:
        name: of the device.
        timezone: of the site.
        rise: device minus ambient as the device feels it, K.
        fitted: the same by the fitted response, K.
        settled: the settled rise of each phase with its 95 % interval as lowest and highest, K.
        phases: in order of time; the first and the last bound the picture.
    """
    span = _span(phases)
    return Picture(
        title=f"{name}: rise above ambient",
        description=_range("Rise", rise, "K"),
        unit="K",
        from_utc_ms=span[0],
        to_utc_ms=span[1],
        timezone=timezone,
        lines=(
            Line(settled, Role.BEFORE, "Settled", band=True),
            Line(rise, Role.DEVICE, "Rise"),
            Line(fitted, Role.NORMAL, "Fitted"),
        ),
        shades=tuple(phases),
        least_span=4.0,
    )


def _span(phases: Sequence[Shade]) -> tuple[int, int]:
    return min(p.from_utc_ms for p in phases), max(p.to_utc_ms for p in phases)


def _level(span: tuple[int, int], value: float) -> Curve:
    values = np.array([value, value])
    return Curve(np.array(span, dtype=float), values, values, values)


def _range(what: str, curve: Curve, unit: str) -> str:
    if not curve.known:
        return f"{what} not known."
    return f"{what} from {np.nanmin(curve.low):z.1f} to {np.nanmax(curve.high):z.1f} {unit}."
