"""Who notifies people: a thread for each channel, so that none waits for another; page and summary.

A delivery's thread steps `notify.delivery`, and waits for the store only to write down what it is
about to try and what became of it. The summary's thread decides from the store, at each tick, what
is due: so nothing depends on when a tick comes, or on how long the watch was away. Reckoning and
drawing are done by children; their mails wait here, made, for the channel to fetch them. The page
is written by a child that lives as long as the watch.
"""

import json
import logging
import math
import os
import threading
import time
from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta
from datetime import time as time_of_day
from functools import partial
from pathlib import Path
from zoneinfo import ZoneInfo

from apscheduler.executors.debug import DebugExecutor
from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.base import BaseTrigger

from cabinetwatch.config.model import Config
from cabinetwatch.mqtt.session import MqttSession
from cabinetwatch.notify.channels import (
    CommandChannel,
    EmailChannel,
    HttpChannel,
    MqttChannel,
    NotComposedError,
)
from cabinetwatch.notify.delivery import Carrier, Delivery, Fault
from cabinetwatch.notify.people import Told
from cabinetwatch.notify.plan import Present, plan_summary, summary_notice_id
from cabinetwatch.report.summary_week import (
    IsoWeek,
    Span,
    When,
    history_of,
    settled_since_t,
    week_to_mail,
    weeks_to_freeze,
)
from cabinetwatch.service.engine_loop import Command, EngineInput
from cabinetwatch.service.parts import (
    Frame,
    OnFailure,
    Part,
    WatchedPart,
    child,
    outlives,
    run_child,
)
from cabinetwatch.service.store_loop import StoreLoop
from cabinetwatch.store.records import Batch, Channel, ClosedWeek, Notice, Outcome
from cabinetwatch.store.store import Store
from cabinetwatch.text import CabinetwatchError
from cabinetwatch.watch.events import AlarmState, EntryKind, Transition

_log = logging.getLogger(__name__)


def carriers(
    config: Config,
    session: MqttSession,
    compose: Callable[[Notice], bytes] | None = None,
    present: Present | None = None,
    told: Told | None = None,
) -> dict[Channel, Carrier]:
    """Make the channels that are switched on.

    `compose` gives the mail that tells of a week, `present` an incident as it is now; `told` knows
    who was notified of it.

    Raises:
        ConfigError: a password is set and can't be read.
    """
    notify = config.notify
    made: dict[Channel, Carrier] = {}
    if notify.email is not None:
        secret = config.secret("email-password")
        mail = partial(EmailChannel, config, notify.email, secret, present=present, told=told)
        made["email"] = mail(compose=compose)
        made |= {channel: mail(to=(each.mail,)) for channel, each in notify.mailed.items()}
    if notify.mqtt.enabled:
        made["mqtt"] = MqttChannel(session, config.mqtt.publish_under)
    if notify.command is not None:
        made["command"] = CommandChannel(notify.command, present)
    if notify.http is not None:
        made["http"] = HttpChannel(notify.http, present)
    return made


_WRITTEN_WITHIN_S = 5.0
_LOOK_AT_LEAST_EVERY_MS = 5_000


class DeliveryLoop(WatchedPart):
    """Steps one channel's delivery whenever something is due or new; see `Delivery`."""

    def __init__(
        self,
        channel: Channel,
        carrier: Carrier,
        frame: Frame,
        store_loop: StoreLoop,
        tell: Callable[[EngineInput], None],
        *,
        present: Present,
        told: Told,
    ) -> None:
        super().__init__(f"{channel} delivery", frame)
        self._news = threading.Event()
        self.delivery = Delivery(
            *(channel, carrier, frame.config, self),
            present=present,
            told=told,
            wake=self._news.set,
        )
        self._store_loop = store_loop
        self._tell = tell

    def stop(self) -> None:
        """Ask the thread to end after what it is doing; the rest waits in the store."""
        self._stopping = True
        self._news.set()

    def run(self) -> None:
        """Deliver until stopped."""
        while not self._stopping:
            now = self._watch.now_ms()
            self.progress_t = now
            due_t = self.delivery.step(now, self._watch.utc_ms(now))
            latest_t = now + _LOOK_AT_LEAST_EVERY_MS
            wake_t = latest_t if due_t is None else min(due_t, latest_t)
            wait_ms = wake_t - self._watch.now_ms()
            if wait_ms > 0 and self._news.wait(self._clock.real_s(wait_ms / 1000)):
                self._news.clear()

    # -- called by the delivery, in this thread -------------------------------------------------

    def keep(self, notices: Sequence[Notice], outcomes: Sequence[Outcome]) -> None:
        """Write down what became of notices; an attempt's beginning before it is made."""
        work = Batch(notices=list(notices), outcomes=list(outcomes))
        self._store_loop.put_and_wait(work, _WRITTEN_WITHIN_S)

    def channel_fault(self, channel: Channel, fault: Fault) -> None:
        """Tell the engine that the channel fails, or works again."""
        self._tell(EngineInput(EntryKind.DELIVERY, {"channel": channel, **fault._asdict()}))


