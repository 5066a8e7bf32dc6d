"""A watch that lives but can't write its store is told apart from one that is gone."""

import fcntl
import json
import os
import re
import sqlite3
import time
from contextlib import nullcontext
from pathlib import Path

import pytest

from cabinetwatch.cli.main import main
from cabinetwatch.store import replay
from cabinetwatch.store.database import find_watch
from cabinetwatch.store.place import WriterLock, hold_of
from cabinetwatch.store.store import Store
from tests.report.serving import write_page
from tests.service.conftest import cabinet, site
from tests.service.site import Site
from tests.service.watching import running, wait_until
from tests.service.wire import Wire
from tests.support.house import House, build
from tests.support.patience import WITHIN_S

# The watched cabinet of the service's tests serves here too.
__all__ = ["cabinet", "site"]

FIVE_MINUTES_MS = 300_000


@pytest.fixture
def house(tmp_path: Path) -> House:
    """A store whose newest heartbeat is five minutes old, and that knows of no stop."""
    return build(tmp_path, round(time.time() * 1000) - FIVE_MINUTES_MS, devices=1, days=0)


def store_path(house: House) -> Path:
    return Path(house.url.removeprefix("sqlite:///"))


def told(house: House, capsys: pytest.CaptureFixture[str]) -> tuple[str, dict[str, object]]:
    """What `status` says before its tables, as one line, and what its JSON says of the watch."""
    assert main(["status", "--config", str(house.path)]) == 1
    line = " ".join(capsys.readouterr().out.partition("Device")[0].split())
    assert main(["status", "--config", str(house.path), "--json"]) == 1
    return line, json.loads(capsys.readouterr().out)["watch"]


