"""The parts of the daemon, each where a fault of it would lose or double something."""

import sqlite3
import threading
from collections.abc import Iterator, Sequence
from functools import partial
from typing import Any

import pytest

from cabinetwatch.clock import RatedClock, WatchTime
from cabinetwatch.config.model import Config
from cabinetwatch.config.services import Store as StoreConfig
from cabinetwatch.service import store_loop
from cabinetwatch.service.daemon import Daemon
from cabinetwatch.service.parts import Frame
from cabinetwatch.service.store_loop import StoreLoop
from cabinetwatch.store import database
from cabinetwatch.store.codecs import Bucket, FigureMinute, Tier
from cabinetwatch.store.place import DamagedStoreError, hold_of
from cabinetwatch.store.records import Batch, Receipt, Repeatable
from cabinetwatch.store.store import Store
from cabinetwatch.watch.events import Entry, EntryKind, Reading
from tests.service.mails import part
from tests.service.site import NAS, Site
from tests.service.watching import wait_until, watching
from tests.service.wire import Wire
from tests.support.mail import MailDrop
from tests.support.patience import WITHIN_S

START_MS = 1_780_000_000_000
WINDOW = 100


class StillClock(RatedClock):
    """A clock that stands still, so that everything happens in one millisecond."""

    def _elapsed_ms(self) -> int:
        return 0


# Work on its way to the store.


def test_a_saved_state_is_given_up_when_inputs_come_after_it() -> None:
    work = Batch(inputs=[Reading("hall", 1, 20.0)], state=b"after the first")
    work.append(Batch(inputs=[Reading("hall", 2, 21.0)]))

    assert work.state is None


def test_a_saved_state_is_kept_when_only_outcomes_come_after_it() -> None:
    work = Batch(inputs=[Reading("hall", 1, 20.0)], state=b"after the first")
    work.append(Batch())

    assert work.state == b"after the first"


def test_a_lost_session_takes_the_identifiers_before_it_with_it() -> None:
    before, after = Repeatable(1, b"before"), Repeatable(1, b"after")
    work = Batch(window=[before])
    lost = Entry(START_MS, EntryKind.CONNECT, {"session_present": False})
    later = Batch(inputs=[lost], window=[after])
    work.append(later)
    work.append(Batch(window=[after]))

    assert work.window == [after, after]
    assert later.window == [after]


# A store that can't be written.


class Ends:
    """What a store loop tells the others."""

    def __init__(self) -> None:
        self.acknowledged: list[int] = []
        self.reports: list[bool] = []
        self.errors: list[str] = []
        self.failures: list[Any] = []

    def acknowledge(self, receipts: Sequence[Receipt]) -> None:
        self.acknowledged += [receipt.packet_id for receipt in receipts]

    def have(self, reports: list[bool]) -> bool:
        """Whether the store was told as so, or its thread has died."""
        return bool(self.failures) or self.reports == reports

    def report(self, ok: bool, error: str, lost: int) -> None:
        del lost
        self.reports.append(ok)
        self.errors.append(error)


def loop_of(store: Store, clock: RatedClock, ends: Ends) -> StoreLoop:
    """A store's thread, not started, that writes at once what it is given."""
    return StoreLoop(
        store,
        Frame(
            Config(store=StoreConfig(flush_s=0.001)),
            WatchTime(clock),
            clock,
            lambda *failure: ends.failures.append(failure),
        ),
        acknowledge=ends.acknowledge,
        deliver=lambda _: None,
        report=ends.report,
        command=lambda *_: None,
    )


@pytest.fixture
def blocked(site: Site) -> Iterator[sqlite3.Connection]:
    """Another program that holds the database of a store that exists."""
    holder = sqlite3.connect(site.folder / "watch.db", isolation_level=None)
    holder.execute("BEGIN IMMEDIATE")
    yield holder
    holder.close()


def numbered(start: int, count: int) -> Batch:
    """Work of so many readings, each with its message's receipt."""
    numbers = range(start, start + count)
    return Batch(
        START_MS,
        0,
        inputs=[Reading("hall", START_MS, float(number)) for number in numbers],
        receipts=[Receipt(1, number) for number in numbers],
    )


