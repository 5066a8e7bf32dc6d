"""What somebody put out of sight does not pass for well on the page."""

import re
from pathlib import Path

from cabinetwatch.report.page_source import PageSource
from cabinetwatch.watch.configuration import load
from cabinetwatch.watch.entry import EntryKind
from tests.cli.recorded_day import keep, write_config
from tests.support.hand_clock import HandClock
from tests.watch.world import COMMISSIONED, HOUR, HOUSE, World


def page(folder: Path, *, out_of_service: bool) -> str:
    path = write_config(folder, HOUSE + COMMISSIONED)
    world = World(load(path))
    world.lives(HOUR)
    if out_of_service:
        world.tells(EntryKind.COMMAND, command="service-out", subject="nas", reason="new fan")
        world.lives(60_000)
    keep(path, world)
    clock = HandClock(world.t)
    clock.stand_still()
    source = PageSource(load(path).store.url, None, folder, clock, None)
    html = source.html().decode()
    source.close()
    return re.sub(r"<style>.*?</style>", "", html, flags=re.DOTALL)


def row(html: str) -> str:
    return html.partition('data-device="nas"')[2].partition("</tr>")[0]


def test_a_device_out_of_service_is_marked_in_its_row_and_in_the_headline(tmp_path: Path) -> None:
    html = page(tmp_path, out_of_service=True)
    assert "out of service" in row(html)
    assert "All is well" not in html
    assert "put out of sight" in html


def test_a_device_in_service_is_not(tmp_path: Path) -> None:
    html = page(tmp_path, out_of_service=False)
    assert "out of service" not in row(html)
    assert "put out of sight" not in html
