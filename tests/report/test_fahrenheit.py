"""Page, pictures, terminal and summary of a site whose people read °F, beside those of its twin."""

import json
import re
from collections.abc import Iterable, Iterator
from contextlib import redirect_stdout
from io import StringIO

import numpy as np
import pytest

from cabinetwatch.cli.main import main
from cabinetwatch.report.charts import draw_charts, draw_week
from cabinetwatch.report.page import MANIFEST, read_manifest
from cabinetwatch.report.page_server import PageSource, write_page
from cabinetwatch.report.picture import Timeline, curve, device_picture, frame_of, trend_picture
from cabinetwatch.report.summary_mail import html_of, text_of
from cabinetwatch.report.summary_week import Week
from cabinetwatch.report.summary_words import summary_of
from cabinetwatch.store.replay import in_force
from cabinetwatch.store.store import Store
from cabinetwatch.text import TemperatureUnit, plain
from tests.support.fahrenheit import in_fahrenheit, same, sentences_apart
from tests.support.fortnight import Fortnight
from tests.support.hand_clock import HandClock
from tests.support.house import House, build

NOW_MS = 1_782_907_380_000
FAHRENHEIT = TemperatureUnit.FAHRENHEIT
CELL = re.compile(r'data-figure="(\w+)" data-value="([^"]+)">([^<\s]+)')

Twins = tuple[House, House]


@pytest.fixture(scope="module")
def twins(tmp_path_factory: pytest.TempPathFactory) -> Twins:
    """One device that is too warm: the same life, read in °C and in °F."""
    si, told = (
        build(tmp_path_factory.mktemp(unit), NOW_MS, devices=1, days=1, unit=unit)
        for unit in TemperatureUnit
    )
    return si, told


def pages(houses: Iterable[House]) -> Iterator[str]:
    """Write pages as of their instant, with their pictures."""
    # One clock, so that all are of one instant however busy the machine is.
    clock = HandClock(NOW_MS)
    clock.stand_still()
    for house in houses:
        folder = house.path.parent / "page"
        folder.mkdir(exist_ok=True)
        with Store.open(house.url, read_only=True) as store:
            draw_charts(store, house.config, folder, house.now_utc_ms)
        source = PageSource(house.url, None, folder, clock, None)
        write_page(source, folder)
        source.close()
        yield (folder / "index.html").read_text()


def test_the_page_shows_the_same_in_both_units(twins: Twins) -> None:
    si, told = pages(twins)
    cells = list(zip(CELL.findall(si), CELL.findall(told), strict=True))
    assert [key for (key, _, _), _ in cells] == [
        *("temperature_c", "rise_k", "settled_rise_k", "margin_k")
    ]
    for (key, value, _), (same_key, same_value, shown) in cells:
        assert (key, value) == (same_key, same_value)
        convert = FAHRENHEIT.from_c if key.endswith("_c") else FAHRENHEIT.from_k
        assert plain(shown) == f"{convert(float(value)):.1f}"
    for each in ("Temperatures in °C, the rest in K.", "All in °F."):
        si, told = si.replace(each, ""), told.replace(each, "")
    drawn = [re.sub(r"drawn_?\w*|charts/[^\"]+", "", CELL.sub("", page)) for page in (si, told)]
    assert "Temperature from" in drawn[1]
    assert same(*(spelt(page) for page in drawn)) > 40


def test_status_and_alarms_show_the_same_in_both_units(twins: Twins) -> None:
    for command in ("status", "alarms"):
        texts = [re.sub(r"\d\d:\d\d:\d\d", "", shown(house, command)) for house in twins]
        assert same(*texts) >= 2
        both = [json.loads(shown(house, command, "--json")) for house in twins]
        one, other = sentences_apart(*both)
        assert without_instants(one) == without_instants(other)


def test_what_is_exported_is_the_same_byte_for_byte(twins: Twins) -> None:
    for form in ("csv", "jsonl"):
        one, other = (shown(house, "export", "--format", form) for house in twins)
        assert one == other
        assert one.count("\n") > 100


def shown(house: House, *arguments: str) -> str:
    out = StringIO()
    with redirect_stdout(out):
        main([*arguments, "--config", str(house.path)])
    return out.getvalue().replace(str(house.path.parent), "")


