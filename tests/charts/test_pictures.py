"""Pictures as they are drawn: what an SVG says and asks for, colours, and what a picture tells."""

import math
import re
from itertools import pairwise
from xml.etree import ElementTree as ET

import numpy as np
import pytest

from cabinetwatch.report.canvas import HEIGHT, WIDTH, draw_png, draw_svg
from cabinetwatch.report.picture import (
    DARK,
    LIGHT,
    STROKES,
    AlarmMark,
    Box,
    Curve,
    Picture,
    Role,
    Timeline,
    curve,
    device_picture,
    frame_of,
    trend_picture,
)
from cabinetwatch.report.words import LogEntry
from cabinetwatch.text import TemperatureUnit

START_MS = 1_782_900_000_000
HOUR_MS = 3_600_000
NONE = curve([])
SVG = "{http://www.w3.org/2000/svg}"


def swing(middle: float, height: float, gap: bool = False) -> Curve:
    """A day of ten-minute means, with a band of half a kelvin; perhaps two hours are missing."""
    points = [
        (START_MS + (n + 0.5) * 600_000, value, value - 0.5, value + 0.5)
        for n in range(144)
        for value in [middle + height * math.sin(2 * math.pi * n / 144)]
        if not (gap and 60 <= n < 72)
    ]
    return curve(points, 600_000)


def flat(value: float) -> Curve:
    ends = (START_MS, START_MS + 24 * HOUR_MS)
    return curve([(utc_ms, value, value, value) for utc_ms in ends])


def picture(
    *,
    name: str = "NAS",
    temperature: Curve = NONE,
    threshold: Curve = NONE,
    alarms: tuple[AlarmMark, ...] = (),
    notes: tuple[LogEntry, ...] = (),
    unit: TemperatureUnit = TemperatureUnit.CELSIUS,
) -> Picture:
    return device_picture(
        f"{name}, last 24 hours",
        Timeline(START_MS, START_MS + 24 * HOUR_MS, "Europe/Dublin", alarms, notes),
        unit,
        temperature=temperature,
        ambient=swing(22.0, 1.0),
        threshold=threshold,
    )


def parsed(svg: str) -> ET.Element:
    return ET.fromstring(svg)  # noqa: S314 - our own


def texts(svg: str) -> list[str]:
    return [each.text or "" for each in parsed(svg).iter(f"{SVG}text")]


def strokes(svg: str, role: str) -> list[list[tuple[float, float]]]:
    """Give the points of the lines of a role, piece by piece."""
    pieces = []
    for path in parsed(svg).iter(f"{SVG}path"):
        if f"stroke: var(--{role}," in path.get("style", ""):
            for piece in path.get("d", "").split("M")[1:]:
                numbers = [float(each) for each in re.findall(r"-?[\d.]+", piece)]
                pieces.append(list(zip(numbers[::2], numbers[1::2], strict=True)))
    return pieces


def test_an_svg_is_named_described_and_asks_for_nothing() -> None:
    drawn = picture(name='<b>"NAS" & co</b>', temperature=swing(40, 3), threshold=flat(55))
    svg = draw_svg(drawn)
    root = parsed(svg)
    assert root.findtext(f"{SVG}title") == drawn.title == '<b>"NAS" & co</b>, last 24 hours'
    assert root.findtext(f"{SVG}desc") == drawn.description
    assert (root.get("role"), root.get("aria-labelledby")) == ("img", "title desc")
    assert root.get("viewBox") == f"0 0 {WIDTH} {HEIGHT}"
    without_names = re.sub(r'xmlns(:\w+)?="[^"]*"', "", svg)
    assert not re.search(r"https?:|<script|<image|url\(|@import|@font-face", without_names)
    assert draw_svg(drawn) == svg
    # One of nothing is drawn, too.
    assert "Device" not in texts(draw_svg(picture()))


