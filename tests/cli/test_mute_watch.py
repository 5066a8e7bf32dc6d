"""A watch that lives but can't write its store is told apart from one that is gone."""

import json
import os
import re
import sqlite3
import time
from pathlib import Path

import pytest

from cabinetwatch.cli.main import main
from cabinetwatch.store import running as store_running
from cabinetwatch.store.place import WriterLock, holder_of
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
    return build(tmp_path, round(time.time() * 1000) - FIVE_MINUTES_MS, devices=1, days=1)


def store_path(house: House) -> Path:
    return Path(house.url.removeprefix("sqlite:///"))


def told(house: House, capsys: pytest.CaptureFixture[str]) -> tuple[str, dict[str, object]]:
    """The first line of `status`, and what its JSON says of the watch."""
    assert main(["status", "--config", str(house.path)]) == 1
    line = capsys.readouterr().out.splitlines()[0]
    assert main(["status", "--config", str(house.path), "--json"]) == 1
    return line, json.loads(capsys.readouterr().out)["watch"]


def test_a_living_watch_that_writes_nothing_is_told_as_that(
    house: House, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with WriterLock(store_path(house), watch=True):
        line, watch = told(house, capsys)
        write_page(house, tmp_path / "page")
    silence = re.search(r"THE WATCH HAS WRITTEN NOTHING FOR (\d+) min", line)
    assert silence is not None, line
    assert int(silence[1]) >= 5
    assert f"though its process {os.getpid()} lives" in line
    assert (watch["running"], watch["mute_process"]) == (False, os.getpid())
    assert "The watch writes nothing" in (tmp_path / "page" / "index.html").read_text()


def test_a_watch_that_is_gone_is_told_as_not_running(
    house: House, capsys: pytest.CaptureFixture[str]
) -> None:
    line, watch = told(house, capsys)
    assert "THE WATCH IS NOT RUNNING" in line
    assert (watch["running"], watch["mute_process"]) == (False, None)


def test_looking_for_the_holder_of_a_lock_lets_others_take_it(tmp_path: Path) -> None:
    path = tmp_path / "watch.db"
    assert holder_of(path) is None
    with WriterLock(path):
        assert holder_of(path) == os.getpid()
    assert holder_of(path) is None


def test_a_real_watch_whose_store_is_held_by_another_is_not_called_dead(
    site: Site,
    cabinet: Wire,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    # So that nobody has to wait a minute.
    monkeypatch.setattr(store_running, "HEARTBEAT_OLD_MS", 1000)
    with running(site.write()) as watch:
        cabinet.wait_online()
        path = site.folder / "watch.db"
        holder = sqlite3.connect(path, timeout=WITHIN_S, isolation_level=None)
        holder.execute("BEGIN IMMEDIATE")
        wanted = f"though its process {watch.pid} lives"
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
