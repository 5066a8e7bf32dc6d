"""A watch whose disk refuses at its start is seen by `status`, and leaves nothing in memory."""

import json
import os
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from cabinetwatch.cli.main import main
from cabinetwatch.service import startup
from cabinetwatch.service.startup import FallbackStore
from cabinetwatch.store import database as in_memory
from cabinetwatch.store.database import MemoryPlace, clear_leftovers, find_records
from cabinetwatch.store.place import DiskFaultError, database_path
from cabinetwatch.store.store import Store
from cabinetwatch.watch.conditions import load_config, restore_config
from cabinetwatch.watch.events import EntryKind
from tests.faults.watched import TABLES
from tests.report.serving import write_page
from tests.service.site import HALL, NAS, Site
from tests.service.watching import WatchProcess, running, wait_until
from tests.service.wire import Wire
from tests.support.house import House, build
from tests.support.patience import WITHIN_S


def status(path: Path, capsys: pytest.CaptureFixture[str], *options: str) -> str:
    """Give all that `status` says; it never calls this well."""
    assert main(["status", "--config", str(path), *options]) == 1
    said = capsys.readouterr()
    return said.out + said.err


@contextmanager
def watching_from_memory(site: Site, cabinet: Wire) -> Iterator[WatchProcess]:
    """A watch that began while its disk was full, and the sign that it still is."""
    site.tables = TABLES
    full = site.folder / "full"
    full.touch()
    with running(site.write(), str(full), module="tests.faults.no_disk") as watch:
        cabinet.wait_online()
        cabinet.wait_transition("site", "store-fault", "unacknowledged")
        yield watch


def folders(site: Site) -> list[Path]:
    found = in_memory._folders(site.folder / "watch.db", os.O_RDONLY)
    return [folder for folder, _ in found]


def test_status_says_that_the_records_are_in_memory_and_shows_them(
    site: Site, cabinet: Wire, capsys: pytest.CaptureFixture[str]
) -> None:
    with watching_from_memory(site, cabinet) as watch:
        cabinet.publish(HALL, "21")
        cabinet.publish_until(NAS, "55", "nas", "over-derating", "unacknowledged")
        wait_until(
            lambda: "over-derating" in status(site.path, capsys), "the alarm in what status says"
        )
        said = status(site.path, capsys)
        told = json.loads(status(site.path, capsys, "--json"))
        # Where it may not be read, it is known all the same.
        (folder,) = folders(site)
        (folder / "watch.db").rename(folder / "away")
        blind = json.loads(status(site.path, capsys, "--json"))
        (folder / "away").rename(folder / "watch.db")
        (site.folder / "full").unlink()
        cabinet.wait_transition("site", "store-fault", "returned")
        wait_until(lambda: not folders(site), "the memory to be free again")
        after = json.loads(_any_status(site.path, capsys))
        assert watch.stop() == 0

    assert "THE WATCH KEEPS ITS RECORDS IN MEMORY" in said
    assert f"process {watch.pid} " in " ".join(said.split())
    assert "NOT RUNNING" not in said
    assert (told["watch"]["running"], told["watch"]["memory_process"]) == (True, watch.pid)
    assert told["devices"]["nas"]["temperature_c"] == 55.0
    assert (blind["watch"]["running"], blind["watch"]["memory_process"]) == (False, watch.pid)
    assert blind["watch"]["mute_process"] is None
    assert after["watch"]["memory_process"] is None
    with site.store() as store:
        (start,) = (entry for _, entry in store.entries(EntryKind.START))
    # Nobody has had a configuration read again: it is a start like any other.
    assert "reloaded" not in start.data


def _any_status(path: Path, capsys: pytest.CaptureFixture[str]) -> str:
    main(["status", "--config", str(path), "--json"])
    return capsys.readouterr().out


def test_an_alarm_of_a_watch_with_its_records_in_memory_is_shown_and_acknowledged(
    site: Site, cabinet: Wire, capsys: pytest.CaptureFixture[str]
) -> None:
    config = ["--config", str(site.path)]
    with watching_from_memory(site, cabinet) as watch:
        cabinet.publish(HALL, "21")
        raised = cabinet.publish_until(NAS, "55", "nas", "over-derating", "unacknowledged")
        wait_until(lambda: "over-derating" in _alarms(site.path, capsys), "the alarm to be shown")
        assert main(["ack", raised["id"], *config]) == 0
        acknowledged = capsys.readouterr()
        cabinet.wait_transition("nas", "over-derating", "acknowledged")
        assert main(["service", "nas", "out", "--for", "1h", *config]) == 0
        assert main(["alarms", *config]) == 0
        told = capsys.readouterr()
        assert watch.stop() == 0

    assert "IN MEMORY" in acknowledged.err
    assert "IN MEMORY" not in acknowledged.out
    assert "IN MEMORY" in told.err
    assert "out-of-service" in told.out


def _alarms(path: Path, capsys: pytest.CaptureFixture[str]) -> str:
    assert main(["alarms", "--config", str(path)]) == 0
    return capsys.readouterr().out


