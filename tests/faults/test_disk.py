"""A disk that is full, refuses, hangs or is read-only stops no alarm; what it costs is said."""

import sqlite3
import threading
from collections.abc import Callable

import pytest

from cabinetwatch.service import store_loop
from cabinetwatch.store import database
from cabinetwatch.store.database import find_watch
from cabinetwatch.store.records import Batch
from cabinetwatch.store.store import Store
from tests.faults.disk import FailingDisk, SmallDisk, let_write, refuse_writes
from tests.faults.watched import (
    TABLES,
    drive_over_threshold,
    mailed,
    numbers_in,
    publish_numbers,
    wait_mailed,
    wait_stored,
)
from tests.service.site import NAS, Site
from tests.service.watching import WatchProcess, running, wait_until, watching
from tests.service.wire import Wire
from tests.support.mail import MailDrop
from tests.support.patience import WITHIN_S


def test_a_full_disk_is_told_survived_and_costs_nothing_once_there_is_room(
    site: Site, cabinet: Wire, smtp: MailDrop, small_disk: SmallDisk
) -> None:
    reason = "the disk is full" if small_disk.mounted else "the disk refuses"
    site.folder = small_disk.folder / "watch"
    survive(site, cabinet, smtp, small_disk.fill, small_disk.free, reason)


def test_a_disk_made_read_only_amid_a_run_is_told_survived_and_can_be_mounted_anew(
    site: Site, cabinet: Wire, smtp: MailDrop, failing_disk: FailingDisk
) -> None:
    site.folder = failing_disk.folder / "watch"
    survive(site, cabinet, smtp, failing_disk.fail, failing_disk.mend, "the disk refuses")


def test_a_restart_after_a_full_disk_finds_the_store_whole(
    site: Site, cabinet: Wire, small_disk: SmallDisk
) -> None:
    site.tables = TABLES
    site.folder = small_disk.folder / "watch"
    log = small_disk.folder.parent / "watch.log"
    with running(site.write(), log=log) as watch:
        cabinet.wait_online()
        for first in range(0, 2000, 200):
            publish_numbers(cabinet, range(first, first + 200))
            wait_stored(site, range(first + 200))
        small_disk.fill(watch)
        # What the log holds goes into the file at the end: the first page can, those at the end of
        # the file can't.
        assert watch.stop() == 0
        if small_disk.mounted:
            assert (site.folder / "watch.db-wal").stat().st_size > 0
    if small_disk.mounted:
        small_disk.free(watch)
    heard = len(cabinet.messages)
    with running(site.path, log=log) as watch:
        cabinet.wait_online(after=heard)
        publish_numbers(cabinet, range(2000, 2010))
        wait_stored(site, range(2010))
        assert watch.stop() == 0
    assert "damaged" not in watch.log
    assert list(site.folder.glob("*damaged*")) == []


def test_a_start_on_a_full_disk_watches_from_memory_and_says_what_that_cost(
    site: Site, cabinet: Wire, smtp: MailDrop, small_disk: SmallDisk
) -> None:
    site.tables = TABLES
    site.folder = small_disk.folder / "watch"
    log = small_disk.folder.parent / "watch.log"
    with running(site.write(), log=log) as before:
        cabinet.wait_online()
        publish_numbers(cabinet, range(100))
        wait_stored(site, range(100))
        assert before.stop() == 0
        heard = len(cabinet.messages)
    ballast = site.folder / "ballast"
    module, arguments = "tests.faults.impatient", []
    if small_disk.mounted:
        small_disk.fill(before)
    else:
        # A limit on the size of files would hit those in memory as well.
        module, arguments = "tests.faults.no_disk", [str(ballast)]
        ballast.touch()
    with running(site.path, *arguments, module=module, log=log) as watch:
        cabinet.wait_online(after=heard)
        fault = cabinet.wait_transition("site", "store-fault", "unacknowledged", after=heard)
        wait_mailed(smtp, fault["text"])
        publish_numbers(cabinet, range(100, 150))
        # What comes right after a reconnect may have waited at the broker, and is not judged.
        told = cabinet.publish_until(NAS, "55", "nas", "over-derating", "unacknowledged")
        wait_mailed(smtp, told["id"])
        heard = len(cabinet.messages)
        if small_disk.mounted:
            small_disk.free(watch)
        else:
            ballast.unlink()
        back = cabinet.wait_transition("site", "store-fault", "returned", after=heard)
        publish_numbers(cabinet, range(150, 200))
        wait_until(lambda: 199 in numbers_in(site), "the numbers after it in the store")
        assert watch.stop() == 0

    assert "disk" in fault["text"]
    # The fifty, and those of the NAS.
    assert back["values"]["readings_lost"] > 50
    assert f"{back['values']['readings_lost']} readings were lost" in back["text"]
    assert numbers_in(site) == dict.fromkeys([*range(100), *range(150, 200)], 1)
    assert "Traceback" not in watch.log


def test_a_disk_that_refuses_every_write_is_told_survived_and_costs_nothing(
    site: Site, cabinet: Wire, smtp: MailDrop
) -> None:
    survive(site, cabinet, smtp, refuse_writes, let_write, "the disk refuses")


