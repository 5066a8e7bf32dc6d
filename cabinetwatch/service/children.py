"""Work in processes of their own: pages, weekly summaries, salvage.

What writes and draws stays out of this process: its memory, its faults and its time.

The scheduler goes by the wall clock, which may be put forward by decades (a machine without a
battery clock) or back. Its own interval would then run once for every interval that was skipped, or
not at all until the clock is where it was.

All that is due is decided from the store at each tick, so that nothing depends on when a tick comes
or on how long the watch was away. Reckoning and drawing are done by children.
"""

import json
import logging
import os
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Collection, Sequence
from datetime import UTC, datetime, timedelta
from datetime import time as time_of_day
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from apscheduler.executors.debug import DebugExecutor
from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.base import BaseTrigger

from cabinetwatch.clock import Clock, WatchTime
from cabinetwatch.config.model import Config
from cabinetwatch.config.services import Page
from cabinetwatch.notify.channels import NotComposedError
from cabinetwatch.notify.plan import plan_summary, summary_notice_id
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
from cabinetwatch.service.parts import Part
from cabinetwatch.service.store_loop import StoreLoop
from cabinetwatch.store.place import Salvage, database_url, end_salvage
from cabinetwatch.store.records import Batch, ClosedWeek, Notice
from cabinetwatch.store.store import Store
from cabinetwatch.text import CabinetwatchError, counted
from cabinetwatch.watch.events import AlarmState, EntryKind, Transition

_LOOK_EVERY_S = 0.1


class ChildError(CabinetwatchError):
    """It could not be started, took too long, was stopped, or refused: one sentence."""


def output_of(
    module: str, arguments: Sequence[str], timeout_s: float, stop: threading.Event
) -> bytes:
    """Run `python -m MODULE ARGUMENTS` to its end.

    Args:
        module: of this package.
        arguments: for it.
        timeout_s: after which it is ended.
        stop: when it is set the child is ended at once.

    Raises:
        ChildError: there is no output.
    """
    command = [sys.executable, "-P", "-m", module, *arguments]
    with tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as errors:
        try:
            # A session of its own: Ctrl-C is for the watch, which then ends the child in its turn.
            child = subprocess.Popen(  # noqa: S603 - our own program
                command, stdin=subprocess.DEVNULL, stdout=out, stderr=errors, start_new_session=True
            )
        except OSError as error:
            raise ChildError(f"{module} can't be started: {error}") from error
        ended = _wait(child, timeout_s, stop)
        out.seek(0)
        errors.seek(0)
        if not ended:
            raise ChildError(f"{module} was ended before it was done")
        if child.returncode != 0:
            lines = errors.read().decode("utf-8", "replace").strip().splitlines()
            raise ChildError(lines[-1] if lines else f"{module}: exit status {child.returncode}")
        return out.read()


def _wait(child: "subprocess.Popen[bytes]", timeout_s: float, stop: threading.Event) -> bool:
    """Wait for the child's end; end it when it is time. Say whether it ended by itself."""
    until = time.monotonic() + timeout_s
    try:
        while child.poll() is None:
            if time.monotonic() > until or stop.wait(_LOOK_EVERY_S):
                return False
    finally:
        if child.poll() is None:
            child.kill()
            child.wait()
    return True


_log = logging.getLogger(__name__)

_FIRST_PAUSE_S = 10.0
_LONGEST_PAUSE_S = 300.0
_PAGE_LOOK_EVERY_S = 0.2
_LAST_PAGE_S = 3.0


