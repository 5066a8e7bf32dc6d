"""The process: a signal reads the configuration again, another ends it, a kill is told."""

import signal
import sqlite3
import time
from contextlib import closing

import pytest

from cabinetwatch.service.daemon import Daemon
from cabinetwatch.store.place import WriterLock
from cabinetwatch.store.replay import running_since
from cabinetwatch.store.store import Store
from cabinetwatch.text import StoreError, from_rfc3339
from cabinetwatch.watch.conditions import load_config
from cabinetwatch.watch.events import EntryKind
from tests.service.site import HALL, NAS, Site
from tests.service.watching import WatchProcess, running, wait_until, watching
from tests.service.wire import Wire, retained
from tests.support.broker import Broker
from tests.support.mail import MailDrop
from tests.support.patience import WITHIN_S

KEPT = "the configuration is kept as it was"
LIMIT = """
[sensors.hall]
topic = "house/hall/temperature"
quantity = "temperature"
interval_s = 1
silent_after = 1000
high = {high}

[alarms.high]
hold_h = 0
on_delay_s = 0
off_delay_s = 0
"""


def reload(watch: WatchProcess, cabinet: Wire) -> None:
    """Have the file read again and wait until the watch is back."""
    heard = cabinet.mark()
    watch.send(signal.SIGHUP)
    cabinet.wait_online(after=heard)


def test_sighup_puts_a_new_setpoint_in_force_and_a_faulty_file_changes_nothing(
    site: Site, cabinet: Wire
) -> None:
    site.tables = LIMIT.format(high=30.0)
    with running(site.write()) as watch:
        cabinet.wait_online()
        cabinet.publish(HALL, "28")

        site.tables = LIMIT.format(high=25.0)
        site.write()
        reload(watch, cabinet)
        told = cabinet.publish_until(HALL, "28", "hall", "high", "unacknowledged")

        site.tables = LIMIT.format(high='"much"') + "[sensors.attic]\nquantity = 'heat'\n"
        site.write()
        watch.send(signal.SIGHUP)
        watch.wait_log(KEPT)
        cabinet.publish_until(HALL, "20", "hall", "high", "returned")
        assert watch.stop() == 0

    assert told["values"]["high"] == 25.0
    faults = [line for line in watch.log.splitlines() if KEPT in line]
    assert len(faults) == 1
    assert "sensors.hall" in faults[0]
    assert "high" in faults[0]
    assert "Traceback" not in watch.log


def test_what_is_reported_from_memory_is_not_thrown_away_for_a_new_configuration(
    site: Site, cabinet: Wire
) -> None:
    with running(site.write()) as watch:
        cabinet.wait_online()
        with closing(sqlite3.connect(site.folder / "watch.db", isolation_level=None)) as holder:
            holder.execute("BEGIN IMMEDIATE")
            cabinet.wait_transition("site", "store-fault", "unacknowledged")
            watch.send(signal.SIGHUP)
            watch.wait_log(f"{KEPT}, for the store can't be written now")
        assert watch.stop() == 0


def test_nobody_can_take_the_store_while_the_file_is_read_again(site: Site, cabinet: Wire) -> None:
    path = site.folder / "watch.db"

    def is_taken() -> bool:
        """Whether the lock could be had; it is given back at once."""
        try:
            WriterLock(path).release()
        except StoreError:
            return False
        return True

    with running(site.write()) as watch:
        cabinet.wait_online()
        for _ in range(3):
            heard = cabinet.mark()
            watch.send(signal.SIGHUP)
            until = time.monotonic() + WITHIN_S
            while not is_back(cabinet, heard) and time.monotonic() < until:
                assert not is_taken()
            assert is_back(cabinet, heard)
        assert watch.stop() == 0
    assert is_taken()
    assert KEPT not in watch.log


def is_back(cabinet: Wire, heard: int) -> bool:
    """Whether the watch has said that it is online since."""
    came = cabinet.messages[heard:]
    return any(each.topic.endswith("/watch") and each.data.get("online") for each in came)