def without_instants(text: object) -> str:
    """What hangs on when and of which process it was asked."""
    return re.sub(
        r'"(\w*(age|bytes|process|pid|days_left|now)\w*)": [^,}]+', r'"\1"', json.dumps(text)
    )


def test_pictures_have_their_scale_in_the_unit_and_the_words_too() -> None:
    hours = 3_600_000.0 * np.arange(25)
    warm = 40.0 + 3.0 * np.sin(hours / 1e7)
    temperature = curve(np.column_stack([hours, warm, warm - 0.5, warm + 0.5]))
    flat = curve([(each, *[50.0] * 3) for each in hours])
    line = Timeline(0, int(hours[-1]), "UTC")
    si, told = (
        device_picture("NAS", line, unit, temperature=temperature, ambient=flat, threshold=flat)
        for unit in TemperatureUnit
    )
    assert (si.unit, told.unit) == ("°C", "°F")
    box = (0.0, 0.0, 100.0, 100.0)
    assert same(spelt(si.description), spelt(told.description)) >= 4
    for one, other in zip(si.lines, told.lines, strict=True):
        assert other.curve.mean == pytest.approx(1.8 * one.curve.mean + 32.0)
    ticks = [float(tick.text) for tick in frame_of(told, box).ticks]  # type: ignore[arg-type]
    assert min(ticks) > 90.0
    rises = (
        trend_picture("NAS", line, unit, rise=temperature, normal=flat) for unit in TemperatureUnit
    )
    si, told = rises
    assert (si.unit, told.unit) == ("K", "°F")
    assert same(spelt(si.description), spelt(told.description)) >= 2


def spelt(description: str) -> str:
    """Give both ends of a span their unit."""
    return re.sub(r"from (\S+) to (\S+) (\S+?)(?=[,. ])", r"from \1 \3 to \2 \3", description)


def test_a_picture_in_another_unit_is_drawn_anew(twins: Twins) -> None:
    list(pages(twins[:1]))
    folder = twins[0].path.parent / "page"
    known = read_manifest(folder)
    stale = {name: entry | {"unit": "degF"} for name, entry in known.items()}
    (folder / MANIFEST).write_text(json.dumps(stale))
    list(pages(twins[:1]))
    assert {each["unit"] for each in read_manifest(folder).values()} == {"Cel"}


def test_the_weekly_mail_shows_the_same_in_both_units(fortnight: Fortnight, week: Week) -> None:
    both = [summary_of(week, "", unit) for unit in TemperatureUnit]
    for render in (text_of, html_of):
        si, told = (plain(render(each)) for each in both)
        heads = [
            re.sub(r"(Highest|Settling at|Margin|Hot-day\s+margin),\s+", "", e) for e in (si, told)
        ]
        assert "°F" in heads[1]
    figures = 0
    for one, other in zip(both[0].sections, both[1].sections, strict=True):
        for (name, si_line), (same_name, told_line) in zip(one.lines, other.lines, strict=True):
            assert name == same_name
            figures += same(si_line, told_line)
        if one.table is not None and other.table is not None:
            assert [*other.table.headings] == [
                *("Device", "Highest, °F", "Settling at, °F", "Margin, °F, least"),
                "Hot-day margin, °F",
            ]
            for (_, *si_row), (_, *told_row) in zip(one.table.rows, other.table.rows, strict=True):
                for place, (cell, told_cell) in enumerate(zip(si_row, told_row, strict=True)):
                    if cell != "-":
                        value = float(plain(cell))
                        expected = FAHRENHEIT.from_k(value) + (32.0 if place == 0 else 0.0)
                        assert float(plain(told_cell)) == pytest.approx(expected, abs=0.15)
    assert figures >= 10
    figures = sum(same(*each) for each in zip(both[0].lead, both[1].lead, strict=True))
    assert figures >= 1
    with Store.open(fortnight.url, read_only=True) as store:
        config = in_force(store, None)
        drawn = [draw_week(store, each, week) for each in (config, in_fahrenheit(config))]
    for si_drawn, told_drawn in zip(*drawn, strict=True):
        assert same(spelt(si_drawn.alt), spelt(told_drawn.alt)) >= 2