def test_what_a_killed_watch_left_in_memory_goes_at_the_next_start(
    site: Site, cabinet: Wire, capsys: pytest.CaptureFixture[str]
) -> None:
    with watching_from_memory(site, cabinet) as watch:
        (left,) = folders(site)
        watch.kill()
    assert left.exists()
    assert "IN MEMORY" not in status(site.path, capsys)
    heard = len(cabinet.messages)
    with running(site.path) as again:
        cabinet.wait_online(after=heard)
        assert again.stop() == 0
    assert not left.exists()
    assert "what a watch that was killed had kept in memory was removed" in again.log


def test_a_disk_that_refuses_once_more_is_not_told_as_mended(site: Site, cabinet: Wire) -> None:
    begins = "the watch begins all the same, with its records in memory"
    with watching_from_memory(site, cabinet) as watch:
        (site.folder / "full").write_text("for the watch")
        wait_until(lambda: watch.log.count(begins) > 1, "another start")
        heard = len(cabinet.messages)
        cabinet.publish(HALL, "21")
        cabinet.publish_until(NAS, "55", "nas", "over-derating", "unacknowledged")
        told = [each.data for each in cabinet.messages[heard:] if "store-fault" in each.topic]
        assert watch.stop() == 0
    assert "returned" not in {each["state"] for each in told}


def test_a_store_that_takes_long_to_open_holds_up_nobody(
    site: Site, monkeypatch: pytest.MonkeyPatch
) -> None:
    opening, may_open = threading.Event(), threading.Event()

    def slowly(url: str, *, watch: bool = False) -> Store:
        opening.set()
        assert may_open.wait(WITHIN_S)
        return open_for_good(url, watch=watch)

    open_for_good = startup.open_or_make
    monkeypatch.setattr(startup, "open_or_make", slowly)
    monkeypatch.setattr(startup, "TRY_EVERY_S", 0.0)
    instead = FallbackStore(load_config(site.write()), DiskFaultError("the disk is full"))
    try:
        assert not instead.is_over()
        assert opening.wait(WITHIN_S)
        assert not instead.is_over()  # though it is being opened still
        may_open.set()
        wait_until(instead.is_over, "the real store to be found well")
    finally:
        instead.end()


def test_no_mail_leads_to_where_nothing_can_be_done(site: Site) -> None:
    (site.folder / "pin").touch(mode=0o600)
    tables = site.tables
    for files in ("", 'directory = "page"\n'):
        page = f'[page]\nurl = "http://cabinet.local"\nactions = true\npin_file = "pin"\n{files}'
        site.tables = f"{tables}\n{page}"
        instead = FallbackStore(site.config(), DiskFaultError("the disk is full"))
        try:
            kept = restore_config(instead.config.as_json()).page
            assert instead.real.page is not None
            assert instead.real.page.actions
            assert (kept is None) == (files == "")
            assert kept is None or (kept.url, kept.actions) == (None, False)
        finally:
            instead.end()


class TestFolders:
    @pytest.fixture
    def real(self, tmp_path: Path) -> Path:
        return tmp_path / "watch.db"

    def test_one_in_use_or_of_another_store_is_left_alone(self, real: Path) -> None:
        mine = MemoryPlace(real)
        other = MemoryPlace(real.with_name("other.db"))
        try:
            assert clear_leftovers(real) == 0
            found = find_records(real)
            assert found is not None
            assert found.process == os.getpid()
        finally:
            mine.remove()
            other.remove()
        assert find_records(real) is None

    def test_records_that_are_a_link_are_not_read(self, real: Path, tmp_path: Path) -> None:
        place = MemoryPlace(real)
        try:
            (tmp_path / "elsewhere").touch()
            database_path(place.url).symlink_to(tmp_path / "elsewhere")
            found = find_records(real)
            assert found is not None
            assert found.url is None
        finally:
            place.remove()

    def test_only_its_owner_may_look_into_it(self, real: Path) -> None:
        place = MemoryPlace(real)
        try:
            assert database_path(place.url).parent.stat().st_mode & 0o777 == 0o700
        finally:
            place.remove()

    def test_one_of_a_stranger_is_neither_believed_nor_removed(
        self, real: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        place = MemoryPlace(real)
        try:
            status = os.fstat

            def a_stranger_s(descriptor: int) -> os.stat_result:
                fields = list(status(descriptor))
                fields[4] = 4712
                return os.stat_result(fields)

            monkeypatch.setattr(os, "fstat", a_stranger_s)
            monkeypatch.setattr(os, "geteuid", lambda: 4711)
            assert find_records(real) is None
            assert clear_leftovers(real) == 0
        finally:
            place.remove()


def test_the_page_says_that_the_records_are_in_memory(house: House, tmp_path: Path) -> None:
    place = MemoryPlace(database_path(house.url))
    try:
        write_page(house, tmp_path / "page")
    finally:
        place.remove()
    assert "The watch keeps its records in memory" in (tmp_path / "page/index.html").read_text()


@pytest.fixture
def house(tmp_path: Path) -> House:
    """A store that some watch has left behind."""
    return build(tmp_path, 1_780_000_000_000, devices=1, days=1)
