"""Stores of generated data, the page as a file and from its server."""

import fcntl
import os
import pickle
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from cabinetwatch.report.page_server import PageSource
from cabinetwatch.report.page_server import write_page as write_page_of
from cabinetwatch.report.summary_make import WeekMaker
from cabinetwatch.report.summary_week import IsoWeek, Week
from cabinetwatch.store.place import WriterLock
from cabinetwatch.store.store import Store
from cabinetwatch.watch.conditions import load_config
from tests.report.serving import Serving, write_page
from tests.service.conftest import cabinet, processes, site
from tests.support import fortnight as story
from tests.support.fortnight import Fortnight
from tests.support.hand_clock import HandClock
from tests.support.house import House, build

# The watched cabinet of the service's tests serves here too.
__all__ = ["cabinet", "processes", "site"]


@pytest.fixture(scope="session")
def _story(tmp_path_factory: pytest.TempPathFactory) -> tuple[Fortnight, Week]:
    """Both of the next two, made by the first process that needs them, for all of the session."""
    base = tmp_path_factory.getbasetemp()
    base = base.parent if "PYTEST_XDIST_WORKER" in os.environ else base
    folder, kept = base / "fortnight", base / "fortnight.pickle"
    with (base / "fortnight.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not kept.exists():
            folder.mkdir()
            fortnight = story.build(folder)
            with Store.open(fortnight.url, read_only=True) as store:
                week = WeekMaker(store, None, story.NOW).make(IsoWeek.parse(story.WEEK))
            kept.write_bytes(pickle.dumps((fortnight.path, fortnight.truth, week)))
        path, truth, week = pickle.loads(kept.read_bytes())  # noqa: S301 - our own
    return Fortnight(path, load_config(path), truth), week


@pytest.fixture(scope="session")
def fortnight(_story: tuple[Fortnight, Week]) -> Fortnight:
    """A configuration and the store of a fortnight; only to be read."""
    return _story[0]


@pytest.fixture(scope="session")
def week(_story: tuple[Fortnight, Week]) -> Week:
    """The figures of its second week, made the morning after."""
    return _story[1]


@pytest.fixture(scope="session")
def house(tmp_path_factory: pytest.TempPathFactory) -> Iterator[House]:
    """Three devices, one of them too warm, with the lock of a watch that lives. Only to be read."""
    made = build(tmp_path_factory.mktemp("house"), round(time.time() * 1000), devices=3, days=1)
    path = made.config.store_path()
    with WriterLock(path, watch=True):
        # It took the lock before it wrote.
        os.utime(path.with_name(path.name + ".lock"), (0, 0))
        yield made


@pytest.fixture
def serving(tmp_path: Path) -> Iterator[Serving]:
    """Serves pages of houses: `serving.start(house)` gives an address."""
    made = Serving(tmp_path)
    yield made
    made.stop()


@pytest.fixture(scope="session")
def page_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where the house's page is written as files."""
    return tmp_path_factory.mktemp("page")


@pytest.fixture
def written(house: House, page_folder: Path) -> str:
    """The address of the house's page as a file written less than half a minute ago."""
    index = page_folder / "index.html"
    if not index.exists() or time.time() - index.stat().st_mtime > 30:
        write_page(house, page_folder)
    return index.as_uri()


@pytest.fixture(scope="session")
def record(house: House, tmp_path_factory: pytest.TempPathFactory) -> str:
    """The address of the house's page as a record of its own instant: it never gets old."""
    folder = tmp_path_factory.mktemp("record")
    clock = HandClock(house.now_utc_ms)
    clock.stand_still()
    source = PageSource(house.url, None, folder, clock, None)
    write_page_of(source, folder)
    source.close()
    return (folder / "index.html").as_uri()


@pytest.fixture(scope="session")
def address(house: House, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Where the house's page is served."""
    made = Serving(tmp_path_factory.mktemp("serving"))
    yield made.start(house, draws=True)
    made.stop()
