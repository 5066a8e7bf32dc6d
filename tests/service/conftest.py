"""A site with a real broker and a real mail server, and the test's own end of the broker."""

import subprocess
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace

import pytest

from cabinetwatch.service import parts
from tests.service.site import Site
from tests.service.watching import WatchProcess
from tests.service.wire import Wire, wire
from tests.support import forked
from tests.support.broker import Broker
from tests.support.empty_store import put_empty_store
from tests.support.hand_clock import HandClock
from tests.support.mail import MailDrop

START_MS = 1_780_000_000_000
"""Some day in 2026."""


@pytest.fixture(autouse=True)
def processes(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """With --long the watch and its children are new programs, else forks."""
    if request.config.getoption("--long"):
        monkeypatch.setattr(WatchProcess, "real", True)
    else:
        stand_in = SimpleNamespace(**vars(subprocess) | {"Popen": forked.popen})
        monkeypatch.setattr(parts, "subprocess", stand_in)


@pytest.fixture
def site(tmp_path: Path, broker: Broker, smtp: MailDrop) -> Site:
    """A cabinet whose watch talks to `broker` and mails to `smtp`; nothing is started."""
    folder = tmp_path / "watch"
    folder.mkdir()
    put_empty_store(folder / "watch.db")
    return Site(folder, broker.port, smtp.port)


@pytest.fixture
def cabinet(broker: Broker) -> Iterator[Wire]:
    """The nodes in the cabinet, and an ear for what the watch publishes."""
    with wire(broker.port) as made:
        yield made


@pytest.fixture
def clock() -> HandClock:
    """A clock that only the nodes' rounds move."""
    made = HandClock(START_MS)
    made.stand_still()
    return made
