"""Fixtures of the store's tests: a fresh store in a file, and who looks on."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from cabinetwatch.store.place import database_url
from cabinetwatch.store.store import Store
from tests.support.empty_store import put_empty_store


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A store without content."""
    return put_empty_store(tmp_path / "cabinet.db")


@pytest.fixture
def url(path: Path) -> str:
    return database_url(path)


@pytest.fixture
def store(url: str) -> Iterator[Store]:
    with Store.open(url) as store:
        yield store


@pytest.fixture
def onlooker(store: Store, url: str) -> Iterator[Store]:
    """A second connection, which sees only what is really committed."""
    del store
    with Store.open(url, read_only=True) as onlooker:
        yield onlooker
