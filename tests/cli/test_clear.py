"""`cabinetwatch clear` takes the watch off its broker, topics and session, and nothing else."""

import pytest

from cabinetwatch.cli.main import main
from cabinetwatch.store.place import WriterLock
from tests.service.conftest import cabinet, site
from tests.service.site import HALL, NAS, Site
from tests.service.watching import cabinetwatch, wait_until, watching
from tests.service.wire import Wire, retained
from tests.support.broker import Broker

__all__ = ["cabinet", "site"]


def test_topics_and_session_of_the_watch_are_cleared_and_nothing_else(
    site: Site, cabinet: Wire, broker: Broker
) -> None:
    cabinet.publish("cabinetwatch/note", "of somebody else", retain=True)
    with watching(site.config()):
        cabinet.wait_online()
        cabinet.publish(NAS, "55")
        cabinet.wait_transition("nas", "over-derating", "unacknowledged")
        wait_until(lambda: "cabinetwatch/device/nas" in retained(broker.port), "the figures")
        refused = cabinetwatch(site.path, "clear")
        assert refused.returncode == 2
        assert refused.stderr.startswith("the watch is running; stop it first")

    done = cabinetwatch(site.path, "clear")
    assert (done.returncode, done.stderr) == (0, "")
    assert "cleared cabinetwatch/alarm/nas/over-derating\n" in done.stdout
    assert retained(broker.port).keys() == {"cabinetwatch/note"}

    # With the session gone the broker has kept nothing that came meanwhile.
    cabinet.publish(HALL, "21")
    heard = cabinet.mark()
    with watching(site.config()):
        cabinet.wait_online(after=heard)
    with site.store() as store:
        assert list(store.readings("hall")) == []


def test_a_watch_whose_store_is_not_ours_to_read_is_not_cleared_away(
    site: Site, capsys: pytest.CaptureFixture[str]
) -> None:
    path = site.write()
    # As root, who reads everything, only damage keeps us from reading it.
    store = site.config().store_path()
    store.write_bytes(b"no database")
    with WriterLock(store, watch=True):
        assert main(["clear", "--config", str(path)]) == 2
    assert capsys.readouterr().err.startswith("the watch is running; stop it first")


def test_a_broker_that_is_away_is_told_in_a_sentence(
    site: Site, broker: Broker, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    path = site.write()
    broker.stop()
    monkeypatch.setattr("cabinetwatch.cli.services._WITHIN_S", 0.5)
    assert main(["clear", "--config", str(path)]) == 1
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err.startswith("the retained topics could not be read: the broker 127.0.0.1")