_FIRST_PAUSE_S = 10.0
_LONGEST_PAUSE_S = 300.0
_LAST_PAGE_S = 3.0


class PageLoop(Part):
    """Keeps one child, `cabinetwatch page --out DIRECTORY --every SECONDS`.

    Nothing that becomes of it is a failure of the watch.
    """

    def __init__(self, url: str, folder: Path, every_s: float, on_failure: OnFailure) -> None:
        super().__init__("page", on_failure)
        self._arguments = ["page", "--parent", str(os.getpid()), "--store", url]
        self._arguments += ["--out", str(folder), "--every", f"{every_s:zg}"]
        self._stopping = threading.Event()

    def stop(self) -> None:
        """Ask the child to write the last page, which says so, and end; the thread with it."""
        self._stopping.set()

    def run(self) -> None:
        """Keep a child until stopped, after pauses that grow while none lives long."""
        pause_s = _FIRST_PAUSE_S
        while not self._stopping.is_set():
            began_s = time.monotonic()
            try:
                with child("cabinetwatch", *self._arguments, last_words_s=_LAST_PAGE_S) as process:
                    if outlives(process, self._stopping, math.inf):
                        return
                _log.warning("what writes the page has ended (exit status %d)", process.returncode)
            except OSError as error:
                _log.warning("what writes the page can't be started: %s", error)
            if time.monotonic() - began_s > _LONGEST_PAUSE_S:
                pause_s = _FIRST_PAUSE_S
            self._stopping.wait(pause_s)
            pause_s = min(2 * pause_s, _LONGEST_PAUSE_S)


class FromNow(BaseTrigger):  # type: ignore[misc]
    """Fires so many seconds from now on, whenever it is asked: what was missed is missed.

    The scheduler goes by the wall clock, which may be put forward by decades (a machine without a
    battery clock) or back. Its own interval would then run once for every interval that was
    skipped, or not at all until the clock is where it was.
    """

    def __init__(self, every_s: float) -> None:
        self._every = timedelta(seconds=every_s)

    def get_next_fire_time(self, previous_fire_time: datetime | None, now: datetime) -> datetime:
        """Give the next time, which is always ahead of now."""
        del previous_fire_time
        return now + self._every


class Ticker:
    """Calls a short function every so often, in a thread of its own, from the start on."""

    def __init__(self, tick: Callable[[], None], every_s: float = 60.0) -> None:
        # It tells of every run otherwise.
        logging.getLogger("apscheduler").setLevel(logging.WARNING)
        self._scheduler = BackgroundScheduler(
            timezone=UTC, executors={"default": DebugExecutor()}, daemon=True
        )
        # However late: a tick that comes after a suspended night is as good as any.
        self._job = self._scheduler.add_job(
            tick, FromNow(every_s), misfire_grace_time=None, coalesce=True
        )

    def start(self) -> None:
        """Begin, with a call at once."""
        self._scheduler.start()
        self.clock_stepped()

    def clock_stepped(self) -> None:
        """The wall clock was put forward or back: call at once, and count anew from there."""
        if self._scheduler.running:
            self._job.modify(next_run_time=datetime.now(UTC))

    def stop(self) -> None:
        """End; no call comes after this."""
        if self._scheduler.running:
            self._scheduler.shutdown(wait=True)


SETTLED_AFTER_MS = 600_000
"""After a start, or a step of the clock, what was on its way comes in first."""
RETRY_AFTER_MS = 600_000
_CHILD = "cabinetwatch.report.summary_mail"
_CHILD_WITHIN_S = 300.0
_WEEK_WRITTEN_WITHIN_S = 10.0
_LOOKED_BACK = 8
"""Summaries whose returned alarms may still be to be acknowledged."""


