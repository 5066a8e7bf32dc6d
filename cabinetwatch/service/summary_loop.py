"""The thread that freezes weeks and has their summaries mailed, once each.

All that is due is decided from the store at each tick, so that nothing depends on when a tick comes
or on how long the watch was away. Reckoning and drawing are done by children.
"""

import json
import logging
import threading
from collections.abc import Callable
from datetime import time as time_of_day
from zoneinfo import ZoneInfo

from cabinetwatch.clock import Clock, WatchTime
from cabinetwatch.config.model import Config
from cabinetwatch.errors import CabinetwatchError
from cabinetwatch.notify.plan import plan_summary, summary_notice_id
from cabinetwatch.report.summary_due import Span, When, week_to_mail, weeks_to_freeze
from cabinetwatch.report.summary_journal import history_of, settled_since_t
from cabinetwatch.report.summary_week import IsoWeek
from cabinetwatch.service.child import output_of
from cabinetwatch.service.engine_loop import Command
from cabinetwatch.service.part import Part
from cabinetwatch.service.store_loop import StoreLoop
from cabinetwatch.service.summary_mails import SummaryMails
from cabinetwatch.service.summary_schedule import Ticker
from cabinetwatch.service.work import Work
from cabinetwatch.store.notice import Notice
from cabinetwatch.store.store import Store
from cabinetwatch.store.weeks import ClosedWeek
from cabinetwatch.watch.entry import EntryKind
from cabinetwatch.watch.transition import AlarmState, Transition

_log = logging.getLogger(__name__)

SETTLED_AFTER_MS = 600_000
"""After a start, or a step of the clock, what was on its way comes in first."""
RETRY_AFTER_MS = 600_000
_CHILD = "cabinetwatch.report.summary_child"
_CHILD_TIMEOUT_S = 300.0
_COMMIT_PATIENCE_S = 10.0
_LOOKED_BACK = 8
"""Summaries whose returned alarms may still be to be acknowledged."""
_KINDS = (EntryKind.START, EntryKind.STOP, EntryKind.OFFSET)


