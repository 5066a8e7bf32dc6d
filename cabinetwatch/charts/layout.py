"""Where things stand in a picture: the frame with its scales, and labels that don't touch. Pure."""

from dataclasses import dataclass
from typing import NamedTuple, overload

import numpy as np

from cabinetwatch.charts.picture import Numbers, Picture, Role
from cabinetwatch.charts.scale import Tick, value_ticks

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
