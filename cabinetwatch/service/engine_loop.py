"""The thread that owns the engine: what comes goes in, and what follows is handed on.

It waits for nobody but the clock: messages are taken in turns, work goes to the store's thread, and
notices to the channels'. `Ingest` makes readings of messages: repeats recognised, payload decoded,
backlog dated. Nothing from outside ends the thread: a message or a command at which something
raises is set aside, logged, acknowledged, and reported as `input-refused`.
"""

import logging
from collections.abc import Callable, Hashable, Iterable, Iterator, Mapping, Sequence
from typing import Any, NamedTuple

from cabinetwatch.clock import WatchTime
from cabinetwatch.config.model import Config
from cabinetwatch.mqtt.backlog import (
    Backlog,
    Inbox,
    ProblemLog,
    Refused,
    Released,
    Repeats,
    UnheardCounts,
    UnreadableCounts,
    identify,
)
from cabinetwatch.mqtt.decoding import Decoder
from cabinetwatch.mqtt.link import (
    WINDOW_WITHOUT_MAXIMUM,
    ConnectionEvent,
    Incoming,
    excerpt,
    excerpt_of_bytes,
)
from cabinetwatch.notify.plan import Planner
from cabinetwatch.service.parts import Frame, WatchedPart
from cabinetwatch.service.publisher import Publisher
from cabinetwatch.service.store_loop import StoreLoop
from cabinetwatch.store.codecs import DAY_MS, FigureSampler
from cabinetwatch.store.records import Batch, Notice, Receipt, Repeatable
from cabinetwatch.store.replay import SAVED_STATE, pack_state
from cabinetwatch.text import describe_duration, printable, to_rfc3339
from cabinetwatch.watch.engine import Engine
from cabinetwatch.watch.events import (
    LONGEST_EXCERPT,
    MOST_SUBJECTS,
    Account,
    Entry,
    EntryKind,
    Quality,
    Reading,
    Transition,
    describe_error,
)

_log = logging.getLogger(__name__)


SAMPLE_EVERY_MS = 10_000
TICK_MS = 1_000
SAVE_STATE_MS = 600_000
COUNT_EVERY_MS = 60_000
"""How often the counts of unreadable messages go along with what is written anyway."""
REFUSED_EVERY_MS = 60_000
"""How often what was set aside is written into the journal: whatever is sent, it stays small."""
PAUSE_MS = 10_000
"""The thread looks around once a second at least. When it did not for so long in life, the process
was stopped or starved, or its machine suspended: no load of the watch's own takes that long. What
is shorter stays below the on-delays. Our choice."""
MOST_IN_A_ROUND = 500
"""Messages taken before time is looked at again, so that a storm can't hold up a deadline."""
MOST_READINGS_IN_A_ROUND = 4_000
"""The same for what packs hold: the next is not begun beyond this."""
MOST_WAITING = 1_000
"""Readings of one sensor, with times of their own, that are judged within `lateness_s`: each waits
for its turn in memory. Our choice; a sensor of ten readings a second has 50 in five seconds."""
_DATED_AT_ARRIVAL = {Quality.LIVE, Quality.RETAINED}


class Command(NamedTuple):
    """What somebody asked: through the store (with its row) or over MQTT (without)."""

    data: Mapping[str, Any]
    row: int | None = None


class EngineInput(NamedTuple):
    """News for the engine from another part; dated when the engine takes it."""

    kind: EntryKind
    data: Mapping[str, Any]


class _Stop:
    """The last thing in the inbox."""


Other = ConnectionEvent | Command | EngineInput | _Stop
Item = Incoming | Refused | Other


class _Every:
    """Falls due now and then, first at once or after `first_ms`."""

    def __init__(self, ms: int, now: int, first_ms: int = 0) -> None:
        self._ms = ms
        self.next_t = now + first_ms

    def is_due(self, now: int) -> bool:
        """Whether it is time; if so it begins anew."""
        if now < self.next_t:
            return False
        self.next_t = now + self._ms
        return True


