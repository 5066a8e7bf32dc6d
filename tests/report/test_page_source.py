"""The page follows its store, also when another file comes to lie in its place."""

from pathlib import Path

import pytest

from cabinetwatch.clock import SystemClock
from cabinetwatch.report.page_server import PageSource
from cabinetwatch.store.place import NoStoreError, database_path
from cabinetwatch.watch.configuration import load
from tests.cli.recorded_day import keep, write_config
from tests.watch.world import COMMISSIONED, HOUR, HOUSE, World


def recorded(folder: Path, site: str) -> str:
    """Make the store of a site that has lived for an hour; give its URL."""
    folder.mkdir()
    tables = HOUSE.replace("under-stairs cabinet", site) + COMMISSIONED
    path = write_config(folder, tables)
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
    assert "under the stairs" in source.html().decode()

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
