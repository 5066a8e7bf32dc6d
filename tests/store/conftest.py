"""Fixtures of the store's tests: a fresh store in a file."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from cabinetwatch.store.migrate import migrate
from cabinetwatch.store.place import database_url
from cabinetwatch.store.store import Store


@pytest.fixture(scope="session")
def empty_store(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """The bytes of a store that was just made: copying them is faster than making each anew."""
    path = tmp_path_factory.mktemp("empty") / "empty.db"
    migrate(database_url(path))
    return path.read_bytes()


@pytest.fixture
def path(tmp_path: Path, empty_store: bytes) -> Path:
    """A store without content."""
    path = tmp_path / "cabinet.db"
    path.touch(0o600)
    path.write_bytes(empty_store)
    return path


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