@pytest.mark.parametrize("found_by", ["supervision", "the database"])
def test_a_write_that_hangs_lets_the_broker_go_on_and_acknowledges_nothing_twice(
    found_by: str, site: Site, blocked: sqlite3.Connection, monkeypatch: pytest.MonkeyPatch
) -> None:
    hang_s, busy_s = (0.2, 60.0) if found_by == "supervision" else (60.0, 0.2)
    monkeypatch.setattr(store_loop, "SLOW_WRITE_S", hang_s)
    monkeypatch.setattr(database, "BUSY_TIMEOUT_S", busy_s)
    # Fast, so that a retry is due soon.
    clock = RatedClock(20.0, START_MS)
    ends = Ends()
    with Store.open(site.url) as store:
        loop = loop_of(store, clock, ends)
        loop.connected(WINDOW)
        loop.start()
        loop.put(numbered(1, 80))
        wait_until(lambda: loop._in_flight is not None, "the write to begin")
        loop.put(numbered(81, 20))
        wait_until(lambda: _found_hanging(loop, ends), "the hang to be found")
        # The window is full, so half of it must be acknowledged, the oldest first.
        assert ends.acknowledged == list(range(1, 51))
        assert not says_that_it_writes(store)
        blocked.execute("ROLLBACK")
        wait_until(lambda: len(ends.acknowledged) == 100, "the rest to be acknowledged")
        written = threading.Event()
        loop.put(Batch(START_MS, 0, inputs=[Entry(START_MS, EntryKind.STOP)], done=[written]))
        assert written.wait(WITHIN_S)
        loop.stop()
        assert loop.join(WITHIN_S)
        assert says_that_it_writes(store)
        stored = [reading.value for reading, _ in store.readings()]

    assert ends.acknowledged == list(range(1, 101))
    assert stored == [float(number) for number in range(1, 101)]
    assert ends.reports == [False, True]
    assert ("more than 10 s" in ends.errors[0]) is (found_by == "supervision")
    assert ends.failures == []


def says_that_it_writes(store: Store) -> bool:
    """What others see of the lock that the store's thread holds."""
    hold = hold_of(store.path)
    assert hold is not None
    return hold.writes


def test_a_write_that_was_only_slow_is_no_fault(
    site: Site, monkeypatch: pytest.MonkeyPatch
) -> None:
    ends = Ends()
    with Store.open(site.url) as store:
        loop = loop_of(store, RatedClock(1.0, START_MS), ends)

        def slow_commit(store: Store, work: Batch) -> None:
            loop.supervise()
            commit(store, work)

        commit = Store.commit
        monkeypatch.setattr(Store, "commit", slow_commit)
        written = threading.Event()
        loop.start()
        loop.put(Batch(START_MS, 0, inputs=[Entry(START_MS, EntryKind.STOP)], done=[written]))
        assert written.wait(WITHIN_S)
        # Found hanging at the instant at which it was over.
        loop._fail("a write has been going on for more than 10 s", hanging=Batch())
        assert says_that_it_writes(store)
        loop.stop()
        assert loop.join(WITHIN_S)
    assert ends.reports == []


def _found_hanging(loop: StoreLoop, ends: Ends) -> bool:
    loop.supervise()
    return bool(ends.reports)


def test_a_write_that_finds_the_file_damaged_is_tried_once_more_however_often_that_helps(
    site: Site, monkeypatch: pytest.MonkeyPatch
) -> None:
    commit, tried = Store.commit, list[Batch]()

    def damaged_every_other_time(store: Store, work: Batch) -> None:
        tried.append(work)
        if len(tried) % 2:
            raise DamagedStoreError("The store is damaged")
        commit(store, work)

    monkeypatch.setattr(Store, "commit", damaged_every_other_time)
    ends = Ends()
    with Store.open(site.url) as store:
        loop = loop_of(store, RatedClock(20.0, START_MS), ends)
        loop.start()
        for times in (1, 2):
            loop.put(numbered(times, 1))
            told = [False, True] * times
            wait_until(partial(ends.have, told), "the fault and its end")
        loop.stop()
        assert loop.join(WITHIN_S)
    assert ends.failures == []
    assert ends.reports == [False, True] * 2