def test_the_line_goes_through_the_figures() -> None:
    svg = draw_svg(picture(temperature=swing(40, 3), threshold=flat(55)))
    # The scale, read back from its labels: the grid lines are drawn from left to right at each.
    grid = [piece[0][1] for piece in strokes(svg, "rule")]
    figures = [float(each) for each in texts(svg) if re.fullmatch(r"\d+", each)][: len(grid)]
    slope, start = np.polyfit(grid, figures, 1)
    (line,) = strokes(svg, "device")
    shown = [start + slope * y for _, y in line]
    assert max(shown) == pytest.approx(43.0, abs=0.1)
    assert min(shown) == pytest.approx(37.0, abs=0.1)
    assert shown[0] == pytest.approx(40.0, abs=0.1)


def test_every_line_is_named_at_its_end_and_a_far_threshold_presses_nothing_flat() -> None:
    assert {"Device", "Surrounding", "air", "Threshold"} <= set(
        texts(draw_svg(picture(temperature=swing(40, 3), threshold=flat(48))))
    )
    far = texts(draw_svg(picture(temperature=swing(40, 3), threshold=flat(150))))
    assert {"↑ Threshold", "150\u00a0°C"} <= set(far)
    assert max(float(each) for each in far if re.fullmatch(r"\d+", each)) <= 50


def test_a_gap_breaks_the_line_and_its_band() -> None:
    whole, broken = (draw_svg(picture(temperature=swing(40, 3, gap))) for gap in (False, True))
    assert len(strokes(whole, "device")) == 1
    assert len(strokes(broken, "device")) == 2
    assert broken.count("fill: var(--device,") == whole.count("fill: var(--device,") + 1


def test_alarms_and_notes_are_marked_by_name() -> None:
    marks = (
        AlarmMark(START_MS - HOUR_MS, None, "medium", "too far above the surrounding air"),
        AlarmMark(START_MS + 3 * HOUR_MS, START_MS + 5 * HOUR_MS, "high", "running on a slow fan"),
    )
    notes = (LogEntry(START_MS + 5 * HOUR_MS, None, "filter cleaned"),)
    drawn = picture(temperature=swing(40, 3), alarms=marks, notes=notes)
    assert {"A1", "A2", "N1"} <= set(texts(draw_svg(drawn)))
    assert drawn.description.endswith("2 alarms and 1 note marked.")


def bars(svg: str, priority: str) -> list[tuple[float, float, float, float]]:
    """Give the bars of a priority: left, top, right, bottom as the SVG counts, downwards."""
    found = []
    for path in parsed(svg).iter(f"{SVG}path"):
        if f"fill: var(--{priority}," in path.get("style", ""):
            numbers = [float(each) for each in re.findall(r"-?[\d.]+", path.get("d", ""))]
            x, y = numbers[::2], numbers[1::2]
            found.append((min(x), min(y), max(x), max(y)))
    return found


@pytest.mark.parametrize("count", [1, 2, 3, 5])
def test_alarms_lie_above_the_curves_and_each_other_never_over_them(count: int) -> None:
    priorities = ("high", "medium", "low")
    marks = tuple(
        AlarmMark(START_MS + (number - 1) * HOUR_MS, None, priorities[number % 3], "warm")
        for number in range(count)
    )
    svg = draw_svg(picture(temperature=swing(40, 3), threshold=flat(42), alarms=marks))
    highest = min(
        y
        for role in ("device", "ambient", "threshold")
        for line in strokes(svg, role)
        for _, y in line
    )
    drawn = [bar for priority in priorities for bar in bars(svg, priority)]
    assert len(drawn) == count
    assert all(0 <= left < right <= WIDTH and bottom < highest for left, _, right, bottom in drawn)
    lanes = sorted((top, bottom) for _, top, _, bottom in drawn)
    if count <= 3:
        assert all(before[1] <= after[0] for before, after in pairwise(lanes))
    # No line of theirs crosses the curves.
    assert all(strokes(svg, priority) == [] for priority in priorities)


