"""The weekly summary of a running watch: frozen, mailed once, and what it listed acknowledged."""

import json
import threading
from argparse import Namespace
from collections.abc import Callable
from datetime import UTC, datetime

import pytest

from cabinetwatch.report import summary_mail
from cabinetwatch.report.summary_make import WeekMaker
from cabinetwatch.report.summary_week import IsoWeek
from cabinetwatch.service.daemon import Daemon
from cabinetwatch.service.delivery_loop import SETTLED_AFTER_MS, SummaryLoop
from cabinetwatch.store.records import Posted
from cabinetwatch.store.store import Store
from cabinetwatch.watch.events import AlarmState, EntryKind
from tests.service.mails import part
from tests.service.site import CABINET, NAS, Site
from tests.service.watching import wait_until, watching
from tests.service.wire import Wire
from tests.support.hand_clock import HandClock
from tests.support.mail import Delivered, MailDrop
from tests.support.patience import WITHIN_S

HOUR_S = 3600.0
A_DAY_MS = 86_400_000
WEEK = "2026-W47"
TABLES = (
    CABINET
    + """
[alarms.silent]
enabled = false

[alarms.ambient-lost]
enabled = false

[alarms.notice-undelivered]
enabled = false

[summary]
to = ["owner@under-stairs.example", "flatmate@under-stairs.example"]
"""
)


def utc(text: str) -> int:
    return round(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp() * 1000)


SUNDAY_NIGHT = utc("2026-11-22T23:50")


@pytest.fixture
def site(site: Site) -> Site:
    """The watched cabinet, with a weekly summary to two people."""
    site.tables = TABLES
    return site


