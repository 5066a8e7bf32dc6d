"""What the page says of stores of several kinds, and that it follows its store."""

import re
from pathlib import Path

import pytest

from cabinetwatch.clock import SystemClock
from cabinetwatch.report.page import page_of
from cabinetwatch.report.page_server import PageSource
from cabinetwatch.store.place import NoStoreError, WriterLock, database_path, database_url
from cabinetwatch.store.records import Batch
from cabinetwatch.store.replay import StoreFollower
from cabinetwatch.store.store import Store
from cabinetwatch.watch.configuration import load
from cabinetwatch.watch.events import Entry, EntryKind
from tests.cli.recorded_day import keep, write_config
from tests.support.hand_clock import HandClock
from tests.watch.world import COMMISSIONED, HOUR, HOUSE, World, make_config

NOON_MS = 1_782_907_200_000
"""1 July 2026, 12:00 UTC."""
MINUTE_MS = 60_000
WEEK_MS = 7 * 24 * 60 * MINUTE_MS


@pytest.fixture
def world(tmp_path: Path) -> World:
    """A house that has lived for an hour."""
    made = World(load(write_config(tmp_path, HOUSE + COMMISSIONED)))
    made.lives(HOUR)
    return made


def page(folder: Path, world: World) -> str:
    """Write a world into its store, and give the page of it without its style."""
    path = folder / "config.toml"
    keep(path, world)
    clock = HandClock(world.t)
    clock.stand_still()
    source = PageSource(load(path).store.url, None, folder, clock, None)
    with WriterLock(load(path).store_path(), watch=True):
        html = source.html().decode()
    source.close()
    return re.sub(r"<style>.*?</style>", "", html, flags=re.DOTALL)


@pytest.mark.parametrize("out", [True, False])
def test_a_device_out_of_service_does_not_pass_for_well(
    world: World, tmp_path: Path, out: bool
) -> None:
    if out:
        world.tells(EntryKind.COMMAND, command="service-out", subject="nas", reason="new fan")
        world.lives(60_000)
    html = page(tmp_path, world)
    row = html.partition('data-device="nas"')[2].partition("</tr>")[0]
    assert ("out of service" in row) == out
    assert ("put out of sight" in html) == out
    assert not out or "All is well" not in html


def test_a_broker_that_is_lost_and_tried_for_again_counts_once(
    world: World, tmp_path: Path
) -> None:
    world.tells(EntryKind.DISCONNECT, reason="the connection broke")
    world.tells(EntryKind.DISCONNECT, reason="nobody listens there")
    world.tells(EntryKind.CONNECT, session_present=True)
    world.lives(60_000)
    assert "<dt>Broker lost in 7 days</dt><dd>1</dd>" in page(tmp_path, world)


def watch(store: Store, at_utc_ms: int) -> dict[str, str]:
    clock = HandClock(at_utc_ms)
    clock.stand_still()
    store.close()
    with Store.open(database_url(store.path), watch=True) as living:
        return dict(page_of(StoreFollower(living).engine(), living, clock, {}, None)["watch"])


def test_a_machine_that_woke_in_1970_and_a_broker_that_was_late_count_as_what_they_were(
    store: Store,
) -> None:
    woke_t = 30_000
    offset_ms = NOON_MS - woke_t - MINUTE_MS
    start = {"offset_ms": 0, "boot_ms": 0, "ran_until_ms": None}
    told = [
        Entry(woke_t, EntryKind.CONFIG, {"config": make_config().as_json()}),
        Entry(woke_t, EntryKind.START, start),
        # Broker and watch came up together after a power cut: nothing was lost.
        Entry(woke_t + 1, EntryKind.DISCONNECT, {"reason": "nobody listens there"}),
        Entry(woke_t + MINUTE_MS, EntryKind.OFFSET, {"offset_ms": offset_ms}),
        Entry(woke_t + 2 * MINUTE_MS, EntryKind.CONNECT, {"session_present": False}),
        Entry(woke_t + 3 * MINUTE_MS, EntryKind.DISCONNECT, {"reason": "it is shutting down"}),
        Entry(woke_t + 4 * MINUTE_MS, EntryKind.CONNECT, {"session_present": True}),
    ]
    store.commit(Batch(told[-1].t, offset_ms, list(told)))

    soon = watch(store, NOON_MS + 3 * MINUTE_MS + 30_000)
    assert soon["Running"] == "for 4 min 30 s"
    late = watch(store, NOON_MS + 5 * MINUTE_MS + WEEK_MS)
    for label in ("Clock steps in 7 days", "Broker lost in 7 days"):
        assert (soon[label], late[label]) == ("1", "0")


def recorded(folder: Path, site: str) -> str:
    """Make the store of a site that has lived for an hour; give its URL."""
    folder.mkdir()
    path = write_config(folder, HOUSE.replace("under-stairs cabinet", site) + COMMISSIONED)
    world = World(load(path))
    world.lives(HOUR)
    keep(path, world)
    return load(path).store.url


def test_a_store_that_is_made_anew_while_the_page_looks_is_shown_once_it_is_there(
    tmp_path: Path,
) -> None:
    url = recorded(tmp_path / "before", "under the stairs")
    after = database_path(recorded(tmp_path / "after", "in the attic"))
    path = database_path(url)
    source = PageSource(url, None, tmp_path, SystemClock(), None)
    html = source.html().decode()
    assert "under the stairs" in html
    # Nobody holds this store's lock.
    assert "<h1>The watch is not running</h1>" in html
    assert "nobody is watching" in html

    # A damaged store is set aside, and the new one is an empty file until its tables are made.
    path.rename(path.with_name("damaged"))
    path.touch(0o600)
    for _ in range(2):
        with pytest.raises(NoStoreError):
            source.html()
    path.write_bytes(after.read_bytes())
    html = source.html().decode()
    assert "in the attic" in html
    assert "under the stairs" not in html
    source.close()