@pytest.mark.parametrize("threshold_c", [30.0, 42.0, 45.0, 48.0, 60.0, 150.0])
def test_no_quarter_of_a_picture_is_empty(threshold_c: float) -> None:
    shown = picture(temperature=swing(40, 3), threshold=flat(threshold_c))
    frame = frame_of(shown, Box(0, 0, 100, 100))
    curves = [line.curve for line in shown.lines if line.role != Role.THRESHOLD]
    heights = sorted(
        height
        for each in curves
        for height in frame.y(np.concatenate([each.low, each.high])).tolist()
        if 0 <= height <= 100
    )
    # At the bottom and the top, whatever the threshold; in the middle lies the rise itself.
    assert heights[0] < 25
    assert heights[-1] > 75
    assert all(0 <= frame.y(tick.at) <= 100 for tick in frame.ticks)
    # The excursion is in it whatever the threshold is, and a near threshold with it.
    assert all(0 <= frame.y(end) <= 100 for end in swing(40, 3).extremes)
    assert (0 <= frame.y(threshold_c) <= 100) == (threshold_c < 60)


def test_marks_that_stand_close_together_share_a_name_that_can_be_read() -> None:
    hours = (2, 8.0, 8.1, 8.2, 20)
    alarms = tuple(
        AlarmMark(START_MS + int(hour * HOUR_MS), None, "high", "warm") for hour in hours
    )
    notes = tuple(
        LogEntry(START_MS + int(hour * HOUR_MS), None, "a note") for hour in (12, 23.8, 23.9)
    )
    svg = draw_svg(picture(temperature=swing(30, 1), alarms=alarms, notes=notes))
    names = [text for text in texts(svg) if re.fullmatch(r"[AN]\d.*", text)]
    assert names == ["A1", "A2-4", "A5", "N1", "N2-3"]


def test_the_description_carries_the_figures() -> None:
    drawn = picture(temperature=swing(40, 3), threshold=flat(55))
    assert drawn.description == (
        "Temperature from 36.5 to 43.5 °C, at the end 39.9 °C."
        " Surrounding air from 20.5 to 23.5 °C, at the end 22.0 °C."
        " Threshold 55.0 °C at the end; least margin 11.5 K."
    )
    over = picture(temperature=swing(40, 3), threshold=flat(42))
    assert "the temperature went as much as 1.5 K above it" in over.description
    assert "Temperature not known in this span." in picture().description


def test_a_trend_shows_rise_against_normal() -> None:
    drawn = trend_picture(
        "NAS, rise above the surrounding air, last 13 weeks",
        Timeline(START_MS, START_MS + 24 * HOUR_MS, "Europe/Dublin"),
        TemperatureUnit.CELSIUS,
        rise=swing(12, 1),
        normal=flat(11),
    )
    assert {"Rise", "Normal", "K"} <= set(texts(draw_svg(drawn)))
    assert drawn.description.endswith("Normal rise 11.0 K at the end.")


def test_a_png_is_on_white_and_700_pixels_across() -> None:
    drawn = picture(temperature=swing(40, 3))
    png = draw_png(drawn)
    assert png == draw_png(drawn)
    assert png.startswith(b"\x89PNG\r\n\x1a\n")
    # Width and height stand in the first chunk (PNG specification, third edition, 11.2.1).
    size = int.from_bytes(png[16:20], "big"), int.from_bytes(png[20:24], "big")
    assert size == (700, 700 * HEIGHT // WIDTH)
    assert len(png) < 80_000
    # The page's are as they were, without a ground of their own.
    assert "#ffffff" not in draw_svg(drawn)


def luminance(colour: str) -> float:
    """Relative luminance as WCAG 2.2 defines it."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize(("colours", "ground"), [(LIGHT, "#ffffff"), (DARK, "#1b212b")])
def test_lines_and_words_stand_out_from_their_ground(colours: dict[str, str], ground: str) -> None:
    # WCAG 2.2, 1.4.3: 4.5 to 1 for text; each colour but the grid's also writes.
    assert colours.keys() == LIGHT.keys() >= {role.value for role in Role}
    for name, colour in colours.items():
        lights = sorted((luminance(colour), luminance(ground)))
        ratio = (lights[1] + 0.05) / (lights[0] + 0.05)
        assert ratio >= 4.5 or name == "rule", name


def test_lines_are_told_apart_by_colour_in_an_svg_and_without_it() -> None:
    assert len(set(LIGHT.values())) == len(LIGHT)
    beside = ((Role.DEVICE, Role.AMBIENT, Role.THRESHOLD), (Role.DEVICE, Role.NORMAL, Role.BEFORE))
    for roles in beside:
        assert len({STROKES[role].dashes for role in roles}) == len(roles)