def test_a_living_watch_that_writes_nothing_is_told_as_that(
    house: House, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = store_path(house)
    with WriterLock(path, watch=True):
        long_ago_s = time.time() - FIVE_MINUTES_MS / 1000
        os.utime(path.with_name(path.name + ".lock"), (long_ago_s, long_ago_s))
        line, watch = told(house, capsys)
        write_page(house, tmp_path / "page")
    assert "THE WATCH WRITES NOTHING" in line
    silence = re.search(r"Its process (\d+) is alive, but has written nothing for (\d+) min", line)
    assert silence is not None, line
    assert int(silence[1]) == os.getpid()
    assert int(silence[2]) >= 5
    assert (watch["running"], watch["mute_process"]) == (False, os.getpid())
    assert "The watch writes nothing" in (tmp_path / "page" / "index.html").read_text()


@pytest.mark.parametrize("known", [True, False])
def test_a_watch_that_says_that_it_can_not_write_is_told_at_once(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, known: bool
) -> None:
    if not known:
        # So it is in the sandbox of the service, where the page is written (ProcSubset=pid).
        monkeypatch.setattr("cabinetwatch.store.place.lock_holder", lambda of: None)
    # Its heartbeat is of this very second.
    house = build(tmp_path, round(time.time() * 1000), devices=1, days=0)
    asked = ["service", "gear-0", "out", "--config", str(house.path)]
    with WriterLock(store_path(house), watch=True) as lock:
        lock.say_writes(can=False)
        line, watch = told(house, capsys)
        assert main(asked) == 1
        assert "The watch runs, but can't write its store" in capsys.readouterr().out
        write_page(house, tmp_path / "page")
        lock.say_writes(can=True)
        found = find_watch(store_path(house))
        assert found is not None
        assert found.writes
    assert f"Its process{f' {os.getpid()}' if known else ''} is alive, but has written" in line
    assert (watch["running"], watch["mute_process"]) == (False, os.getpid() if known else None)
    assert "The watch writes nothing" in (tmp_path / "page" / "index.html").read_text()


def test_a_watch_that_is_gone_is_told_as_not_running(
    house: House, capsys: pytest.CaptureFixture[str]
) -> None:
    line, watch = told(house, capsys)
    assert "THE WATCH IS NOT RUNNING" in line
    assert (watch["running"], watch["mute_process"]) == (False, None)


def test_a_watch_that_has_just_started_runs_though_its_store_is_of_the_one_before(
    house: House, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    asked = ["service", "gear-0", "out", "--config", str(house.path)]
    with WriterLock(store_path(house), watch=True):
        main(["status", "--config", str(house.path)])
        assert "THE WATCH HAS JUST STARTED" in capsys.readouterr().out
        main(["status", "--config", str(house.path), "--json"])
        assert json.loads(capsys.readouterr().out)["watch"]["running"] is True
        assert main(["clear", "--config", str(house.path)]) == 2
        assert "the watch is running; stop it first" in capsys.readouterr().err
        write_page(house, tmp_path / "page")
    assert "has just started" in (tmp_path / "page" / "index.html").read_text()
    assert main(asked) == 0
    assert "The watch is not running" in capsys.readouterr().out


@pytest.mark.parametrize("held", [False, True])
def test_a_watch_that_was_killed_is_not_running_from_that_instant(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], held: bool
) -> None:
    # Its heartbeat is of this very second, and the journal knows of no stop.
    house = build(tmp_path, round(time.time() * 1000), devices=1, days=0)
    # Another writer, as an import is, holds the lock and is no watch.
    with WriterLock(store_path(house)) if held else nullcontext():
        line, watch = told(house, capsys)
        assert "THE WATCH IS NOT RUNNING" in line
        assert (watch["running"], watch["mute_process"]) == (False, None)
        assert main(["service", "gear-0", "out", "--config", str(house.path)]) == 0
    assert "The watch is not running" in capsys.readouterr().out


def test_who_may_not_see_the_kernels_list_of_locks_sees_the_lock_all_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # So it is in the sandbox of the service, where the page is written (ProcSubset=pid).
    monkeypatch.setattr("cabinetwatch.store.place.lock_holder", lambda of: None)
    path = tmp_path / "watch.db"
    assert find_watch(path) is None
    with WriterLock(path, watch=True):
        found = find_watch(path)
        assert found is not None
        assert found.process is None
    assert find_watch(path) is None


def test_a_watch_whose_disk_is_away_is_found_in_memory(tmp_path: Path) -> None:
    house = build(tmp_path, round(time.time() * 1000), devices=1, days=0)
    with Store.open(house.url, watch=True) as store:
        store.let_go()
        found = find_watch(store.path)
        assert found is not None
        assert (found.process, found.in_memory) == (os.getpid(), True)
        store.take_up()
        found = find_watch(store.path)
        assert found is not None
        assert not found.in_memory
        # Nothing has been written since.
        assert not found.writes
        lock = store.close_holding()
        assert lock is not None
        found = find_watch(store.path)
        assert found is not None
        assert found.writes
        lock.release()
    assert find_watch(store.path) is None


def test_a_watch_of_an_earlier_version_which_says_nothing_of_its_disk_is_not_called_mute(
    tmp_path: Path,
) -> None:
    path = tmp_path / "watch.db"
    with WriterLock(path, watch=True):
        lock_path = path.with_name(path.name + ".lock")
        said = lock_path.read_bytes()
    lock_path.write_bytes(said)
    with lock_path.open("rb") as held:
        fcntl.flock(held, fcntl.LOCK_EX)
        found = find_watch(path)
    assert found is not None
    assert found.writes


def test_looking_for_the_holder_of_a_lock_lets_others_take_it(tmp_path: Path) -> None:
    path = tmp_path / "watch.db"
    assert hold_of(path) is None
    with WriterLock(path):
        hold = hold_of(path)
        assert hold is not None
        assert hold.process == os.getpid()
    assert hold_of(path) is None


def test_a_real_watch_whose_store_is_held_by_another_is_not_called_dead(
    site: Site, cabinet: Wire, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    # So that nobody has to wait a minute.
    monkeypatch.setattr(replay, "HEARTBEAT_OLD_MS", 1000)
    with running(site.write()) as watch:
        cabinet.wait_online()
        path = site.folder / "watch.db"
        holder = sqlite3.connect(path, timeout=WITHIN_S, isolation_level=None)
        holder.execute("BEGIN IMMEDIATE")
        wanted = f"Its process {watch.pid} is alive, but"
        try:
            wait_until(lambda: wanted in _status(site, capsys), "the living watch to be told")
        finally:
            holder.execute("ROLLBACK")
            holder.close()
        assert watch.stop() == 0
    assert "THE WATCH IS NOT RUNNING" in _status(site, capsys)


def _status(site: Site, capsys: pytest.CaptureFixture[str]) -> str:
    assert main(["status", "--config", str(site.path)]) in {0, 1}
    return capsys.readouterr().out