def test_what_waits_for_a_disk_that_is_away_stays_within_bounds(
    site: Site, blocked: sqlite3.Connection, monkeypatch: pytest.MonkeyPatch
) -> None:
    bound, minutes = 50, 300
    monkeypatch.setattr(store_loop, "MOST_SENT_AGAIN", bound)
    monkeypatch.setattr(store_loop, "MOST_MINUTES_HELD", bound)
    monkeypatch.setattr(database, "BUSY_TIMEOUT_S", 0.2)
    clock = RatedClock(20.0, START_MS)
    ends = Ends()
    with Store.open(site.url) as store:
        loop = loop_of(store, clock, ends)
        loop.start()
        loop.put(numbered(1, 1))
        wait_until(lambda: ends.reports == [False], "the fault to be found")
        for number in range(1, minutes + 1):
            utc_ms = START_MS - START_MS % 60_000 + number * 60_000
            rise = Bucket(utc_ms, 6, 10.0, 10.0, 10.0)
            figures = [FigureMinute(utc_ms, {"nas": {"rise_k": rise}})]
            window = [Repeatable(number, b"digest")]
            loop.put(Batch(utc_ms, 0, window=window, figures=figures))
        blocked.execute("ROLLBACK")
        wait_until(lambda: ends.reports == [False, True], "the store to be written again")
        loop.stop()
        assert loop.join(WITHIN_S)
        remembered = [each.packet_id for each in store.window()]
        told = store.buckets("nas", "rise_k", Tier.MINUTES, 0, 10**14)

    # What a try under way holds comes on top.
    assert bound <= len(remembered) <= 2 * bound
    assert remembered[-bound:] == list(range(minutes - bound + 1, minutes + 1))
    assert bound <= len(told) <= 2 * bound
    assert told[-1].utc_ms == utc_ms


def test_an_end_amid_a_fault_says_how_many_readings_it_costs(
    site: Site,
    blocked: sqlite3.Connection,
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
) -> None:
    monkeypatch.setattr(database, "BUSY_TIMEOUT_S", 0.2)
    ends = Ends()
    with Store.open(site.url) as store:
        loop = loop_of(store, RatedClock(20.0, START_MS), ends)
        loop.start()
        loop.put(numbered(1, 80))
        wait_until(lambda: ends.reports == [False], "the fault to be found")
        loop.put(numbered(81, 20))
        loop.stop()
        assert loop.join(WITHIN_S)
        assert blocked.in_transaction
    assert "100 readings are lost, but for what the broker sends again" in caplog.text


# One instant.


def test_an_alarm_that_comes_and_goes_within_a_millisecond_is_told_each_time(
    site: Site, cabinet: Wire, smtp: MailDrop
) -> None:
    with watching(site.config(), StillClock(1.0, START_MS)) as daemon:
        wait_until(lambda: _subscribed(daemon), "the subscription")
        for value in ("55", "40", "56", "41"):
            cabinet.publish(NAS, value)
        mails = smtp.wait_for(4)
        wait_until(lambda: len(cabinet.transitions()) == 4, "the transitions")
        wait_until(lambda: _all_delivered(site), "the outbox to be empty")

    assert len({mail.message["Message-ID"] for mail in mails}) == 4
    with site.store() as store:
        transitions = store.transitions()
    assert [str(each.state) for each in transitions] == ["unacknowledged", "returned"] * 2
    assert len({each.t for each in transitions}) == 1
    for mail, transition in zip(mails, transitions, strict=True):
        assert " ".join(transition.text.split()) in part(mail.message, "plain")


def _subscribed(daemon: Daemon) -> bool:
    return daemon._session.subscribed


def _all_delivered(site: Site) -> bool:
    with site.store() as store:
        return not store.waiting()