class SummaryLoop(Part):
    """Looks at each tick; see `step`.

    Args:
        config: in force. Without [summary] or [notify.email] weeks are frozen and not mailed.
        store_loop: writes what is frozen and told.
        watch: for the time of notices.
        clock: the wall clock says what is due.
        command: takes the commands that acknowledge returned alarms.
        on_failure: takes what ends the thread.
        every_s: the seconds between two ticks.
    """

    def __init__(
        self,
        config: Config,
        store_loop: StoreLoop,
        *,
        watch: WatchTime,
        clock: Clock,
        command: Callable[[Command], None],
        on_failure: Callable[[str, BaseException], None],
        every_s: float = 60.0,
    ) -> None:
        super().__init__("summary", on_failure)
        self._config = config
        self._store_loop = store_loop
        self._watch = watch
        self._clock = clock
        self._command = command
        self._zone = ZoneInfo(config.site.timezone)
        self._news = threading.Event()
        self._stopping = threading.Event()
        self._ticker = Ticker(self.tick, every_s)
        self._retry_t = 0
        self._trouble = ""
        self._acknowledged: set[tuple[str, int]] = set()
        self._told: set[str] = set()
        self.mails = SummaryMails(self.tick)
        """The mails that wait to be sent."""

    # -- called by other threads ----------------------------------------------------------------

    def start(self) -> None:
        """Start the thread and the ticks."""
        super().start()
        self._ticker.start()

    def tick(self) -> None:
        """It is time to look what is due."""
        self._news.set()

    def clock_stepped(self) -> None:
        """The wall clock was put forward or back."""
        self._ticker.clock_stepped()

    def stop(self) -> None:
        """Ask the thread to end; a child that works for it is ended."""
        self._ticker.stop()
        self._stopping.set()
        self._news.set()

    # -- the thread -----------------------------------------------------------------------------

    def run(self) -> None:
        """Look at each tick until stopped. Nothing that goes wrong here stops the watch."""
        while not self._stopping.is_set():
            self._news.wait()
            self._news.clear()
            try:
                with Store.open(self._config.store.url, read_only=True) as store:
                    while not self._stopping.is_set() and self.step(store):
                        pass
                self._trouble = ""
            except (CabinetwatchError, OSError, ValueError) as error:
                self._note_trouble(str(error))

    def step(self, store: Store) -> bool:
        """Do one thing that is due; say whether there may be another.

        Raises:
            CabinetwatchError: the store can't be read, or a child could not do its work.
        """
        self._acknowledge_returned(store)
        now_t = self._watch.now_ms()
        if self._stopping.is_set() or now_t < self._retry_t or self._store_loop.failing:
            return False
        if self._remake_waiting(store):
            return True
        entries = [entry for _, entry in store.entries(*_KINDS)]
        settled_t = settled_since_t(entries)
        if settled_t is None or now_t - settled_t < SETTLED_AFTER_MS:
            return False
        spans = history_of(entries, store.last_t()).spans
        return self._freeze(store, spans) or self._mail(store, spans)

    def _note_trouble(self, error: str) -> None:
        """Tell of it once, and let some time pass before it is tried again."""
        self._retry_t = self._watch.now_ms() + RETRY_AFTER_MS
        if error != self._trouble and not self._stopping.is_set():
            _log.warning("the weekly summary can't be made now: %s", error)
        self._trouble = error

    # -- what is due ------------------------------------------------------------------------------

    def _freeze(self, store: Store, spans: list[Span]) -> bool:
        """Freeze the oldest closed week that has no figures yet."""
        now_utc_ms = self._clock.utc_ms()
        frozen = {IsoWeek.parse(name) for name in store.weeks()}
        due = weeks_to_freeze(now_utc_ms, spans, frozen, self._zone)
        if not due:
            return False
        figures = json.loads(self._child("close", due[0].name, now_utc_ms))
        week = ClosedWeek(due[0].name, now_utc_ms, figures)
        self._store_loop.put_and_wait(Work(weeks=[week]), _COMMIT_PATIENCE_S)
        # A commit that did not come in time is looked for at the next tick.
        return store.week(week.name) is not None

    def _mail(self, store: Store, spans: list[Span]) -> bool:
        """Write the notice of the summary that is due; its mail is made first."""
        email, summary = self._config.notify.email, self._config.summary
        if email is None or summary is None:
            return False
        when = When(summary.day, time_of_day.fromisoformat(summary.time), self._zone)
        told = {notice.week for notice, _ in store.summaries()} | self._told
        due = week_to_mail(
            self._clock.utc_ms(), spans, {IsoWeek.parse(name) for name in told if name}, when
        )
        closed = None if due is None else store.week(due.name)
        if closed is None:
            return False
        now_t = self._watch.now_ms()
        notice = plan_summary(
            closed.name,
            _returned(store, closed),
            summary.to or email.to,
            self._config,
            t=now_t,
            utc_ms=self._watch.utc_ms(now_t),
        )
        self._make(notice)
        self._told.add(closed.name)
        self._store_loop.put(Work(notices=[notice]))
        return True

    def _remake_waiting(self, store: Store) -> bool:
        """Make the mail of a notice that waits without one: the watch was started anew."""
        waiting = [notice for notice, _ in store.waiting() if notice.kind == "summary"]
        written = {notice.week for notice, _ in store.summaries()}
        self._told -= written
        self.mails.keep_only({notice.id for notice in waiting} | self._told_ids())
        for notice in waiting:
            if not self.mails.has(notice.id):
                self._make(notice)
                return True
        return False

    def _told_ids(self) -> set[str]:
        """Give the ids of the notices that are not in the store yet."""
        return {summary_notice_id(week) for week in self._told}

    def _make(self, notice: Notice) -> None:
        email = self._config.notify.email
        if email is None or notice.week is None:
            return
        try:
            content = self._child(
                "mail",
                notice.week,
                notice.utc_ms,
                *("--message-id", notice.message_id, "--from", email.from_),
                *("--to", *notice.recipients),
            )
        except CabinetwatchError as error:
            self.mails.fail(notice.id, str(error))
            raise
        self.mails.put(notice.id, content)

    def _child(self, what: str, week: str, now_utc_ms: int, *more: str) -> bytes:
        url = self._config.store.url
        arguments = (what, "--store", url, "--week", week, "--now", str(now_utc_ms), *more)
        return output_of(_CHILD, arguments, _CHILD_TIMEOUT_S, self._stopping)

    def _acknowledge_returned(self, store: Store) -> None:
        """Acknowledge what a delivered summary listed and what has not moved since."""
        standing = {each.id: each for each in store.standing()}
        for notice, outcome in store.summaries(_LOOKED_BACK):
            if outcome is None or outcome.status != "delivered":
                continue
            for listed in notice.transitions:
                now = standing.get(listed.id)
                key = listed.id, listed.t
                if now is None or now.t != listed.t or key in self._acknowledged:
                    continue
                self._acknowledged.add(key)
                by = f"the summary of {notice.week}"
                self._command(Command({"command": "ack-returned", "id": listed.id, "by": by}))


def _returned(store: Store, closed: ClosedWeek) -> list[Transition]:
    """Give the returns that a frozen week lists as the last word on their alarms."""
    found = []
    for alarm in closed.figures.get("alarms", ()):
        if alarm.get("returned_t") is None:
            continue
        found += [
            each
            for each in store.transitions(alarm_id=alarm["id"])
            if each.state is AlarmState.RETURNED and each.t == alarm["returned_t"]
        ][-1:]
    return found
