"""Draws a picture, and finishes its SVG: the one place that knows matplotlib.

A figure with axes costs 20 to 70 ms; lines and texts put straight on the figure, a few. So the
scales are our own, and one figure is used again and again. One thread draws at a time.
"""

import re
import threading
from html import escape
from io import BytesIO, StringIO
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

from cabinetwatch.charts.picture import (
    DARK,
    INK,
    LIGHT,
    QUIET,
    RULE,
    STROKES,
    AlarmMark,
    Box,
    Line,
    NoteMark,
    Numbers,
    Picture,
    Shade,
    frame_of,
    mark_names,
    spread,
    time_ticks,
)

_NAMES = {colour: name for name, colour in LIGHT.items()}
_COLOUR = re.compile(r"#[0-9a-f]{6}\b")
_OPENING = re.compile(r"<svg\b[^>]*>")
_STYLE = re.compile(r"<style>.*?</style>", re.DOTALL)
_ID = re.compile(r'\b(id)="([^"]*)"')
_REFERENCE = re.compile(r'(url\(|href=")#')
_FAMILY = re.compile(r"font-family: [^;\"]*")
_FONT = "system-ui,-apple-system,'Segoe UI',Roboto,Helvetica,Arial,sans-serif"
DARK_RULES = "".join(f"--{name}:{colour};" for name, colour in DARK.items())


def finish(drawn: str, title: str, description: str) -> str:
    """Give the SVG as it is written to a file.

    Args:
        drawn: by matplotlib, in the light colours, with texts as texts.
        title: What the picture is.
        description: What it shows, with its figures, for those who don't see it.
    """
    body = drawn[drawn.index("<svg") :]
    opening = _OPENING.match(body)
    if opening is None:
        raise ValueError("this is no SVG")
    rest = _COLOUR.sub(_by_name, body[opening.end() :])
    # Text is set in the reader's own font; the one it was measured in need not be there.
    rest = _FAMILY.sub(f"font-family: {_FONT}", rest)
    return (
        '<?xml version="1.0" encoding="utf-8"?>\n'
        + _named(opening.group())
        + f'<title id="title">{escape(title)}</title><desc id="desc">{escape(description)}</desc>'
        + f"<style>@media (prefers-color-scheme:dark){{:root{{{DARK_RULES}}}}}</style>"
        + rest
    )


def inlined(svg: str, prefix: str) -> str:
    """Give a finished SVG as part of a page: without a head and a style of its own.

    The page gives the dark colours (`DARK_RULES`). IDs get a prefix, so that several can stand on
    one page.
    """
    body = _STYLE.sub("", svg[svg.index("<svg") :])
    body = _ID.sub(rf'\1="{prefix}-\2"', body)
    body = _REFERENCE.sub(rf"\1#{prefix}-", body)
    labelled = f'aria-labelledby="{prefix}-title {prefix}-desc"'
    return body.replace('aria-labelledby="title desc"', labelled)


def _by_name(match: re.Match[str]) -> str:
    colour = match.group()
    name = _NAMES.get(colour)
    return colour if name is None else f"var(--{name},{colour})"


def _named(opening: str) -> str:
    return opening[:-1] + ' role="img" aria-labelledby="title desc">'


WIDTH, HEIGHT = 400, 250
"""In points, which are the units of the SVG: as wide as a phone."""

_TEXT_PT = 12.0
_SMALL_PT = 11.0
_LABEL_GAP = 14.0
_BAND_OPACITY = 0.22
_ALARM_HEIGHT = 5.0
_SHADE_OPACITY = 0.45
_COLOURS = 64
MOST_MARKS_NAMED = 8

_drawing = threading.Lock()
_SETTINGS: dict[Any, Any] = {
    "svg.fonttype": "none",
    "svg.hashsalt": "cabinetwatch",
    "path.simplify": True,
}


