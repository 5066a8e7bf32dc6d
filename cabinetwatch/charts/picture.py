"""What a picture shows, before it is drawn: curves, marks, and the words for them."""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

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