def test_a_lock_that_was_handed_on_is_no_hindrance_to_set_a_damaged_store_aside(
    site: Site, broker: Broker
) -> None:
    config = load_config(site.write())
    with watching(config):
        pass
    path = config.store_path()
    path.write_text("no database")
    daemon = Daemon(config, reloaded=True, lock=WriterLock(path, watch=True))
    daemon.start()
    lock = daemon.stop(WITHIN_S, hold=True)
    assert list(path.parent.glob("watch.db.damaged-*"))
    assert lock is not None
    with pytest.raises(StoreError, match="in use"):
        WriterLock(path)
    lock.release()
    WriterLock(path).release()


def test_a_configuration_with_which_the_watch_cannot_start_is_put_back(
    site: Site, cabinet: Wire
) -> None:
    site.tables = LIMIT.format(high=30.0)
    path = site.write()
    with running(path) as watch:
        cabinet.wait_online()
        bad = path.read_text().replace("sqlite:///watch.db", "sqlite:///no-such-folder/watch.db")
        path.write_text(bad)
        reload(watch, cabinet)
        watch.wait_log(KEPT)
        cabinet.publish_until(HALL, "31", "hall", "high", "unacknowledged")
        assert watch.stop() == 0


def test_a_standing_alarm_outlives_a_reload_and_is_not_told_again(
    site: Site, cabinet: Wire, smtp: MailDrop
) -> None:
    with running(site.write()) as watch:
        cabinet.wait_online()
        cabinet.heat_nas()
        smtp.wait_for(1)
        reload(watch, cabinet)
        cabinet.publish(NAS, "56")
        cabinet.publish_until(NAS, "40", "nas", "over-derating", "returned")
        smtp.wait_for(2)
        assert watch.stop() == 0

    assert [each["state"] for each in cabinet.transitions()] == ["unacknowledged", "returned"]
    assert len(smtp.messages) == 2


def test_what_the_configuration_no_longer_has_is_cleared_from_the_broker(
    site: Site, cabinet: Wire, broker: Broker
) -> None:
    with running(site.write()) as watch:
        cabinet.wait_online()
        cabinet.heat_nas()
        wait_until(lambda: "cabinetwatch/device/nas" in retained(broker.port), "the figures")
        site.tables = LIMIT.format(high=30.0)
        site.write()
        reload(watch, cabinet)
        cabinet.publish_until(HALL, "31", "hall", "high", "unacknowledged")
        assert watch.stop() == 0

    assert retained(broker.port).keys() == {"cabinetwatch/watch", "cabinetwatch/alarm/hall/high"}


def test_the_first_start_makes_a_store_that_is_its_owners_alone(site: Site, cabinet: Wire) -> None:
    site.folder = site.folder.with_name("new")
    with running(site.write()) as watch:
        cabinet.wait_online()
        modes = {path.name: path.stat().st_mode & 0o777 for path in site.folder.glob("watch.db*")}
        assert watch.stop() == 0

    assert modes["watch.db"] == 0o600
    assert set(modes.values()) == {0o600}


def test_a_killed_watch_is_told_by_its_will(site: Site, cabinet: Wire, broker: Broker) -> None:
    with running(site.write()) as watch:
        cabinet.wait_online()
        heard = len(cabinet.messages)
        watch.kill()
        cabinet.wait_offline(after=heard)

    will = retained(broker.port)["cabinetwatch/watch"].data
    assert will["online"] is False
    # It was handed over when connecting, so it can only know of that.
    assert set(will) == {"online", "connected_at"}
    assert from_rfc3339(will["connected_at"]) <= time.time() * 1000


def test_a_watch_that_reads_its_file_again_goes_on_running_since_it_was_started(
    site: Site, cabinet: Wire, broker: Broker
) -> None:
    with running(site.write()) as watch:
        cabinet.wait_online()
        for _ in range(2):
            reload(watch, cabinet)
        said = retained(broker.port)["cabinetwatch/watch"].data
        with Store.open(site.config().store.url, read_only=True) as store:
            starts = [entry for _, entry in store.entries(EntryKind.START)]
            assert running_since(store) == starts[0].t
        assert watch.stop() == 0
    assert [each.data.get("reloaded", False) for each in starts] == [False, True, True]
    # The clocks scatter by some milliseconds, so it is the start that is nearest.
    since_ms = from_rfc3339(said["since"])
    assert min(starts, key=lambda each: abs(each.t - since_ms)) is starts[0]
    stopped = retained(broker.port)["cabinetwatch/watch"].data
    assert stopped["online"] is False
    assert stopped["time"] >= said["time"]