class Ingest:
    """Takes messages in their order and gives the readings they bring.

    A message's receipt, and the mark by which its repeat is known, go into the work that holds the
    last of its readings: neither may be on disk, or known to the broker, before. Owned by the
    engine's thread.
    """

    def __init__(
        self,
        config: Config,
        watch: WatchTime,
        window: Iterable[Repeatable],
        last_live_t: Mapping[str, int],
    ) -> None:
        self.problems = ProblemLog()
        self.unreadable = UnreadableCounts()
        self.unheard = UnheardCounts()
        self._decoder = Decoder(config.sensors)
        self._watch = watch
        self._lateness_ms = round(config.site.lateness_s * 1000)
        self._keep_raw_days = config.store.keep_raw_days
        # By sensor: the number of a span of the lateness, and how many began to wait in it.
        self._waiting: dict[str, tuple[int, int]] = {}
        self._repeats = Repeats(window)
        intervals = {name: sensor.interval_s for name, sensor in config.sensors.items()}
        self._backlog = Backlog(intervals, last_live_t)

    def connection(self, event: ConnectionEvent, work: Batch) -> list[Reading]:
        """Take news of the connection; what was held back from before it comes out."""
        if not event.up:
            return self._let_go(self._backlog.disconnected(), work)
        # Messages are taken in turns, not in the order of their arrival: those of two windows may
        # be taken after one that the broker has yet to hear of.
        window = None if event.receive_maximum is None else 2 * event.receive_maximum
        self._repeats.connected(session_present=event.session_present, receive_maximum=window)
        released = self._backlog.connected(
            event.t,
            session_present=event.session_present,
            window=event.receive_maximum or WINDOW_WITHOUT_MAXIMUM,
        )
        return self._let_go(released, work)

    def paused(self, t: int, work: Batch) -> list[Reading]:
        """Nobody took anything until now: what waited comes in a burst, as after a reconnect."""
        return self._let_go(self._backlog.paused(t), work)

    def unread(self, unread: Mapping[str, str], t: int, utc_ms: int) -> None:
        """Count one message that can't be read for some sensors; see `UnreadableCounts.note`."""
        self.unreadable.note(unread, t, utc_ms)
        self.unheard.note_unread(unread)

    def is_new(self, message: Incoming, work: Batch) -> bool:
        """Whether a message is no repeat; a repeat is acknowledged and otherwise passed over."""
        if self._repeats.is_repeat(message):
            work.receipts.append(Receipt(message.epoch, message.packet_id))
            return False
        if message.qos:
            self._repeats.take(identify(message))
        return True

    def receive(self, message: Incoming, work: Batch) -> list[Reading]:
        """Take a new message and give the readings that are ready."""
        arrived_utc_ms = self._watch.utc_ms(message.t)
        decoded = self._decoder.decode(message.topic, message.payload, arrived_utc_ms)
        if decoded.problems:
            self._leave_out(message, decoded.unread, decoded.problems)
        readings: list[Reading] = []
        undated: list[tuple[str, float]] = []
        too_old: dict[str, int] = {}
        for sensor, value, own_utc_ms in decoded.values:
            if own_utc_ms is None or message.retain:
                undated.append((sensor, value))
                continue
            before_ms = arrived_utc_ms - own_utc_ms
            if before_ms > self._keep_raw_days * DAY_MS:
                too_old[sensor] = own_utc_ms
            elif before_ms < 0:
                # A clock that is ahead; the value is there all the same.
                undated.append((sensor, value))
            else:
                readings.append(self._timed(message, sensor, value, own_utc_ms))
            if before_ms < -DAY_MS:
                ahead = (
                    f"{sensor}: its time lies ahead, at {to_rfc3339(own_utc_ms)}; dated at arrival"
                )
                self.problems.note(message.topic, [ahead], message.t)
        if too_old:
            # They would be pruned as soon as they were written.
            sensor, utc_ms = next(iter(too_old.items()))
            problem = (
                f"{sensor}: its time, {to_rfc3339(utc_ms)}, lies further back than single readings"
                f" are kept ({self._keep_raw_days} days); check the clock of its node"
            )
            self._leave_out(message, dict.fromkeys(too_old, problem), [problem])
        return readings + self._let_go(self._backlog.take(message, undated), work)

    def set_aside(self, message: Incoming, work: Batch) -> None:
        """Take that a message could not be dealt with: it is acknowledged, and no repeat is new."""
        if Receipt(message.epoch, message.packet_id) not in work.receipts:
            self.done_with(message, work)

    def sensors_of(self, topic: str) -> tuple[str, ...]:
        """Give the sensors that a topic feeds: its messages keep their order with those."""
        return self._decoder.sensors_of(topic)

    def refuse(self, message: Incoming, work: Batch) -> None:
        """Pass over a message of which more come than can be judged: count it and let it go."""
        problem = "more arrives than can be judged; left out, so that no other sensor has to wait"
        unread = dict.fromkeys(self.sensors_of(message.topic), problem)
        self._leave_out(message, unread, [problem])
        work.receipts.append(Receipt(message.epoch, message.packet_id))

    def done_with(self, message: Incoming, work: Batch) -> None:
        """Note in `work` what is due once a message's content is on disk."""
        if message.qos:
            work.receipts.append(Receipt(message.epoch, message.packet_id))
            work.window.append(identify(message))

    def _leave_out(
        self, message: Incoming, unread: Mapping[str, str], problems: Sequence[str]
    ) -> None:
        """Log why a message, or a part of it, is left out, and count it for its sensors."""
        self.problems.note(message.topic, problems, message.t)
        self.unread(unread, message.t, self._watch.utc_ms(message.t))

    def _timed(self, message: Incoming, sensor: str, value: float, own_utc_ms: int) -> Reading:
        """Give a reading with the payload's own time.

        What is late, or one of too many to wait for their turn, is kept and not judged.
        """
        own_t = own_utc_ms - self._watch.offset_ms
        if own_t + self._lateness_ms < message.t:
            self.unheard.note_late(sensor, message.t - own_t)
            return Reading(sensor, own_t, value, Quality.LATE)
        span = message.t // max(self._lateness_ms, 1)
        began, waiting = self._waiting.get(sensor, (span, 0))
        waiting = waiting + 1 if span == began else 1
        self._waiting[sensor] = span, waiting
        if waiting <= MOST_WAITING:
            return Reading(sensor, own_t, value, Quality.TIMED)
        if waiting == MOST_WAITING + 1:
            within = describe_duration(self._lateness_ms / 1000)
            problem = f"{sensor}: more than {MOST_WAITING:,} readings within {within}"
            self.problems.note(message.topic, [f"{problem}; the rest is not judged"], message.t)
        return Reading(sensor, own_t, value, Quality.LATE)

    def _let_go(self, released: Released, work: Batch) -> list[Reading]:
        for message in released.messages:
            self.done_with(message, work)
        return released.readings

    def deadline(self) -> int | None:
        """When something held back must be released although nothing comes (watch ms)."""
        return self._backlog.deadline()

    def due(self, t: int, work: Batch) -> list[Reading]:
        """Give what has been held back long enough at watch time `t` (ms)."""
        return self._let_go(self._backlog.due(t), work)

    def rest(self, work: Batch) -> list[Reading]:
        """Give everything held back: the watch is about to stop."""
        return self._let_go(self._backlog.disconnected(), work)


