"""A watch that lives but can't write its store is told apart from one that is gone."""

import json
import os
import time
from pathlib import Path

import pytest

from cabinetwatch.cli.main import main
from cabinetwatch.store.place import WriterLock, holder_of
from tests.report.serving import write_page
from tests.support.house import House, build

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
    with WriterLock(store_path(house)):
        line, watch = told(house, capsys)
        write_page(house, tmp_path / "page")
    assert "THE WATCH HAS WRITTEN NOTHING FOR 5 min" in line
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
