"""The thread that owns the store: gathers work, commits it, and keeps the store in order.

Whoever hands it work never waits for the disk, unless it asks to. While the disk refuses, what is
to be told is told from memory, messages are acknowledged, the oldest readings are dropped beyond a
bound, and the same work is tried again and again: never go blind to save a record.
"""

import logging
import threading
import time
from collections.abc import Callable, Generator, Mapping, Sequence
from itertools import chain
from typing import Any

from cabinetwatch.mqtt.backlog import MOST_SENT_AGAIN
from cabinetwatch.service.parts import Frame, WatchedPart
from cabinetwatch.store.database import is_sound
from cabinetwatch.store.place import (
    DamagedRecordError,
    DamagedStoreError,
    DiskRefusesError,
    ReplacedStoreError,
    take_report,
)
from cabinetwatch.store.records import Batch, Notice, Receipt
from cabinetwatch.store.store import Store
from cabinetwatch.store.upkeep import SPARE_PAGES, Keeping, Now
from cabinetwatch.text import StoreError, counted
from cabinetwatch.watch.events import Reading

_log = logging.getLogger(__name__)

SLOW_WRITE_S = 10.0
"""A write that takes longer is told as a store fault. It counts on a clock of its own, which stands
still while the machine is suspended and runs no faster than life: a disk knows no other time."""
RETRY_MS = 5_000
REFUSALS_BORNE = 3
"""A disk that refuses more often is let go between two tries, so that it can be mounted anew: the
kernel won't write to one again that it has made read-only after an error."""
HEARTBEAT_MS = 30_000
COMMANDS_EVERY_MS = 500
PROMPT_MESSAGES = 10
"""Without Receive Maximum a broker may stop at 20 unacknowledged messages: commit at half."""
PROMPT_MS = 1_000
CHECK_S = 30.0
"""How long the store may be looked through when somebody has found damage in it."""
MOST_HELD = 100_000
"""Readings held in memory while the store can't be written: about 20 MB."""
MOST_BEHIND = 50_000
"""Readings that wait for a store that works, but slower than they come: then no more are read."""
MOST_MINUTES_HELD = 360
"""Minutes of the devices' figures held likewise: with ten devices about 12 MB."""
PRUNE = "prune"
"""The command that is the store's own: the engine is not told of it."""
STORM_READINGS = 5_000
"""Commit before the flush is due when so many wait: bounds memory and the loss by a power cut."""