class EngineLoop(WatchedPart):
    """Feeds the engine and hands on what follows: to the store, and to who tells it.

    `told` takes the transitions, `stepped` hears that the wall clock was set.
    """

    def __init__(
        self,
        engine: Engine,
        frame: Frame,
        ingest: Ingest,
        store_loop: StoreLoop,
        publisher: Publisher,
        *,
        client_id: str,
        told: Callable[[list[Transition]], None],
        stepped: Callable[[], None],
    ) -> None:
        super().__init__("engine", frame)
        self._engine = engine
        self._config = frame.config
        self._ingest = ingest
        self._store_loop = store_loop
        self._publisher = publisher
        self._client_id = client_id
        self._told = told
        self._stepped = stepped
        self._planner = Planner()
        self._lateness_ms = round(frame.config.site.lateness_s * 1000)
        self._inbox: Inbox[Other] = Inbox(self._order_of, last=(ConnectionEvent, _Stop))
        self._work = Batch()
        self._sampler = FigureSampler()
        now = frame.watch.now_ms()
        self._tick_due = _Every(TICK_MS, now)
        self._sample_due = _Every(SAMPLE_EVERY_MS, now)
        self._count_due = _Every(COUNT_EVERY_MS, now)
        self._save_due = _Every(SAVE_STATE_MS, now, SAVE_STATE_MS)
        self._refused: dict[str, dict[str, Any]] = {}
        self._refused_due = _Every(REFUSED_EVERY_MS, now)
        self._looked_ms = frame.clock.life_ms()
        self._accounts: Mapping[str, Account] = {}

    # -- called by other threads --------------------------------------------------------------

    def post(self, item: Incoming | Other) -> None:
        """Give the engine something.

        News of the connection keeps its place among the messages; a command or word of another
        part is taken before those that wait.
        """
        self._inbox.put(item)

    @property
    def full(self) -> bool:
        """Whether no more messages should be read from the network for now."""
        return self._inbox.full

    def account(self, incident: str) -> Account | None:
        """Give the account of an incident as it was a second ago at most; None if it is gone.

        By its ID or that of one of its alarms: notices of an earlier version know no incident.
        """
        accounts = self._accounts
        named = (each for each in accounts.values() if incident in each.alarms)
        return accounts.get(incident) or next(named, None)

    def stop(self) -> None:
        """Ask the thread to take what has been posted so far and end."""
        self._inbox.put(_Stop())

    # -- before the thread starts ---------------------------------------------------------------

    def begin(self, entries: list[Entry]) -> None:
        """Tell the engine the journal entries of a start and hand them to the store."""
        lost = [each for each in self._engine.refused if each.subject == SAVED_STATE]
        self._engine.refused.clear()
        for entry in entries:
            self._work.inputs.append(entry)
            if entry.kind is EntryKind.START:
                self._ingest.unreadable.begin(entry.t)
            if entry.kind is EntryKind.CONFIG:
                self._follow(self._engine.configure(self._config, entry.t))
            else:
                self._follow(self._engine.tell(entry))
        for refusal in lost:
            self._set_aside(refusal.subject, refusal.excerpt, refusal.error)
        # What waits from before is on its way before the first tick: it is told as it is now.
        self._attempt("the accounts of incidents", self._account)
        self._work.state = pack_state(self._engine)
        self._hand_over()

    # -- the thread -----------------------------------------------------------------------------

    def run(self) -> None:
        """Take what comes, and let time pass, until stopped."""
        self._looked_ms = self._clock.life_ms()
        while not self._stopping:
            self._round()
        self._observe(self._ingest.rest(self._work))
        self._work.figures += self._sampler.rest()
        self._work.unreadable += self._ingest.unreadable.take()
        self._tell_refused()
        self._tell_unheard(None)
        self._tell(EntryKind.STOP, {})
        self._attempt("the saved state", self._save)
        self._hand_over()

    def _round(self) -> None:
        for item in self._wait():
            self._take(item)
        # Before the look: what this shows of a pause, that has noticed.
        now = self._now()
        self._look_for_pause()
        self._observe(self._ingest.due(now, self._work))
        self._follow(self._engine.advance(now))
        self._log_refused()
        if self._tick_due.is_due(now):
            self._tick(now)
        if not self._work.empty:
            self._hand_over()
        self.progress_t = now

    def _wait(self) -> Iterator[Item]:
        """Give what has come, in turns, waiting until something does or something falls due."""
        now = self._watch.now_ms()
        due_t = min(self._engine.next_t, self._tick_due.next_t)
        held_until_t = self._ingest.deadline()
        if held_until_t is not None:
            due_t = min(due_t, held_until_t)
        wait_s = max(self._clock.real_s(max(0.0, due_t - now) / 1000), 0.0005)
        inputs = self._work.inputs
        most = len(inputs) + MOST_READINGS_IN_A_ROUND
        for _ in range(MOST_IN_A_ROUND):
            item = self._inbox.take(wait_s)
            if item is None:
                return
            yield item
            if len(inputs) >= most:
                return
            wait_s = 0.0

    def _look_for_pause(self) -> None:
        """Tell the engine where it did not run: what nobody listened for was not silent."""
        before_ms, self._looked_ms = self._looked_ms, self._clock.life_ms()
        if self._looked_ms - before_ms < PAUSE_MS:
            return
        ran_until_t, now = self._engine.now, self._now()
        _log.warning(
            "the watch did not run for %s: its process was stopped or starved, or this machine"
            " suspended; what was not heard in that time does not count as silent",
            describe_duration((now - ran_until_t) / 1000),
        )
        self._tell(EntryKind.PAUSE, {"ran_until_ms": ran_until_t})
        self._observe(self._ingest.paused(now, self._work))

    def _order_of(self, message: Incoming) -> Hashable:
        """Give what a message must keep its order with; a command waits for no sensor."""
        if self._publisher.is_command(message):
            return Command
        return self._ingest.sensors_of(message.topic)

    def _take(self, item: Item) -> None:
        """Deal with an item. One that raises is set aside: nothing from outside ends the watch."""
        self._look_for_pause()
        try:
            match item:
                case Incoming():
                    self._receive(item)
                case Refused():
                    self._ingest.refuse(item.message, self._work)
                case ConnectionEvent():
                    self._connection(item)
                case EngineInput():
                    self._tell(item.kind, item.data)
                case Command():
                    self._command(item)
                case _Stop():
                    self._stopping = True
        except Exception as error:  # noqa: BLE001 - logged, reported, and the next item is taken
            why = describe_error(error)
            if isinstance(item, Incoming):
                self._ingest.set_aside(item, self._work)
                self._set_aside(item.topic, excerpt_of_bytes(item.payload, LONGEST_EXCERPT), why)
                return
            if isinstance(item, Command) and item.row is not None:
                answer = {"ok": False, "text": f"It can't be carried out ({why})."}
                self._work.handled.append((item.row, answer))
            self._set_aside(type(item).__name__, repr(item), why)

    def _receive(self, message: Incoming) -> None:
        if not self._ingest.is_new(message, self._work):
            return
        if self._publisher.is_command(message):
            # It is acknowledged with the next commit.
            self._ingest.done_with(message, self._work)
            command = self._publisher.read_command(message, self._now())
            if command is not None:
                self._command(Command(command))
            return
        self._observe(self._ingest.receive(message, self._work))
        if self._engine.refused:
            self._log_refused(message)

    def _connection(self, event: ConnectionEvent) -> None:
        if event.up:
            present = {"session_present": event.session_present, "client_id": self._client_id}
            self._tell(EntryKind.CONNECT, present)
            self._store_loop.connected(event.receive_maximum)
            self._publisher.connected(self._now())
            self._tick_due.next_t = self._now()
            if not event.session_present:
                self._work.window.clear()
        else:
            self._tell(EntryKind.DISCONNECT, {"reason": event.reason, "end": event.end})
        self._observe(self._ingest.connection(event, self._work))

    def _command(self, command: Command) -> None:
        self._tell(EntryKind.COMMAND, command.data)
        answer = self._engine.answer
        if answer is None:
            return
        said = (command.data.get(key) for key in ("by", "address"))
        who = ", from ".join(printable(str(each)) for each in said if each)
        name = command.data.get("command")
        _log.info("command %s%s: %s", name, who and f" (by {who})", answer.text)
        if command.row is not None:
            self._work.handled.append((command.row, {"ok": answer.ok, "text": answer.text}))

    # -- the engine -----------------------------------------------------------------------------

    def _now(self) -> int:
        """Watch time, never before what the engine has been told already."""
        return max(self._watch.now_ms(), self._engine.now)

    def _observe(self, readings: list[Reading]) -> None:
        now = self._engine.now
        for reading in readings:
            reading = self._in_time(reading, now)  # noqa: PLW2901
            self._work.inputs.append(reading)
            transitions = self._engine.observe(reading)
            if transitions:
                self._follow(transitions)
            now = self._engine.now

    def _in_time(self, reading: Reading, now: int) -> Reading:
        """Give a reading as the engine may take it, time having gone on since it arrived.

        What is dated at arrival is judged now, so it is dated now. What has a time of its own and
        should have been judged already is late: a replay, which knows no delays of ours, would
        judge it at another instant.
        """
        if reading.quality in _DATED_AT_ARRIVAL:
            return reading if reading.t >= now else reading._replace(t=now)
        if reading.quality is Quality.TIMED and reading.t + self._lateness_ms <= now:
            self._ingest.unheard.note_late(reading.sensor, now - reading.t)
            return reading._replace(quality=Quality.LATE)
        return reading

    def _tell(self, kind: EntryKind, data: Mapping[str, Any], *, may_wait: bool = False) -> None:
        entry = Entry(self._now(), kind, data)
        self._work.inputs.append(entry)
        # Rare, and `status` reads the connection out of it: not to wait for a flush.
        self._work.journaled |= not may_wait
        self._follow(self._engine.tell(entry))

    def _follow(self, transitions: list[Transition]) -> None:
        """Hand on transitions with the notices they cause."""
        if not transitions:
            return
        self._attempt("the accounts of incidents", self._account)
        self._work.transitions += transitions
        self._work.notices += self._plan(transitions)
        self._told(transitions)
        for each in transitions:
            impaired = each.subject == "site" and each.is_raise
            _log.log(
                logging.WARNING if impaired else logging.INFO,
                "%s %s %s: %s%s",
                *(each.subject, each.condition, each.state, each.text),
                # Whoever looks why the watch itself ails looks here first.
                f" {each.response}" if impaired else "",
            )

    def _plan(self, transitions: list[Transition]) -> list[Notice]:
        """Give the notices; a transition that none can be made of takes no other with it."""
        try:
            return self._planner.plan(transitions, self._engine)
        except Exception as error:  # noqa: BLE001 - logged and reported
            if len(transitions) > 1:
                return [notice for each in transitions for notice in self._plan([each])]
            only = transitions[0]
            self._set_aside(f"{only.subject}/{only.condition}", only.text, describe_error(error))
            return []

    # -- what can't be dealt with ---------------------------------------------------------------

    def _set_aside(self, subject: str, shown: str, why: str) -> None:
        """Log what was set aside, and have the engine told of it before long."""
        shown = excerpt(shown, 2 * LONGEST_EXCERPT)
        if subject not in self._refused and len(self._refused) >= MOST_SUBJECTS:
            subject = "others"
        counted = self._refused.setdefault(subject, {"messages": 0})
        counted |= {"messages": counted["messages"] + 1, "excerpt": shown, "error": why}
        if counted["messages"] == 1:
            _log.error(
                "%s was set aside, it can't be dealt with (%s): %s",
                *(excerpt(subject), excerpt(why, 2 * LONGEST_EXCERPT), shown),
            )

    def _attempt(self, what: str, work: Callable[[], None]) -> None:
        """Do what tells of the present; where that raises, the watch itself goes on."""
        try:
            work()
        except Exception as error:  # noqa: BLE001 - logged and reported
            self._set_aside(what, "", describe_error(error))

    def _tell_refused(self) -> None:
        """Have the engine told of what was set aside before it came so far."""
        refused, self._refused = self._refused, {}
        for subject, counted in refused.items():
            self._tell(EntryKind.REFUSED, {"subject": subject} | counted)

    def _tell_unheard(self, now: int | None) -> None:
        """Have the engine told of what comes and can't be judged; it may wait for a flush."""
        sensors = self._ingest.unheard.take(now)
        if sensors:
            self._tell(EntryKind.UNHEARD, {"sensors": sensors}, may_wait=True)

    def _log_refused(self, message: Incoming | None = None) -> None:
        """Write down what the engine could not judge: log and store keep it, with its bytes."""
        said = "" if message is None else excerpt_of_bytes(message.payload, 2 * LONGEST_EXCERPT)
        while self._engine.refused:
            refusal = self._engine.refused.popleft()
            why, shown = excerpt(refusal.error, 2 * LONGEST_EXCERPT), excerpt(refusal.excerpt)
            _log.error(
                "%s was set aside, it can't be judged (%s): %s%s",
                *(excerpt(refusal.subject), why, shown, f", out of {said}" if said else ""),
            )
            if refusal.sensor:
                problem = f"can't be judged ({why}): {said or shown}"
                utc_ms = refusal.t + self._engine.offset_ms
                self._ingest.unread({refusal.subject: problem}, refusal.t, utc_ms)

    # -- now and then ---------------------------------------------------------------------------

    def _tick(self, now: int) -> None:
        offset_ms = self._watch.remeasure()
        if offset_ms is not None:
            self._tell(EntryKind.OFFSET, {"offset_ms": offset_ms})
            self._stepped()
            self._publisher.hurry(now)
        self._store_loop.supervise()
        self._attempt("the accounts of incidents", self._account)
        accounts = self._accounts.values()
        self._attempt(
            "what is published", lambda: self._publisher.tick(self._engine, accounts, now)
        )
        if self._refused and self._refused_due.is_due(now):
            self._tell_refused()
        self._tell_unheard(now)
        if self._sample_due.is_due(now):
            self._attempt("the figures", lambda: self._sample(now))
        if self._count_due.is_due(now):
            self._work.unreadable += self._ingest.unreadable.take()
        if self._save_due.is_due(now):
            self._attempt("the saved state", self._save)
        # Even with nothing to write, how far the watch has come must reach the store in time.
        self._hand_over()

    def _account(self) -> None:
        """Let who tells people have what is wrong, as it is now."""
        self._accounts = {each.id: each for each in self._engine.accounts()}

    def _sample(self, now: int) -> None:
        utc_ms = now + self._engine.offset_ms
        self._work.figures += self._sampler.sample(utc_ms, self._engine.device_figures())

    def _save(self) -> None:
        self._work.state = pack_state(self._engine)

    def _hand_over(self) -> None:
        work, self._work = self._work, Batch()
        work.advanced_to, work.offset_ms = self._engine.now, self._engine.offset_ms
        self._store_loop.put(work)
