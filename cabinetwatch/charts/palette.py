"""Colours and strokes of the pictures, legible on light and on dark ground."""

from typing import NamedTuple

from cabinetwatch.charts.picture import Role

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