class StoreLoop(WatchedPart):
    """Writes what it is given, in order; see `put`.

    Args:
        acknowledge: takes the receipts of messages whose readings are on disk.
        deliver: takes notices that may be sent: committed, or reported from memory.
        report: takes (ok, error, readings lost) when writing fails or works again.
        command: takes (row id, command) of what people ask through the store, but for `prune`.
    """

    def __init__(
        self,
        store: Store,
        frame: Frame,
        *,
        acknowledge: Callable[[Sequence[Receipt]], None],
        deliver: Callable[[Sequence[Notice]], None],
        report: Callable[[bool, str, int], None],
        command: Callable[[int, Mapping[str, Any]], None],
    ) -> None:
        super().__init__("store", frame)
        config, now = frame.config.store, frame.watch.now_ms()
        self._store = store
        self._flush_ms = round(config.flush_s * 1000)
        self._acknowledge = acknowledge
        self._deliver = deliver
        self._report = report
        self._command = command
        self._changed = threading.Condition()
        self._pending: Batch | None = None
        self._pending_since_t = 0
        self._in_flight: Batch | None = None
        self._in_flight_since_s = 0.0
        self._prompt = False
        self._half_window: int | None = None
        self._failing = False
        self._damaged_writes = 0
        self._refusals = 0
        self._let_go = False
        self._retry_t = 0
        self._lost = 0
        self._last_commit_t = now
        # Until the engine's first word no more than the watch before had lived through.
        self._advanced_to = store.last_t() or now
        self._offset_ms = frame.watch.offset_ms
        self._next_poll_t = 0
        self._taken_commands: set[int] = set()
        self._housekeeping = Housekeeping(store, Keeping.of(config), now)

    # -- called by the engine's thread ----------------------------------------------------------

    def put(self, work: Batch) -> None:
        """Take over work; it is committed soon, together with what is already waiting."""
        told_now: list[Notice] = []
        with self._changed:
            if self._pending is None:
                self._pending = work
                self._pending_since_t = self._watch.now_ms()
            else:
                self._pending.append(work)
            if self._failing:
                told_now = list(work.notices)
                self._relieve()
            self._changed.notify()
        if told_now:
            self._deliver(told_now)

    def put_and_wait(self, work: Batch, patience_s: float) -> None:
        """Take over work and return once it is on disk, the store fails, or patience ends.

        Before the thread runs there is nothing to wait for.
        """
        written = threading.Event()
        work.done.append(written)
        self.put(work)
        if self._thread.is_alive() and not self._failing:
            written.wait(patience_s)

    def connected(self, receive_maximum: int | None) -> None:
        """Learn how many messages the broker sends before it waits for us."""
        with self._changed:
            self._prompt = receive_maximum is None
            self._half_window = (receive_maximum or 2 * PROMPT_MESSAGES) // 2
            self._changed.notify()

    def supervise(self) -> None:
        """Find a write that hangs: its thread can't tell it itself."""
        with self._changed:
            work, since_s = self._in_flight, self._in_flight_since_s
        if work is not None and not self._failing and time.monotonic() - since_s > SLOW_WRITE_S:
            self._fail("a write has been going on for more than 10 s", hanging=work)

    @property
    def behind(self) -> bool:
        """Whether so much waits to be written that no more should come for now.

        Never while the store fails: what can't be written is reported from memory, and dropped.
        """
        pending = self._pending
        return pending is not None and len(pending.inputs) > MOST_BEHIND and not self._failing

    @property
    def failing(self) -> bool:
        """Whether the store can't be written now."""
        return self._failing

    def stop(self) -> None:
        """Ask the thread to write what waits and end."""
        with self._changed:
            self._stopping = True
            self._changed.notify()

    # -- the thread -----------------------------------------------------------------------------

    def run(self) -> None:
        """Commit and look for commands until stopped."""
        while True:
            work = self._next_work()
            self.progress_t = self._watch.now_ms()
            if work is not None:
                self._commit(work)
            if self._stopping and (self._failing or self._pending is None):
                if self._failing:
                    held = chain.from_iterable(work.inputs for work in self._held())
                    say_lost(self._lost + sum(isinstance(item, Reading) for item in held))
                return
            self._look_for_commands()
            self._keep_house()

    def _next_work(self) -> Batch | None:
        """Wait until something is due, at most until the next look for commands."""
        with self._changed:
            now = self._watch.now_ms()
            due_t = min(self._due_t(now), self._next_poll_t)
            if not self._failing:
                due_t = min(due_t, self._housekeeping.due_t)
            if due_t > now and not self._stopping:
                self._changed.wait(self._clock.real_s((due_t - now) / 1000))
            now = self._watch.now_ms()
            if self._pending is None or (self._due_t(now) > now and not self._stopping):
                return None
            work, self._pending = self._pending, None
            self._in_flight, self._in_flight_since_s = work, time.monotonic()
            return work

    def _due_t(self, now: int) -> int:
        """When what waits must be written (watch ms)."""
        pending = self._pending
        if pending is None:
            return now + COMMANDS_EVERY_MS
        if self._failing:
            return self._retry_t
        if pending.urgent or len(pending.inputs) >= STORM_READINGS:
            return now
        # So many that the broker might stop.
        most = PROMPT_MESSAGES if self._prompt else self._half_window
        if most is not None and len(pending.receipts) >= most:
            return now
        if pending.empty:
            return self._last_commit_t + HEARTBEAT_MS
        prompt = self._prompt and pending.receipts
        return self._pending_since_t + (PROMPT_MS if prompt else self._flush_ms)

    def _commit(self, work: Batch) -> None:
        if work.advanced_to is None or work.offset_ms is None:
            work.advanced_to, work.offset_ms = self._advanced_to, self._offset_ms
        self._advanced_to, self._offset_ms = work.advanced_to, work.offset_ms
        try:
            if self._let_go:
                self._store.take_up()
                self._let_go = False
            self._store.commit(work)
        except StoreError as error:
            with self._changed:
                # Before what has come since.
                self._in_flight = None
                if self._pending is not None:
                    work.append(self._pending)
                self._pending = work
            self._fail(str(error))
            self._bear(error)
            return
        finally:
            with self._changed:
                self._in_flight = None
        self._damaged_writes = self._refusals = 0
        with self._changed:
            receipts = work.take_receipts(len(work.receipts))
        self._last_commit_t = self._watch.now_ms()
        self._taken_commands.difference_update(row for row, _ in work.handled)
        for event in work.done:
            event.set()
        if receipts:
            self._acknowledge(receipts)
        if work.notices:
            self._deliver(work.notices)
        with self._changed:
            recovered, lost = self._failing, self._lost
            if recovered:
                self._failing, self._lost = False, 0
                self._store.say_writes(can=True)
                self._report(True, "", lost)
        if recovered:
            _log.warning("the store can be written again; %d readings were lost", lost)

    def _fail(self, error: str, hanging: Batch | None = None) -> None:
        """Tell of the fault once, and from now on from memory.

        Where a write hangs another thread finds it: by now that write may be over, or have failed.
        """
        with self._changed:
            if hanging is not None and self._in_flight is not hanging:
                return
            self._retry_t = self._watch.now_ms() + RETRY_MS
            known, self._failing = self._failing, True
            unwritten = [notice for work in self._held() for notice in work.notices]
            self._relieve()
            if not known:
                self._store.say_writes(can=False)
                self._report(False, error, self._lost)
        if not known:
            _log.error("store fault: %s", error)
            self._deliver(unwritten)

    def _bear(self, error: StoreError) -> None:
        """Do what a fault asks for beside waiting.

        A damaged file is tried once more; then this ends, so that the daemon sets it aside. A disk
        that goes on refusing is let go of. When another store has come in its place only a new
        start helps. What was not acknowledged the broker sends again.

        Raises:
            StoreError: this can't go on.
        """
        if isinstance(error, DamagedStoreError):
            self._damaged_writes += 1
            if self._damaged_writes > 1:
                raise error
        if isinstance(error, ReplacedStoreError):
            raise error
        if isinstance(error, DiskRefusesError):
            self._refusals += 1
            if self._refusals >= REFUSALS_BORNE and not self._let_go:
                _log.warning("the store is let go of, so that its disk can be mounted anew")
                self._store.let_go()
                self._let_go = True

    def _held(self) -> list[Batch]:
        return [work for work in (self._in_flight, self._pending) if work is not None]

    def _relieve(self) -> None:
        """Never go blind to save a record: let the broker go on sending, whatever the disk does.

        The oldest are acknowledged first, those in a write that hangs before those that wait.
        """
        held = self._held()
        excess = sum(len(work.receipts) for work in held) - (self._half_window or PROMPT_MESSAGES)
        for work in held:
            if excess > 0:
                receipts = work.take_receipts(excess)
                excess -= len(receipts)
                self._acknowledge(receipts)
        if self._pending is not None:
            self._lost += _give_up_oldest(self._pending)

    def _look_for_commands(self) -> None:
        now = self._watch.now_ms()
        if now < self._next_poll_t:
            return
        self._next_poll_t = now + COMMANDS_EVERY_MS
        if self._let_go:
            return
        self._look_for_reports()
        try:
            waiting = self._store.take_commands()
        except StoreError as error:
            _log.debug("no commands can be read: %s", error)
            return
        for row, command in waiting:
            if row in self._taken_commands:
                continue
            self._taken_commands.add(row)
            if not isinstance(command, dict):
                self.put(Batch(handled=[(row, {"ok": False, "text": "That is no command."})]))
            elif command.get("command") == PRUNE:
                self._housekeeping.ask(row, now)
            else:
                self._command(row, command)

    def _look_for_reports(self) -> None:
        """Take what others who read the store say of it: damage ends this, as at a commit.

        Raises:
            DamagedStoreError: it is so.
        """
        report = take_report(self._store.path)
        if report is None:
            return
        kind = DamagedRecordError if report.by_content else DamagedStoreError
        error = kind(report.error)
        if not report.by_content and is_sound(self._store.path, CHECK_S):
            _log.warning("said of the store, which can be read all the same: %s", error)
            return
        self._fail(str(error))
        raise error

    def _keep_house(self) -> None:
        """Do a step of upkeep, if one is due and nothing is wrong."""
        now = self._watch.now_ms()
        if self._failing or now < self._housekeeping.due_t:
            return
        answers = self._housekeeping.step(Now(now, now + self._offset_ms))
        after = self._watch.now_ms()
        self._housekeeping.rest(after - now, after)
        self.progress_t = after
        if answers:
            self.put(Batch(handled=list(answers)))


