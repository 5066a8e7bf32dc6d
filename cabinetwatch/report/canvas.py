"""Draws a picture as SVG or PNG: the one place that knows matplotlib.

A figure with axes costs 20 to 70 ms; lines and texts put straight on the figure, a few. So the
scales are our own, and one figure is used again and again. One thread draws at a time.
"""

import re
import threading
from html import escape
from io import BytesIO, StringIO
from textwrap import wrap
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Polygon
from matplotlib.text import Text
from matplotlib.transforms import Affine2D
from PIL import Image

from cabinetwatch.report.picture import (
    DARK,
    INK,
    LIGHT,
    QUIET,
    RULE,
    STROKES,
    AlarmMark,
    Box,
    Line,
    Numbers,
    Picture,
    frame_of,
    lanes_of,
    mark_names,
    spread,
    time_ticks,
)
from cabinetwatch.text import typeset

WIDTH, HEIGHT = 400, 250
"""In points, which are the units of the SVG: as wide as a phone."""

MOST_MARKS_NAMED = 8
DARK_RULES = "".join(f"--{name}:{colour};" for name, colour in DARK.items())

_TEXT_PT = 12.0
_SMALL_PT = 11.0
_LABEL_GAP = 14.0
_LABEL_LETTERS = 11
_BAND_OPACITY = 0.22
_SHADE_OPACITY = 0.45
_LANE_HEIGHT = 7.0
_BAR_HEIGHTS = {"high": 6.0, "medium": 4.0, "low": 2.0}
"""Priorities differ in height, too, for who sees no colours."""

_COLOURS = 64
_SCALE = 1.75
"""Pixels to a point of a PNG: 700 across, sharp on a phone."""

_FONT = "system-ui,-apple-system,'Segoe UI',Roboto,Helvetica,Arial,sans-serif"
_SETTINGS: dict[Any, Any] = {
    "svg.fonttype": "none",
    "svg.hashsalt": "cabinetwatch",
    "path.simplify": True,
}
_FIGURE = Figure(figsize=(WIDTH / 72, HEIGHT / 72), dpi=72, facecolor="#ffffff")
_FIGURE.patch.set_visible(False)
_drawing = threading.Lock()


def draw_svg(picture: Picture) -> str:
    """Draw for the page: an SVG that follows the reader's light or dark setting."""
    out = StringIO()
    with _drawing, mpl.rc_context(_SETTINGS):
        _Drawing(picture)
        no_metadata = dict.fromkeys(("Date", "Creator", "Format", "Type"))
        FigureCanvasSVG(_FIGURE).print_svg(out, metadata=no_metadata)  # type: ignore[no-untyped-call]
    _, opening, body = re.split(r"(<svg\b[^>]*)>", out.getvalue(), maxsplit=1)
    for name, colour in LIGHT.items():
        body = body.replace(colour, f"var(--{name},{colour})")
    # Text is set in the reader's own font; the one it was measured in need not be there.
    body = re.sub(r"font-family: [^;\"]*", f"font-family: {_FONT}", body)
    return (
        '<?xml version="1.0" encoding="utf-8"?>\n'
        f'{opening} role="img" aria-labelledby="title desc">'
        f'<title id="title">{escape(picture.title)}</title>'
        f'<desc id="desc">{escape(picture.description)}</desc>'
        f"<style>@media (prefers-color-scheme:dark){{:root{{{DARK_RULES}}}}}</style>{body}"
    )


def inlined(svg: str, prefix: str) -> str:
    """Give a drawn SVG as part of a page: without a head and a style of its own.

    The page gives the dark colours (`DARK_RULES`). IDs get a prefix, so that several can stand on
    one page.
    """
    body = re.sub(r"<style>.*?</style>", "", svg[svg.index("<svg") :], flags=re.DOTALL)
    body = re.sub(r'\bid="([^"]*)"', rf'id="{prefix}-\1"', body)
    body = re.sub(r'(url\(|href=")#', rf"\1#{prefix}-", body)
    labelled = f'aria-labelledby="{prefix}-title {prefix}-desc"'
    return body.replace('aria-labelledby="title desc"', labelled)


