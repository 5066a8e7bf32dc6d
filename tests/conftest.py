"""Fixtures that all tests share, and the option --long."""

import gc
import sqlite3
import sys
import warnings
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import Any

import hypothesis
import pytest

from cabinetwatch.store.place import database_url
from cabinetwatch.store.store import Store
from tests.support import forked
from tests.support.broker import Broker, BrokerFactory
from tests.support.certificates import Certificate, make_certificate
from tests.support.empty_store import put_empty_store
from tests.support.mail import MailDrop, MailDropFactory

# The same examples each time, however slow the machine: what fails here fails everywhere.
hypothesis.settings.register_profile(
    "fixed",
    max_examples=40,
    derandomize=True,
    deadline=None,
    database=None,
    print_blob=True,
    suppress_health_check=[hypothesis.HealthCheck.too_slow],
)
hypothesis.settings.register_profile(
    "many", parent=hypothesis.settings.get_profile("fixed"), max_examples=400
)
hypothesis.settings.load_profile("fixed")


class ClosedConnection(sqlite3.Connection):
    """Warns of a connection that nobody has closed, as Python does from 3.13 on."""

    _closed = True

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        # Not before: a file that can't be opened leaves nothing to close.
        self._closed = False

    def close(self) -> None:
        self._closed = True
        super().close()

    def __del__(self) -> None:
        if not self._closed:
            sentence = f"unclosed database in {self!r}"
            warnings.warn(sentence, ResourceWarning, stacklevel=2, source=self)


if sys.version_info < (3, 13):
    sqlite3.connect = partial(sqlite3.connect, factory=ClosedConnection)  # type: ignore[assignment]


# Millions of objects are imported and collected, of which nothing is ever let go.
gc.disable()


def pytest_collection_finish() -> None:
    """From here on garbage is looked for, but only among what the tests make, and less often.

    Python's 700 new objects between two looks cost a twelfth of the processor time of most tests.
    """
    gc.freeze()
    gc.set_threshold(20_000, 10, 10)
    gc.enable()


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--long", action="store_true", help="run also the tests that take minutes")


def pytest_configure(config: pytest.Config) -> None:
    """With --long try ten times as many examples, where a test names no number of its own."""
    if config.getoption("--long"):
        hypothesis.settings.load_profile("many")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leave out the long tests, counted as deselected, unless --long asks for them.

    With it the files that may take longest come first: begun last they would be waited for alone.
    """
    if config.getoption("--long"):
        limits: dict[Path, float] = {}
        for item in items:
            limits[item.path] = max(limits.get(item.path, 0.0), _limit_s(item))
        items.sort(key=lambda item: -limits[item.path])
        return
    left_out = [item for item in items if item.get_closest_marker("long")]
    if left_out:
        config.hook.pytest_deselected(items=left_out)
        items[:] = [item for item in items if not item.get_closest_marker("long")]


def pytest_sessionfinish() -> None:
    """End what was begun for all tests."""
    forked.end()


def _limit_s(item: pytest.Item) -> float:
    """The time limit of its own, if it has one (s)."""
    marker = item.get_closest_marker("timeout")
    return float(marker.args[0]) if marker else 0.0


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    """A fresh store, open for writing."""
    with Store.open(database_url(put_empty_store(tmp_path / "watch.db"))) as store:
        yield store


@pytest.fixture(scope="session")
def certificate(tmp_path_factory: pytest.TempPathFactory) -> Certificate:
    """A certificate for localhost and 127.0.0.1, signed by an authority of the tests' own."""
    return make_certificate(tmp_path_factory.mktemp("certificate"))


@pytest.fixture
def mosquitto(tmp_path: Path) -> Iterator[BrokerFactory]:
    """Make brokers: `mosquitto(config_lines=..., passwords=..., certificate=...)`, started."""
    brokers: list[Broker] = []

    def make(**options: Any) -> Broker:
        broker = Broker(tmp_path / f"broker-{len(brokers)}", **options)
        brokers.append(broker)
        return broker.start()

    yield make
    for broker in brokers:
        broker.stop()


@pytest.fixture
def broker(mosquitto: BrokerFactory) -> Broker:
    """A started broker that lets anybody in and keeps its sessions over a restart."""
    return mosquitto()


@pytest.fixture
def mail_drop() -> Iterator[MailDropFactory]:
    """Make mail servers: `mail_drop(security=..., certificate=..., login=...)`, started."""
    servers: list[MailDrop] = []

    def make(**options: Any) -> MailDrop:
        server = MailDrop(**options)
        servers.append(server)
        return server.start()

    yield make
    for server in servers:
        server.stop()


@pytest.fixture
def smtp(mail_drop: MailDropFactory) -> MailDrop:
    """A started mail server without TLS and login."""
    return mail_drop()