def say_lost(readings: int) -> None:
    """Write to the log what an end amid a fault of the store costs."""
    if readings:
        went = f"{counted(readings, 'reading')} {'is' if readings == 1 else 'are'} lost"
        _log.error("the store could not be written: %s, but for what the broker sends again", went)


def _give_up_oldest(work: Batch) -> int:
    """Keep what waits within bounds, however long it has to; say how many readings went."""
    del work.window[:-MOST_SENT_AGAIN]
    del work.figures[:-MOST_MINUTES_HELD]
    excess = len(work.inputs) - MOST_HELD
    # Some more than the most, so that not all are gone through for each that comes.
    if excess <= MOST_HELD // 100:
        return 0
    kept = []
    dropped = 0
    for item in work.inputs:
        # Never a journal entry.
        if dropped < excess and isinstance(item, Reading):
            dropped += 1
        else:
            kept.append(item)
    work.inputs = kept
    return dropped


ROUND_MS = 3_600_000
"""Seldom enough that what a round writes is little, beside the readings themselves."""
_AFTER_THE_HOUR_MS = 30_000
"""What belongs to the hour has been written by then."""
_FIRST_ROUND_MS = 60_000
PRUNE_AFTER_MS = 3_600_000
"""Nothing is let go in the first hour: by then a clock that woke up wrong has been set."""
_REST = 4
"""A step is followed by so many times its own length of rest."""
LITTLE_LEFT_DAYS = 30
"""A disk that will be full sooner is worth a word."""
_WARN_EVERY_MS = 86_400_000