def draw_png(picture: Picture) -> bytes:
    """Draw for a mail: a PNG on white.

    With a palette of few colours it takes a quarter of the room, in a mail that comes every week.
    """
    out = BytesIO()
    with _drawing:
        _Drawing(picture)
        _FIGURE.dpi = 72 * _SCALE
        _FIGURE.patch.set_visible(True)
        try:
            canvas: Any = FigureCanvasAgg(_FIGURE)
            canvas.draw()
            size = canvas.get_width_height()
            drawn = Image.frombuffer("RGBA", size, canvas.buffer_rgba(), "raw", "RGBA", 0, 1)
            palette = drawn.convert("RGB").quantize(_COLOURS, method=Image.Quantize.FASTOCTREE)
        finally:
            _FIGURE.dpi = 72
            _FIGURE.patch.set_visible(False)
    palette.save(out, "png")
    return out.getvalue()


class _Drawing:
    """One picture on the figure, drawn from the back to the front."""

    def __init__(self, picture: Picture) -> None:
        self._picture, self._timeline = picture, picture.timeline
        self._lanes = lanes_of(picture.timeline.alarms)
        top = HEIGHT - 19 - _LANE_HEIGHT * (1 + max(self._lanes, default=0))
        self._frame = frame_of(picture, Box(36, 24, WIDTH - 84, top))
        self._box = self._frame.box
        _FIGURE.clear()
        # Follows the resolution: 72 points are an inch.
        self._points = Affine2D().scale(1 / 72) + _FIGURE.dpi_scale_trans
        self._shades()
        self._scales()
        self._marks()
        for line in picture.lines:
            self._line(line)
        self._labels()

    def _shades(self) -> None:
        box = self._box
        for shade in self._timeline.shades:
            left, right = (self._frame.x(at) for at in (shade.from_utc_ms, shade.to_utc_ms))
            self._bar(Box(left, box.bottom, right, box.top), RULE, _SHADE_OPACITY)
            middle = (left + right) / 2
            self._text(middle, box.top + 4, shade.text, INK, ha="center", size=_SMALL_PT)

    def _scales(self) -> None:
        box, frame = self._box, self._frame
        for tick in frame.ticks:
            y = frame.y(tick.at)
            self._stroke([box.left, box.right], [y, y], RULE, 0.8)
            self._text(box.left - 5, y, tick.text, QUIET, ha="right", va="center")
        self._text(2, HEIGHT - 5, self._picture.unit, QUIET, va="top")
        for tick in time_ticks(self._timeline):
            x = frame.x(tick.at)
            self._stroke([x, x], [box.bottom, box.bottom - 4], QUIET, 0.8)
            # At the edges the words would leave the picture.
            ha = "left" if x < 3.2 * len(tick.text) else "center"
            self._text(x, box.bottom - 7, tick.text, QUIET, ha=ha, va="top")
        self._stroke([box.left, box.right], [box.bottom, box.bottom], QUIET, 0.8)

    def _marks(self) -> None:
        """Mark alarms as bars above the curves and notes across, and name the first of each."""
        box = self._box
        alarms, notes = self._timeline.alarms, self._timeline.notes
        for alarm, lane in zip(alarms, self._lanes, strict=True):
            left, bottom = self._left_of(alarm), box.top + 1 + _LANE_HEIGHT * lane
            right = box.right if alarm.to_utc_ms is None else self._frame.x(alarm.to_utc_ms)
            top = bottom + _BAR_HEIGHTS.get(alarm.priority, 2.0)
            self._bar(Box(left, bottom, max(left + 2.0, right), top), alarm.priority, 1.0)
        places = [self._frame.x(note.utc_ms) for note in notes]
        for x in places:
            self._stroke([x, x], [box.bottom, box.top], QUIET, 0.9, (1, 2))
        lefts = [self._left_of(alarm) for alarm in alarms[:MOST_MARKS_NAMED]]
        for first, x, name in mark_names("A", lefts, WIDTH):
            colour = alarms[first].priority
            self._text(x, HEIGHT - 17, name, colour, va="bottom", size=_SMALL_PT)
        beside = [x + 2 for x in places[:MOST_MARKS_NAMED]]
        for _, x, name in mark_names("N", beside, box.right):
            self._text(x, box.bottom + 2, name, INK, va="bottom", size=_SMALL_PT)

    def _left_of(self, alarm: AlarmMark) -> float:
        return max(self._box.left, self._frame.x(alarm.from_utc_ms))

    def _line(self, line: Line) -> None:
        curve, frame = line.curve, self._frame
        if not curve.known:
            return
        x, y = frame.x(curve.utc_ms), frame.y(curve.mean)
        unbroken = np.ma.masked_invalid(curve.mean)
        pieces: list[slice] = np.ma.clump_unmasked(unbroken)  # type: ignore[no-untyped-call]
        if line.band:
            for piece in pieces:
                edge = np.concatenate([curve.high[piece], curve.low[piece][::-1]])
                across = np.concatenate([x[piece], x[piece][::-1]])
                self._fill(across, frame.y(edge), line.role, _BAND_OPACITY)
        self._stroke(x, y, line.role, *STROKES[line.role])
        for piece in pieces:
            if piece.stop - piece.start == 1:
                at, height = float(x[piece][0]), float(y[piece][0])
                self._stroke([at - 1, at + 1], [height, height], line.role, 2.0)

    def _labels(self) -> None:
        """Name each line at its end, moved apart where two would touch.

        What lies beyond the scale is named at the edge, with an arrow and its last figure.
        """
        box, words = self._box, []
        for line in self._picture.lines:
            if line.curve.known:
                y, label = self._frame.y(line.curve.last), line.label
                if not box.bottom - 1 <= y <= box.top + 1:
                    figure = f"{line.curve.last:z.0f} {self._picture.unit}"
                    label = f"{'↑' if y > box.top else '↓'} {label} {figure}"
                # From the lowest line of a label on: at one height they stay together.
                wrapped = reversed(wrap(label, _LABEL_LETTERS, break_long_words=False))
                words += [(y, each, line.role) for each in wrapped]
        places = spread([y for y, _, _ in words], _LABEL_GAP, box.bottom + 4, box.top - 4)
        for (_, label, role), place in zip(words, places, strict=True):
            self._text(box.right + 6, place, label, role, va="center")

    # What the figure takes.

    def _stroke(
        self,
        x: Numbers | list[float],
        y: Numbers | list[float],
        colour: str,
        width: float,
        dashes: tuple[float, ...] = (),
    ) -> None:
        line = Line2D(x, y, color=LIGHT[colour], linewidth=width, transform=self._points)
        line.set_solid_joinstyle("round")
        if dashes:
            line.set_linestyle((0, dashes))
        _FIGURE.add_artist(line)

    def _bar(self, box: Box, colour: str, opacity: float) -> None:
        left, bottom, right, top = box
        self._fill([left, right, right, left], [bottom, bottom, top, top], colour, opacity)

    def _fill(
        self, x: Numbers | list[float], y: Numbers | list[float], colour: str, opacity: float
    ) -> None:
        corners = np.column_stack([x, y])
        fill = Polygon(corners, facecolor=LIGHT[colour], alpha=opacity, linewidth=0)
        fill.set_transform(self._points)
        _FIGURE.add_artist(fill)

    def _text(
        self,
        x: float,
        y: float,
        words: str,
        colour: str,
        *,
        ha: str = "left",
        va: str = "baseline",
        size: float = _TEXT_PT,
    ) -> None:
        text = Text(x, y, typeset(words), color=LIGHT[colour], ha=ha, va=va, fontsize=size)
        text.set(transform=self._points, parse_math=False)
        _FIGURE.add_artist(text)