class SummaryLoop(Part):
    """Looks at each tick what is due; see `step`. The wall clock of the daemon's frame decides.

    Without [summary] or [notify.email] weeks are frozen and not mailed. `command` takes the
    commands that acknowledge returned alarms.
    """

    def __init__(
        self, frame: Frame, store_loop: StoreLoop, command: Callable[[Command], None]
    ) -> None:
        super().__init__("summary", frame.on_failure)
        self._config, self._watch = frame.config, frame.watch
        self._store_loop = store_loop
        self._command = command
        self._zone = ZoneInfo(frame.config.site.timezone)
        self._news = threading.Event()
        self._stopping = threading.Event()
        self._ticker = Ticker(self.tick)
        self._retry_t = 0
        self._trouble = ""
        self._acknowledged: set[tuple[str, int]] = set()
        # Weeks whose notice is on its way to the store.
        self._told: set[str] = set()
        # By notice: its mail, or why there is none. Written by this thread alone.
        self._mails: dict[str, bytes | str] = {}

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

    def compose(self, notice: Notice) -> bytes:
        """Give the mail of a notice.

        Raises:
            NotComposedError: it is not there yet, as after a restart, or can't be made.
        """
        mail = self._mails.get(notice.id)
        if isinstance(mail, bytes):
            return mail
        self.tick()
        if mail is None:
            raise NotComposedError("the weekly summary is being made", in_the_making=True)
        raise NotComposedError(f"the weekly summary can't be made: {mail}")

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
                self._retry_t = self._watch.now_ms() + RETRY_AFTER_MS
                if str(error) != self._trouble and not self._stopping.is_set():
                    _log.warning("the weekly summary can't be made now: %s", error)
                self._trouble = str(error)

    def step(self, store: Store) -> bool:
        """Do one thing that is due; say whether there may be another.

        Raises:
            CabinetwatchError: the store can't be read, or a child could not do its work.
        """
        self._acknowledge_returned(store)
        # Of one instant: the wall clock may be set at any time, and is believed once that is told.
        now_t, offset_ms = self._watch.now_ms(), self._watch.offset_ms
        if self._stopping.is_set() or now_t < self._retry_t or self._store_loop.failing:
            return False
        if self._remake_waiting(store):
            return True
        kinds = (EntryKind.START, EntryKind.STOP, EntryKind.OFFSET)
        entries = [entry for _, entry in store.entries(*kinds)]
        settled_t = settled_since_t(entries, offset_ms)
        if settled_t is None or now_t - settled_t < SETTLED_AFTER_MS:
            return False
        spans = history_of(entries, store.last_t()).spans
        now_utc_ms = now_t + offset_ms
        return self._freeze(store, spans, now_utc_ms) or self._mail(store, spans, now_utc_ms)

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

    def _remake_waiting(self, store: Store) -> bool:
        """Make the mail of a notice that waits without one: the watch was started anew."""
        waiting = [notice for notice, _ in store.waiting() if notice.kind == "summary"]
        self._told -= {notice.week for notice, _ in store.summaries()}
        wanted = {notice.id for notice in waiting} | {summary_notice_id(w) for w in self._told}
        self._mails = {key: mail for key, mail in self._mails.items() if key in wanted}
        for notice in waiting:
            if not isinstance(self._mails.get(notice.id), bytes):
                self._make(notice)
                return True
        return False

    def _freeze(self, store: Store, spans: list[Span], now_utc_ms: int) -> bool:
        """Freeze the oldest closed week that has no figures yet."""
        frozen = {IsoWeek.parse(name) for name in store.weeks()}
        due = weeks_to_freeze(now_utc_ms, spans, frozen, self._zone)
        if not due:
            return False
        figures = json.loads(self._child("close", due[0].name, now_utc_ms))
        week = ClosedWeek(due[0].name, now_utc_ms, figures)
        self._store_loop.put_and_wait(Batch(weeks=[week]), _WEEK_WRITTEN_WITHIN_S)
        # A commit that did not come in time is looked for at the next tick.
        return store.week(week.name) is not None

    def _mail(self, store: Store, spans: list[Span], now_utc_ms: int) -> bool:
        """Write the notice of the summary that is due; its mail is made first."""
        email, summary = self._config.notify.email, self._config.summary
        if email is None or summary is None:
            return False
        when = When(summary.day, time_of_day.fromisoformat(summary.time), self._zone)
        told = {notice.week for notice, _ in store.summaries()} | self._told
        due = week_to_mail(now_utc_ms, spans, {IsoWeek.parse(name) for name in told if name}, when)
        closed = None if due is None else store.week(due.name)
        if closed is None:
            return False
        now_t = self._watch.now_ms()
        notice = plan_summary(
            closed.name,
            _returned(store, closed),
            self._config.summary_readers,
            self._config,
            t=now_t,
            utc_ms=self._watch.utc_ms(now_t),
        )
        self._make(notice)
        self._told.add(closed.name)
        self._store_loop.put(Batch(notices=[notice]))
        return True

    def _make(self, notice: Notice) -> None:
        email = self._config.notify.email
        if email is None or notice.week is None:
            return
        try:
            self._mails[notice.id] = self._child(
                "mail",
                notice.week,
                notice.utc_ms,
                *("--message-id", notice.message_id, "--from", email.from_),
                *("--to", *notice.recipients),
            )
        except CabinetwatchError as error:
            self._mails[notice.id] = str(error)
            raise

    def _child(self, what: str, week: str, now_utc_ms: int, *more: str) -> bytes:
        url = self._config.store.url
        arguments = (what, "--store", url, "--week", week, "--now", str(now_utc_ms), *more)
        return run_child(_CHILD, *arguments, within_s=_CHILD_WITHIN_S, stop=self._stopping)


def _returned(store: Store, closed: ClosedWeek) -> list[Transition]:
    """Give the returns that a frozen week lists as the last word on their alarms."""
    found = []
    for alarm in closed.figures.get("alarms", ()):
        if alarm.get("returned_t") is not None:
            found += [
                each
                for each in store.transitions(alarm_id=alarm["id"])
                if each.state is AlarmState.RETURNED and each.t == alarm["returned_t"]
            ][-1:]
    return found