Round = Generator[object, None, str]
"""Steps, each short; at the end a sentence on what came of them."""

Answer = tuple[int, dict[str, Any]]
"""The row of a command, and its result."""


def thorough_round(store: Store, now: Now, keeping: Keeping) -> Round:
    """Bring the tiers up, let go of all that is old, and give all the space back."""
    before = store.room().bytes
    yield from store.tidy(now)
    gone = 0
    for rows in store.clear(now, keeping, spare_pages=0):
        gone += rows
        yield rows
    return (
        f"{gone or 'No'} row{'' if gone == 1 else 's'} pruned; the store takes "
        f"{megabytes(store.room().bytes)} now, and took {megabytes(before)} before."
    )


def megabytes(size: float) -> str:
    """Write a size for people."""
    return f"{size / 1e6:z.1f} MB"


class Housekeeping:
    """The rounds of upkeep. Owned by the store's thread, which calls `step` when it has time.

    `due_t` (watch ms) says when there is something to do.
    """

    def __init__(self, store: Store, keeping: Keeping, started_t: int) -> None:
        self._store = store
        self._keeping = keeping
        self._started_t = started_t
        self._round: Round | None = None
        self._asked: list[int] = []
        self._answering: list[int] = []
        self._next_warning_t = started_t
        self.due_t = started_t + _FIRST_ROUND_MS

    def ask(self, row: int, now_t: int) -> None:
        """Begin a thorough round next, for the command in `row`."""
        self._asked.append(row)
        self.due_t = min(self.due_t, now_t)

    def step(self, now: Now) -> list[Answer]:
        """Do the next step, if one is due; give the commands that it answers."""
        if now.t < self.due_t:
            return []
        if self._round is None:
            self._answering, self._asked = self._asked, []
            if self._answering:
                self._round = thorough_round(self._store, now, self._keeping)
            else:
                self._round = self._ordinary_round(now)
        try:
            next(self._round)
        except StopIteration as end:
            return self._end(now, ok=True, text=str(end.value))
        except StoreError as error:
            _log.warning("the store's upkeep was given up for now: %s", error)
            return self._end(now, ok=False, text=str(error))
        return []

    def rest(self, took_ms: int, now_t: int) -> None:
        """Leave time to others after a step that took so long, when its round goes on."""
        if self._round is not None:
            self.due_t = now_t + _REST * took_ms

    def _end(self, now: Now, *, ok: bool, text: str) -> list[Answer]:
        """Close the round and say when the next is due."""
        self._round = None
        since_round_ms = (now.utc_ms - _AFTER_THE_HOUR_MS) % ROUND_MS
        self.due_t = now.t if self._asked else now.t + ROUND_MS - since_round_ms
        answers: list[Answer] = [(row, {"ok": ok, "text": text}) for row in self._answering]
        self._answering = []
        return answers

    def _ordinary_round(self, now: Now) -> Round:
        """Bring the tiers up, let some go that is old; warn once a day of a disk soon full."""
        yield from self._store.tidy(now)
        if now.t - self._started_t >= PRUNE_AFTER_MS:
            yield from self._store.clear(now, self._keeping, SPARE_PAGES)
        days = self._store.room().days_left
        if days is not None and days < LITTLE_LEFT_DAYS and now.t >= self._next_warning_t:
            self._next_warning_t = now.t + _WARN_EVERY_MS
            _log.warning("the disk of the store will be full in %.0f days, as it grows now", days)
        return ""