@pytest.fixture
def made_here(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let what the child makes be made in this process: a new one takes seconds to begin."""

    def make(_module: str, what: str, *words: str, **_: object) -> bytes:
        url, name, now_utc_ms = words[1], words[3], int(words[5])
        with Store.open(url, read_only=True) as store:
            maker = WeekMaker(store, None, now_utc_ms)
            if what == "close":
                return json.dumps(maker.make(IsoWeek.parse(name)).as_json()).encode()
            envelope = Namespace(message_id=words[7], sender=words[9], to=words[11:])
            week = maker.frozen_or_made(IsoWeek.parse(name))
            return summary_mail._mail(store, week, envelope, now_utc_ms)

    monkeypatch.setattr("cabinetwatch.service.delivery_loop.run_child", make)


def summaries(smtp: MailDrop) -> list[Delivered]:
    return [each for each in smtp.messages if "Weekly summary" in each.message["Subject"]]


def posted(site: Site) -> list[Posted]:
    with site.store() as store:
        return store.summaries()


def frozen(site: Site) -> list[str]:
    with site.store() as store:
        return store.weeks()


def look(daemon: Daemon) -> None:
    """Tick, as the schedule would within a minute."""
    daemon._summary_loop.tick()


def look_until(daemon: Daemon, holds: Callable[[], bool], what: str) -> None:
    """Tick again and again until something holds."""

    def looked() -> bool:
        look(daemon)
        return holds()

    wait_until(looked, what)


def begun(site: Site, starts: int, offset_ms: int = 0) -> Callable[[], bool]:
    """Whether so many starts are in the store, and a step of the clock as far as this."""

    def written() -> bool:
        with site.store() as store:
            entries = [entry for _, entry in store.entries(EntryKind.START, EntryKind.OFFSET)]
        began = sum(each.kind is EntryKind.START for each in entries)
        return began == starts and entries[-1].data["offset_ms"] >= offset_ms

    return written


def assert_nothing_is_done_yet(site: Site, daemon: Daemon) -> None:
    """Look, in this thread: what is due would be done when that is over."""
    with site.store() as store:
        assert not daemon._summary_loop.step(store)
    assert frozen(site) == []


def wait_delivered(site: Site, daemon: Daemon) -> None:
    """Tick until the newest summary is delivered, and so noted."""

    def delivered() -> bool:
        known = posted(site)
        outcome = known[-1][1] if known else None
        return outcome is not None and outcome.status == "delivered"

    look_until(daemon, delivered, "the summary to be delivered")


def settle(clock: HandClock) -> None:
    """Let the time pass that a watch waits after a start or a step."""
    clock.let_pass(660)


def warm_and_cool(cabinet: Wire) -> str:
    """Let the NAS pass its threshold and come back; give the alarm's id."""
    heard = cabinet.mark()
    cabinet.publish_until(NAS, "60", "nas", "over-derating", "unacknowledged", after=heard)
    cabinet.publish(NAS, "30")
    told = cabinet.wait_transition("nas", "over-derating", "returned", after=heard)
    return str(told["id"])


def state_of(site: Site, alarm_id: str) -> AlarmState | None:
    with site.store() as store:
        return next((each.state for each in store.standing() if each.id == alarm_id), None)


def test_a_week_is_frozen_mailed_once_and_its_returned_alarms_acknowledged_on_delivery(
    site: Site, cabinet: Wire, smtp: MailDrop
) -> None:
    clock = HandClock(SUNDAY_NIGHT)
    with watching(site.config(), clock) as daemon:
        cabinet.wait_online()
        alarm_id = warm_and_cool(cabinet)
        clock.let_pass(HOUR_S)
        look_until(daemon, lambda: frozen(site) == [WEEK], "the week to be frozen")
        assert posted(site) == []
        assert state_of(site, alarm_id) is AlarmState.RETURNED

        smtp.refuse("451 4.3.0 try later", at="data")
        clock.let_pass(7 * HOUR_S)
        look_until(
            daemon, lambda: any(outcome for _, outcome in posted(site)), "the summary to be tried"
        )
        look(daemon)
        assert state_of(site, alarm_id) is AlarmState.RETURNED

        smtp.behave()
        clock.let_pass(600)
        daemon._deliveries[0].delivery.hurry()
        wait_delivered(site, daemon)
        look_until(daemon, lambda: state_of(site, alarm_id) is None, "the acknowledgement")

    (mail,) = summaries(smtp)
    assert sorted(mail.recipients) == [
        "flatmate@under-stairs.example",
        "owner@under-stairs.example",
    ]
    assert "NAS: above its derating threshold" in part(mail.message, "plain")
    with site.store() as store:
        told = store.transitions(alarm_id=alarm_id)[-1]
        week = store.week(WEEK)
    assert told.text.startswith(f"Acknowledged (by the summary of {WEEK}) after it was over")
    assert week is not None
    assert week.figures["measures"]["raises"] == 1


@pytest.mark.usefixtures("made_here")
def test_an_alarm_that_was_raised_again_meanwhile_is_left_for_a_person(
    site: Site, cabinet: Wire, smtp: MailDrop
) -> None:
    clock = HandClock(SUNDAY_NIGHT)
    with watching(site.config(), clock) as daemon:
        cabinet.wait_online()
        alarm_id = warm_and_cool(cabinet)
        clock.let_pass(HOUR_S)
        look_until(daemon, lambda: frozen(site) == [WEEK], "the week to be frozen")
        assert warm_and_cool(cabinet) == alarm_id
        clock.let_pass(7 * HOUR_S)
        wait_delivered(site, daemon)
        for _ in range(3):
            look(daemon)
            cabinet.mark()
        assert state_of(site, alarm_id) is AlarmState.RETURNED
    assert len(summaries(smtp)) == 1


@pytest.mark.usefixtures("made_here")
def test_after_a_restart_nothing_is_mailed_twice_and_what_waited_is_mailed(
    site: Site, cabinet: Wire, smtp: MailDrop
) -> None:
    clock = HandClock(SUNDAY_NIGHT)
    with watching(site.config(), clock) as daemon:
        cabinet.wait_online()
        smtp.stop()
        clock.let_pass(8 * HOUR_S)
        look_until(daemon, lambda: posted(site) != [], "the notice")
    ((notice, _),) = posted(site)
    assert summaries(smtp) == []

    smtp.start()
    for _ in range(2):
        clock.let_pass(60)
        with watching(site.config(), clock) as daemon:
            settle(clock)
            wait_delivered(site, daemon)
            look(daemon)
    (mail,) = summaries(smtp)
    assert mail.message["Message-ID"] == notice.message_id
    assert [each.week for each, _ in posted(site)] == [WEEK]


@pytest.mark.usefixtures("made_here")
def test_after_a_power_cut_of_thirty_hours_over_the_due_time_it_comes_late(
    site: Site, cabinet: Wire, smtp: MailDrop
) -> None:
    clock = HandClock(utc("2026-11-22T20:00"))
    with watching(site.config(), clock):
        cabinet.wait_online()
    back = HandClock(utc("2026-11-24T02:00"), up_ms=30_000)
    with watching(site.config(), back) as daemon:
        # What came while the power was off comes in first; it belongs to a week that is due.
        wait_until(begun(site, 2), "the start to be written down")
        assert_nothing_is_done_yet(site, daemon)
        back.let_pass(SETTLED_AFTER_MS / 1000 - 120)
        assert_nothing_is_done_yet(site, daemon)
        back.let_pass(180)
        wait_delivered(site, daemon)
    (mail,) = summaries(smtp)
    assert mail.message["Date"].datetime.date().isoformat() == "2026-11-24"
    assert frozen(site) == [WEEK]


def test_a_clock_that_is_put_back_is_told_to_what_looks_for_weeks(
    site: Site, monkeypatch: pytest.MonkeyPatch
) -> None:
    told = threading.Event()
    monkeypatch.setattr(SummaryLoop, "clock_stepped", lambda _: told.set())
    clock = HandClock(utc("2026-11-22T20:00"))
    with watching(site.config(), clock):
        clock.set_utc(utc("2026-11-22T18:00"))
        assert told.wait(WITHIN_S)


@pytest.mark.usefixtures("made_here")
def test_a_clock_that_wakes_in_1970_and_jumps_to_now_mails_one_summary(
    site: Site, cabinet: Wire, smtp: MailDrop
) -> None:
    clock = HandClock(utc("2026-11-22T20:00"))
    with watching(site.config(), clock):
        cabinet.wait_online()
    heard = len(cabinet.messages)
    back = HandClock(20_000, up_ms=20_000)
    with watching(site.config(), back) as daemon:
        cabinet.wait_online(after=heard)
        settle(back)
        assert_nothing_is_done_yet(site, daemon)
        back.set_utc(utc("2026-11-24T02:00"))
        wait_until(begun(site, 2, A_DAY_MS), "the step to be written down")
        # A clock that was just set is given time to be set right.
        assert_nothing_is_done_yet(site, daemon)
        settle(back)
        wait_delivered(site, daemon)
    assert len(summaries(smtp)) == 1
    assert frozen(site) == [WEEK]


@pytest.mark.usefixtures("made_here")
def test_without_the_table_weeks_are_frozen_and_nothing_is_mailed(
    site: Site, cabinet: Wire, smtp: MailDrop
) -> None:
    site.tables = TABLES[: TABLES.index("[summary]")]
    clock = HandClock(SUNDAY_NIGHT)
    with watching(site.config(), clock) as daemon:
        cabinet.wait_online()
        clock.let_pass(9 * HOUR_S)
        look_until(daemon, lambda: frozen(site) == [WEEK], "the week to be frozen")
        look(daemon)
        cabinet.mark()
    assert posted(site) == []
    assert smtp.messages == []


def test_a_child_that_fails_is_told_and_stops_neither_watch_nor_later_tries(
    site: Site,
    cabinet: Wire,
    smtp: MailDrop,
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
) -> None:
    del smtp
    module = "cabinetwatch.service.delivery_loop._CHILD"
    monkeypatch.setattr(module, "cabinetwatch.no_such_child")
    clock = HandClock(SUNDAY_NIGHT)
    with watching(site.config(), clock) as daemon:
        cabinet.wait_online()
        clock.let_pass(HOUR_S)
        look_until(
            daemon,
            lambda: "the weekly summary can't be made now" in caplog.text,
            "the failure to be told",
        )
        warm_and_cool(cabinet)
        monkeypatch.undo()
        clock.let_pass(660)
        look_until(daemon, lambda: frozen(site) == [WEEK], "the week to be frozen")