def survive(
    site: Site,
    cabinet: Wire,
    smtp: MailDrop,
    spoil: Callable[[WatchProcess], None],
    mend: Callable[[WatchProcess], None],
    reason: str,
) -> None:
    """Let the store fail for a while; all is told meanwhile, and all is stored afterwards."""
    site.tables = TABLES
    log = site.folder.parent.parent / "watch.log"
    with running(site.write(), module="tests.faults.impatient", log=log) as watch:
        cabinet.wait_online()
        publish_numbers(cabinet, range(100))
        wait_stored(site, range(100))
        spoil(watch)
        publish_numbers(cabinet, range(100, 300))
        fault = cabinet.wait_transition("site", "store-fault", "unacknowledged")
        assert reason in fault["text"]
        found = find_watch(site.folder / "watch.db")
        assert found is not None
        assert found.in_memory or not found.writes
        wait_mailed(smtp, fault["text"])
        alarm = drive_over_threshold(cabinet)
        wait_mailed(smtp, alarm, 2)
        mend(watch)
        back = cabinet.wait_transition("site", "store-fault", "returned")
        assert "nothing was lost" in back["text"]
        found = find_watch(site.folder / "watch.db")
        assert found is not None
        assert found.writes
        wait_stored(site, range(300))
        wait_until(lambda: _outbox_is_empty(site), "every outcome on disk")
        assert watch.stop() == 0

    with site.store() as store:
        states = [str(each.state) for each in store.transitions(alarm_id=alarm)]
    assert states == ["unacknowledged", "returned"]
    assert mailed(smtp, alarm) == 2
    assert "Traceback" not in watch.log


def test_what_memory_cannot_hold_is_given_up_oldest_first_counted_and_said(
    site: Site, cabinet: Wire, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(store_loop, "MOST_HELD", 300)
    monkeypatch.setattr(store_loop, "RETRY_MS", 500)
    monkeypatch.setattr(database, "BUSY_TIMEOUT_S", 0.5)
    site.tables = TABLES
    path = site.folder / "watch.db"
    holder = sqlite3.connect(path, timeout=WITHIN_S, isolation_level=None)
    with watching(site.config()) as daemon:
        cabinet.wait_online()
        publish_numbers(cabinet, range(100))
        wait_stored(site, range(100))
        holder.execute("BEGIN IMMEDIATE")
        publish_numbers(cabinet, range(100, 200))
        fault = cabinet.wait_transition("site", "store-fault", "unacknowledged")
        publish_numbers(cabinet, range(200, 1000))
        drive_over_threshold(cabinet)
        # A try under way holds the older readings; with it over, all wait together again.
        wait_until(lambda: daemon._store_loop._in_flight is None, "a try to fail")
        holder.execute("ROLLBACK")
        back = cabinet.wait_transition("site", "store-fault", "returned")
    holder.close()
    numbers = numbers_in(site)

    assert "is busy: another process" in fault["text"]
    given_up = back["values"]["readings_lost"]
    assert f"{given_up} readings were lost" in back["text"]
    assert numbers.total() == len(numbers)
    kept_after = sorted(number for number in numbers if number >= 100)
    assert given_up == 900 - len(kept_after)
    assert given_up > 500
    # The newest are worth most.
    assert kept_after == list(range(1000 - len(kept_after), 1000))


class Hang:
    """Makes every commit wait until it is over."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self._free = threading.Event()
        self._free.set()
        commit = Store.commit

        def slow_commit(store: Store, batch: Batch) -> None:
            self._free.wait(120)
            commit(store, batch)

        monkeypatch.setattr(Store, "commit", slow_commit)

    def begin(self) -> None:
        """From now on the disk hangs."""
        self._free.clear()

    def end(self) -> None:
        """It goes on."""
        self._free.set()


@pytest.mark.parametrize(
    ("slow_s", "minute_s"),
    [
        pytest.param(1.0, 2.0, id="short"),
        pytest.param(store_loop.SLOW_WRITE_S, 60.0, id="minute", marks=pytest.mark.long),
    ],
)
def test_a_disk_that_hangs_for_a_minute_holds_up_no_alarm_and_loses_nothing(
    slow_s: float,
    minute_s: float,
    site: Site,
    cabinet: Wire,
    smtp: MailDrop,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    site.tables = TABLES
    hang = Hang(monkeypatch)
    with watching(site.config()):
        cabinet.wait_online()
        publish_numbers(cabinet, range(100))
        wait_stored(site, range(100))
        with monkeypatch.context() as hanging:
            hanging.setattr(store_loop, "SLOW_WRITE_S", slow_s)
            hang.begin()
            publish_numbers(cabinet, range(100, 200))
            fault = cabinet.wait_transition("site", "store-fault", "unacknowledged")
        alarm = drive_over_threshold(cabinet)
        wait_mailed(smtp, alarm, 2)
        threading.Event().wait(minute_s)
        publish_numbers(cabinet, range(200, 300))
        hang.end()
        back = cabinet.wait_transition("site", "store-fault", "returned")
        wait_stored(site, range(300))
        wait_until(lambda: _outbox_is_empty(site), "every outcome on disk")

    assert "a write has been going on for more than 10 s" in fault["text"]
    assert "nothing was lost" in back["text"]
    assert mailed(smtp, alarm) == 2


def _outbox_is_empty(site: Site) -> bool:
    with site.store() as store:
        return not store.waiting()


def test_a_start_where_nothing_can_be_written_is_refused_in_one_sentence(site: Site) -> None:
    path = site.write()
    # Where not even root can make a file.
    path.write_text(path.read_text().replace("sqlite:///watch.db", "sqlite:////proc/self/watch.db"))
    watch = WatchProcess(path)
    assert watch.wait() == 2
    assert watch.log.count("\n") == 1
    assert "The store /proc/self/watch.db" in watch.log
