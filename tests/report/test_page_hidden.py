"""What somebody put out of sight does not pass for well on the page."""

import re
from pathlib import Path

from cabinetwatch.report.page_server import PageSource
from cabinetwatch.store.place import WriterLock
from cabinetwatch.watch.configuration import load
from cabinetwatch.watch.events import EntryKind
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
    return shown(path, world)


def shown(path: Path, world: World) -> str:
    """Write a world into its store, and give the page of it without its style."""
    folder = path.parent
    keep(path, world)
    clock = HandClock(world.t)
    clock.stand_still()
    source = PageSource(load(path).store.url, None, folder, clock, None)
    with WriterLock(load(path).store_path(), watch=True):
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


def test_a_broker_that_is_lost_and_tried_for_again_counts_once(tmp_path: Path) -> None:
    path = write_config(tmp_path, HOUSE + COMMISSIONED)
    world = World(load(path))
    world.lives(HOUR)
    world.tells(EntryKind.DISCONNECT, reason="the connection broke")
    world.tells(EntryKind.DISCONNECT, reason="nobody listens there")
    world.tells(EntryKind.CONNECT, session_present=True)
    world.lives(60_000)
    assert "<dt>Broker lost in 7 days</dt><dd>1</dd>" in shown(path, world)