def draw_svg(picture: Picture) -> str:
    """Draw for the page: an SVG that follows the reader's light or dark setting."""
    out = StringIO()
    with _drawing, mpl.rc_context(_SETTINGS):
        _Drawing(picture).onto(_FIGURE)
        no_metadata = dict.fromkeys(("Date", "Creator", "Format", "Type"))
        FigureCanvasSVG(_FIGURE).print_svg(out, metadata=no_metadata)  # type: ignore[no-untyped-call]
    return finish(out.getvalue(), picture.title, picture.description)


def draw_png(picture: Picture, scale: float = 2.0) -> bytes:
    """Draw for a mail: a PNG on white, `scale` pixels to a point.

    With a palette of few colours it takes a quarter of the room, in a mail that comes every week.
    """
    out = BytesIO()
    with _drawing:
        _Drawing(picture).onto(_FIGURE)
        _FIGURE.dpi = 72 * scale
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


_FIGURE = Figure(figsize=(WIDTH / 72, HEIGHT / 72), dpi=72, facecolor="#ffffff")
_FIGURE.patch.set_visible(False)


class _Drawing:
    """One picture on its way onto the figure. Places are in points from the lower left corner."""

    def __init__(self, picture: Picture) -> None:
        self._picture = picture
        self._frame = frame_of(picture, Box(36, 24, WIDTH - 84, HEIGHT - 26))

    def onto(self, figure: Figure) -> None:
        """Clear the figure and draw."""
        figure.clear()
        self._figure = figure
        # Follows the resolution: 72 points are an inch.
        self._points = Affine2D().scale(1 / 72) + figure.dpi_scale_trans
        for shade in self._picture.shades:
            self._shade(shade)
        self._scales()
        for alarm in self._picture.alarms:
            self._alarm(alarm)
        for note in self._picture.notes:
            self._note(note)
        self._name_marks()
        for line in self._picture.lines:
            self._line(line)
        self._labels()

    def _shade(self, shade: Shade) -> None:
        box, frame = self._frame.box, self._frame
        left, right = float(frame.x(shade.from_utc_ms)), float(frame.x(shade.to_utc_ms))
        corners = [left, right, right, left], [box.bottom, box.bottom, box.top, box.top]
        self._fill(*corners, RULE, _SHADE_OPACITY)
        self._text((left + right) / 2, box.top + 4, shade.text, INK, ha="center", size=_SMALL_PT)

    def _scales(self) -> None:
        box, frame = self._frame.box, self._frame
        for tick in frame.ticks:
            y = frame.y(tick.at)
            self._stroke([box.left, box.right], [y, y], RULE, 0.8)
            self._text(box.left - 5, y, tick.text, QUIET, ha="right", va="center")
        self._text(2, HEIGHT - 5, self._picture.unit, QUIET, va="top")
        span = self._picture.from_utc_ms, self._picture.to_utc_ms
        for tick in time_ticks(*span, self._picture.timezone):
            x = float(frame.x(tick.at))
            self._stroke([x, x], [box.bottom, box.bottom - 4], QUIET, 0.8)
            # At the edges the words would leave the picture.
            half = 3.2 * len(tick.text)
            ha = "left" if x < half else "center"
            self._text(x, box.bottom - 7, tick.text, QUIET, ha=ha, va="top")
        self._stroke([box.left, box.right], [box.bottom, box.bottom], QUIET, 0.8)

    def _line(self, line: Line) -> None:
        frame, curve = self._frame, line.curve
        if not curve.known:
            return
        x = frame.x(curve.utc_ms)
        if line.band:
            for piece in _unbroken(curve.mean):
                edge = np.concatenate([curve.high[piece], curve.low[piece][::-1]])
                across = np.concatenate([x[piece], x[piece][::-1]])
                self._fill(across, frame.y(edge), line.role, _BAND_OPACITY)
        width, dashes = STROKES[line.role]
        self._stroke(x, frame.y(curve.mean), line.role, width, dashes)
        for piece in _unbroken(curve.mean):
            if piece.stop - piece.start == 1:
                self._dot(float(x[piece][0]), float(frame.y(curve.mean[piece])[0]), line.role)

    def _labels(self) -> None:
        """Name each line at its end, moved apart where two would touch."""
        named = []
        for line in self._picture.lines:
            known = line.curve.mean[np.isfinite(line.curve.mean)]
            if len(known):
                named.append((float(self._frame.y(float(known[-1]))), line))
        box = self._frame.box
        places = spread([y for y, _ in named], _LABEL_GAP, box.bottom + 4, box.top - 4)
        for (y, line), place in zip(named, places, strict=True):
            beyond = "↑ " if y > box.top + 1 else ""
            self._text(box.right + 6, place, beyond + line.label, line.role, va="center")

    def _alarm(self, alarm: AlarmMark) -> None:
        box, to_utc_ms = self._frame.box, alarm.to_utc_ms
        left = self._left_of(alarm)
        right = box.right if to_utc_ms is None else float(self._frame.x(to_utc_ms))
        right = max(left + 2.0, right)
        top = box.top + 2
        self._stroke([left, left], [box.bottom, top], alarm.priority, 0.9)
        self._fill(
            [left, right, right, left],
            [top, top, top + _ALARM_HEIGHT, top + _ALARM_HEIGHT],
            alarm.priority,
            1.0,
        )

    def _note(self, note: NoteMark) -> None:
        box, x = self._frame.box, float(self._frame.x(note.utc_ms))
        self._stroke([x, x], [box.bottom, box.top], QUIET, 0.9, (1, 2))

    def _left_of(self, alarm: AlarmMark) -> float:
        return max(self._frame.box.left, float(self._frame.x(alarm.from_utc_ms)))

    def _name_marks(self) -> None:
        """Name alarms above and notes below, the first of each."""
        box = self._frame.box
        alarms = self._picture.alarms[:MOST_MARKS_NAMED]
        above = box.top + 2 + _ALARM_HEIGHT + 2
        lefts = [self._left_of(alarm) for alarm in alarms]
        for first, x, name in mark_names("A", lefts, WIDTH):
            self._text(x, above, name, alarms[first].priority, va="bottom", size=_SMALL_PT)
        beside = [float(self._frame.x(note.utc_ms)) + 2 for note in self._picture.notes]
        for _, x, name in mark_names("N", beside[:MOST_MARKS_NAMED], box.right):
            self._text(x, box.bottom + 2, name, INK, va="bottom", size=_SMALL_PT)

    # What the figure takes.

    def _stroke(
        self,
        x: Numbers | list[float],
        y: Numbers | list[float],
        colour: str,
        width: float,
        dashes: tuple[float, ...] = (),
    ) -> None:
        line = Line2D(
            x,
            y,
            color=LIGHT[colour],
            linewidth=width,
            solid_joinstyle="round",
            transform=self._points,
        )
        if dashes:
            line.set_linestyle((0, dashes))
        self._figure.add_artist(line)

    def _fill(
        self, x: Numbers | list[float], y: Numbers | list[float], colour: str, opacity: float
    ) -> None:
        self._figure.add_artist(
            Polygon(
                np.column_stack([x, y]),
                facecolor=LIGHT[colour],
                alpha=opacity,
                linewidth=0,
                transform=self._points,
            )
        )

    def _dot(self, x: float, y: float, colour: str) -> None:
        self._stroke([x - 1, x + 1], [y, y], colour, 2.0)

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
        self._figure.add_artist(
            Text(
                x,
                y,
                words,
                color=LIGHT[colour],
                fontsize=size,
                ha=ha,
                va=va,
                transform=self._points,
                parse_math=False,
            )
        )


def _unbroken(values: Numbers) -> list[slice]:
    """Give the pieces of a row of figures without a gap in them."""
    known = np.concatenate([[False], np.isfinite(values), [False]])
    edges = np.nonzero(known[1:] != known[:-1])[0]
    return [slice(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]