class PageLoop(Part):
    """One child, `cabinetwatch page --out DIRECTORY --every SECONDS`.

    Nothing that becomes of it is a failure of the watch.
    """

    def __init__(
        self, url: str, page: Page, on_failure: Callable[[str, BaseException], None]
    ) -> None:
        super().__init__("page", on_failure)
        self._command = [
            *(sys.executable, "-P", "-m", "cabinetwatch", "page", "--store", url),
            *("--out", str(page.directory), "--every", f"{page.every_s:zg}"),
            *("--parent", str(os.getpid())),
        ]
        self._stopping = threading.Event()

    def stop(self) -> None:
        """Ask the child to write the last page and end, and the thread with it."""
        self._stopping.set()

    def run(self) -> None:
        """Keep a child until stopped, after pauses that grow while none lives long."""
        pause_s = _FIRST_PAUSE_S
        while not self._stopping.is_set():
            child = self._started()
            if child is not None and self._lived(child):
                pause_s = _FIRST_PAUSE_S
            if self._stopping.wait(pause_s):
                return
            pause_s = min(2 * pause_s, _LONGEST_PAUSE_S)

    def _started(self) -> subprocess.Popen[bytes] | None:
        try:
            # A session of its own: Ctrl-C is for the watch, which then ends the child in its turn.
            return subprocess.Popen(self._command, stdin=subprocess.DEVNULL, start_new_session=True)  # noqa: S603 - our own program
        except OSError as error:
            _log.warning("what writes the page can't be started: %s", error)
            return None

    def _lived(self, child: subprocess.Popen[bytes]) -> bool:
        """Wait for the child's end, or end it; say whether it had lived longer than the pauses."""
        waited_s = 0.0
        while child.poll() is None:
            if self._stopping.wait(_PAGE_LOOK_EVERY_S):
                _end(child)
                return True
            waited_s += _PAGE_LOOK_EVERY_S
        _log.warning("what writes the page has ended (exit status %d)", child.returncode)
        return waited_s > _LONGEST_PAUSE_S


def _end(child: subprocess.Popen[bytes]) -> None:
    """Let the child write its last page, which says that the watch is not running."""
    child.terminate()
    try:
        child.wait(_LAST_PAGE_S)
    except subprocess.TimeoutExpired:
        child.kill()
        child.wait()


_TIMEOUT_S = 86_400.0
_NOTHING = (
    "nothing of the damaged one could be carried over: readings, alarms and what was learnt before"
    " are missing"
)


class SalvageLoop(Part):
    """One child, which ends; then it is told what could not be read.

    Args:
        path: of the new store.
        salvage: what is to be carried over into it.
        tell: takes news for the engine: a store fault, and its end.
        on_failure: takes what ends the thread.
    """

    def __init__(
        self,
        path: Path,
        salvage: Salvage,
        tell: Callable[[EngineInput], None],
        on_failure: Callable[[str, BaseException], None],
    ) -> None:
        super().__init__("salvage", on_failure)
        self._path = path
        self._aside = salvage.aside
        self._salvage = salvage
        self._tell = tell
        self._stopping = threading.Event()

    def stop(self) -> None:
        """End the child; the next start does it again."""
        self._stopping.set()

    def run(self) -> None:
        """Carry over, and tell. Nothing that goes wrong here stops the watch."""
        was = f"The store was damaged; it was set aside as {self._aside.name}"
        if self._salvage.error:
            self._say(ok=False, error=f"{was}, and nothing could be carried over")
            end_salvage(self._path)
            self._say(ok=True, note=f"{_NOTHING} ({self._salvage.error})")
            return
        self._say(ok=False, error=f"{was}, and what can be read of it is being carried over")
        try:
            url = database_url(self._path)
            module = "cabinetwatch.store.salvage"
            done = json.loads(output_of(module, ("rest", url), _TIMEOUT_S, self._stopping))
            end_salvage(self._path)
        except (CabinetwatchError, OSError, ValueError) as error:
            if not self._stopping.is_set():
                _log.error("what can be read of %s is not carried over: %s", self._aside, error)
                self._say(ok=False, error=f"{was}. {error}")
            return
        if not done:
            return
        note = _words(done) if self._salvage.last_seq else _NOTHING
        _log.warning("%s; %s", was, note)
        self._say(ok=True, lost=done["lost"]["inputs"], note=note)

    def _say(self, **data: Any) -> None:
        self._tell(EngineInput(EntryKind.STORE, {"error": "", "lost": 0, "set_aside": True} | data))


def _words(done: dict[str, Any]) -> str:
    """Say what came over and what did not."""
    count, lost = done["readings"], done["lost"]
    carried = f"{counted(count, 'reading')} {'was' if count == 1 else 'were'} carried over"
    if not lost["inputs"]:
        return f"{carried}, and none is missing among them"
    since = lost["from"] or "the first"
    until = lost["to"] or "the last"
    gone = counted(lost["inputs"], "reading")
    return f"{carried}; {gone} between {since} and {until} could not be read"


EVERY_S = 60.0

_JOB = "tick"


class FromNow(BaseTrigger):  # type: ignore[misc]
    """Fires so many seconds from now on, whenever it is asked: what was missed is missed."""

    def __init__(self, every_s: float) -> None:
        self._every = timedelta(seconds=every_s)

    def get_next_fire_time(self, previous_fire_time: datetime | None, now: datetime) -> datetime:
        """Give the next time, which is always ahead of now."""
        del previous_fire_time
        return now + self._every


class Ticker:
    """Calls a function every so often, in a thread of its own, from the start on.

    Args:
        tick: short, and safe to call from another thread.
        every_s: the seconds between two calls.
    """

    def __init__(self, tick: Callable[[], None], every_s: float = EVERY_S) -> None:
        # It tells of every run otherwise.
        logging.getLogger("apscheduler").setLevel(logging.WARNING)
        self._scheduler = BackgroundScheduler(
            timezone=UTC, executors={"default": DebugExecutor()}, daemon=True
        )
        # However late: a tick that comes after a suspended night is as good as any.
        self._scheduler.add_job(
            tick, FromNow(every_s), id=_JOB, misfire_grace_time=None, coalesce=True
        )

    def start(self) -> None:
        """Begin, with a call at once."""
        self._scheduler.start()
        self.clock_stepped()

    def clock_stepped(self) -> None:
        """The wall clock was put forward or back: call at once, and count anew from there."""
        if self._scheduler.running:
            self._scheduler.modify_job(_JOB, next_run_time=datetime.now(UTC))

    def stop(self) -> None:
        """End; no call comes after this."""
        if self._scheduler.running:
            self._scheduler.shutdown(wait=True)


class SummaryMails:
    """Handed from the thread that has them made to the one that sends.

    Args:
        wanted: called when one is asked for that is not there, as after a restart.
    """

    def __init__(self, wanted: Callable[[], None]) -> None:
        self._wanted = wanted
        self._lock = threading.Lock()
        self._ready: dict[str, bytes] = {}
        self._errors: dict[str, str] = {}

    def put(self, notice_id: str, content: bytes) -> None:
        """Keep a mail until it is sent."""
        with self._lock:
            self._ready[notice_id] = content
            self._errors.pop(notice_id, None)

    def fail(self, notice_id: str, error: str) -> None:
        """Note why a mail can't be made; it will be tried again."""
        with self._lock:
            self._errors[notice_id] = error

    def keep_only(self, waiting: Collection[str]) -> None:
        """Forget the mails that are no longer waited for."""
        with self._lock:
            for notice_id in self._ready.keys() - set(waiting):
                del self._ready[notice_id]
            for notice_id in self._errors.keys() - set(waiting):
                del self._errors[notice_id]

    def has(self, notice_id: str) -> bool:
        """Whether a mail is there."""
        with self._lock:
            return notice_id in self._ready

    def compose(self, notice: Notice) -> bytes:
        """Give the mail of a notice.

        Raises:
            NotComposedError: it is not there yet, or can't be made.
        """
        with self._lock:
            content, error = self._ready.get(notice.id), self._errors.get(notice.id)
        if content is not None:
            return content
        self._wanted()
        if error is None:
            raise NotComposedError("the weekly summary is being made", in_the_making=True)
        raise NotComposedError(f"the weekly summary can't be made: {error}")


SETTLED_AFTER_MS = 600_000
"""After a start, or a step of the clock, what was on its way comes in first."""
RETRY_AFTER_MS = 600_000
_CHILD = "cabinetwatch.report.summary_mail"
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
        self._store_loop.put_and_wait(Batch(weeks=[week]), _COMMIT_PATIENCE_S)
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
        self._store_loop.put(Batch(notices=[notice]))
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
