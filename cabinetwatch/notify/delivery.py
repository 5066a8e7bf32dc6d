"""How notices get to people: a queue for each channel, and the delivery that works them off.

A `ChannelQueue` knows what waits for one channel and says what is to be tried next; it touches no
network and no clock. Everything that is sent goes through one, and so everything is tried again in
the same way. `Delivery` carries out what the queues say, reports active alarms again, and says how
the channels do. Watch time decides on everything but quiet hours, which are the wall clock's.
"""

import logging
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from queue import SimpleQueue
from typing import NamedTuple, Protocol

from cabinetwatch.config.model import Config
from cabinetwatch.mqtt.link import backoff_s
from cabinetwatch.notify.people import Line, Told
from cabinetwatch.notify.plan import (
    AlarmKey,
    Present,
    QuietHours,
    Repeats,
    Retained,
    alarm_key,
    can_wait,
    is_mailed,
    plan_again,
    plan_digest,
    plan_repeat,
    priority_of,
    quiet_hours,
)
from cabinetwatch.store.records import Channel, Notice, Outcome, Status
from cabinetwatch.watch.events import Priority, Transition

_log = logging.getLogger(__name__)

_FIRST_RETRY_S = 10.0
_LONGEST_RETRY_S = 300.0


class Refusal(NamedTuple):
    """Why somebody was not notified: one sentence, and whether trying again is useless."""

    error: str
    permanent: bool = False


@dataclass(frozen=True, slots=True)
class Attempt:
    """One attempt to deliver one notice.

    Each recipient tried is in `accepted` or in `refused`, unless `unreachable` says that the
    channel was never got hold of; nothing was handed over then, and nobody was refused. `in_doubt`:
    the connection broke so late that the channel may have taken the notice all the same.
    `connection_lost`: whoever comes next should wait, too. `told_elsewhere`: another alarm tells
    of this trouble, so it is no delivery fault.
    """

    accepted: tuple[str, ...] = ()
    refused: Mapping[str, Refusal] = field(default_factory=dict)
    unreachable: str | None = None
    in_doubt: bool = False
    connection_lost: bool = False
    told_elsewhere: bool = False

    @classmethod
    def refusing(
        cls, recipients: Iterable[str], sentence: str, *, permanent: bool = False
    ) -> "Attempt":
        """Give one in which none of these were notified, all for one reason."""
        return cls(refused=dict.fromkeys(recipients, Refusal(sentence, permanent)))


class Carrier(Protocol):
    """A channel: it carries one notice at a time, and blocks no longer than its time limits."""

    recipients: tuple[str, ...]
    """Everybody whom this channel tells."""

    def send(self, notice: Notice, recipients: tuple[str, ...]) -> Attempt:
        """Try once to deliver a notice to these recipients."""
        ...

    def probe(self) -> Attempt:
        """Find out whether the channel can be reached, without delivering anything."""
        ...


class Send(NamedTuple):
    """Try to deliver this notice to these recipients."""

    notice: Notice
    recipients: tuple[str, ...]


class Probe(NamedTuple):
    """Find out first whether the channel works again: only then is a digest worth making."""


class Merge(NamedTuple):
    """So many wait that one digest should tell them; the queue has let go of them."""

    members: tuple[Notice, ...]


class Fault(NamedTuple):
    """Whether a channel delivers, and if not, why, and whether that is final for some notice."""

    ok: bool
    permanent: bool = False
    error: str = ""


def retry_delay_ms(failures: int) -> int:
    """Give the wait after the given number of failures in a row: 10 s, doubling to 5 min."""
    return round(1000 * backoff_s(failures, _FIRST_RETRY_S, _LONGEST_RETRY_S))


_CHANNEL = ""
"""Stands among the recipients' faults for the channel as a whole."""


@dataclass(slots=True)
class _Pending:
    """A notice that waits, with what is known of it.

    `may_be_known`: an attempt may have reached somebody without our knowing, so the notice keeps
    its Message-ID and joins no digest.
    """

    notice: Notice
    recipients_done: tuple[str, ...] = ()
    refusals: dict[str, Refusal] = field(default_factory=dict)
    unreachable: str = ""
    attempts: int = 0
    due_t: int = 0
    may_be_known: bool = False

    @property
    def turn(self) -> tuple[int, int, int]:
        """What decides which comes first: no single notice that fails holds up the others."""
        urgency = list(Priority).index(priority_of(self.notice))
        return self.attempts, urgency, self.notice.t

    @property
    def can_merge(self) -> bool:
        """Whether a digest may tell it instead: nobody has heard of it, nobody turned it down."""
        settled = self.may_be_known or self.recipients_done or self.given_up
        return not settled and self.notice.kind not in ("test", "summary")

    @property
    def given_up(self) -> list[str]:
        """The recipients who refused it for good."""
        return [recipient for recipient, refusal in self.refusals.items() if refusal.permanent]

    def remaining(self, recipients: Iterable[str]) -> tuple[str, ...]:
        """Give those who are still to be told, out of its own recipients or else the channel's."""
        settled = {*self.recipients_done, *self.given_up}
        return tuple(each for each in self.notice.recipients or recipients if each not in settled)

    def outcome(self, recipients: Iterable[str], t: int) -> Outcome:
        """Give what became of it so far."""
        status: Status = "delivered" if self.recipients_done else "failed"
        return Outcome(
            notice_id=self.notice.id,
            status="waiting" if self.remaining(recipients) else status,
            t=t,
            attempts=self.attempts,
            error=self.unreachable or _sentences(self.refusals),
            recipients_done=self.recipients_done,
        )


class ChannelQueue:
    """What waits for one channel, and which of it is to be tried next.

    `recipients` are everybody to be notified. In `quiet_hours` all but high and test notices wait.
    More than `digest_over` notices become one (None: never). `in_order` keeps the transitions of
    one alarm in their order, for channels where the last word counts: a retained message, a siren;
    and the mails that tell of no alarm.
    """

    def __init__(
        self,
        recipients: tuple[str, ...],
        *,
        quiet_hours: QuietHours | None = None,
        digest_over: int | None = None,
        in_order: bool = False,
    ) -> None:
        self._recipients = recipients
        self._quiet_hours = quiet_hours
        self._digest_over = digest_over
        self._in_order = in_order
        self._pending: dict[str, _Pending] = {}
        self._down = False
        self._failures = 0
        self._not_before_t = 0
        self._faults: dict[str, Refusal] = {}
        self._told_fault: Fault | None = None

    def __len__(self) -> int:
        return len(self._pending)

    def add(self, notice: Notice, t: int) -> None:
        """Take a new notice; it is worth a try at once, however long the channel has been away."""
        self._pending.setdefault(notice.id, _Pending(notice, due_t=t))
        self.hurry(t)

    def hurry(self, t: int) -> None:
        """The channel is worth a try at `t`: don't wait for the next one that was due."""
        self._failures = 0
        self._not_before_t = min(self._not_before_t, t)

    def restore(self, notice: Notice, outcome: Outcome | None, t: int) -> Outcome | None:
        """Take a notice that waited when the watch ended, with what was known of it.

        Returns its outcome if nobody is left to be told: a recipient was taken out meanwhile.
        """
        pending = _Pending(notice)
        if outcome is not None:
            pending.recipients_done = outcome.recipients_done
            pending.attempts = outcome.attempts
            pending.may_be_known = outcome.attempts > 0
        if not pending.remaining(self._recipients):
            return pending.outcome(self._recipients, t)
        self._pending.setdefault(notice.id, pending)
        return None

    def waits_for(self, key: AlarmKey) -> bool:
        """Whether a notice of an alarm, or of an incident, waits here."""
        return any(key in _alarms(each.notice) for each in self._pending.values())

    def take_back(self, is_needless: Callable[[Notice], bool]) -> list[Notice]:
        """Let go of what is needless by now, where nobody can have heard of it."""
        waiting = [each.notice for each in self._pending.values() if each.can_merge]
        needless = [notice for notice in waiting if is_needless(notice)]
        for notice in needless:
            del self._pending[notice.id]
        return needless

    def has_yet_to_tell(self, occurrence: str) -> bool:
        """Whether a raise of this occurrence waits here of which nobody has heard yet."""
        return any(
            not pending.recipients_done
            and any(each.id == occurrence and each.is_raise for each in pending.notice.transitions)
            for pending in self._pending.values()
        )

    def next_job(self, t: int, utc_ms: int) -> Send | Probe | Merge | None:
        """Say what to do now; None when everything has to wait."""
        if t < self._not_before_t:
            return None
        free = self._free(utc_ms)
        ready = [pending for pending in free if pending.due_t <= t]
        if not ready:
            return None
        if self._down:
            return Probe()
        members = tuple(pending.notice for pending in free if pending.can_merge)
        # One that is a digest already counts for all that it tells.
        count = sum(len(each.accounts) or 1 for each in members)
        if self._digest_over is not None and len(members) > 1 and count > self._digest_over:
            for member in members:
                del self._pending[member.id]
            return Merge(members)
        first = min(ready, key=lambda each: each.turn)
        return Send(first.notice, first.remaining(self._recipients))

    def next_due_t(self, t: int, utc_ms: int) -> int | None:
        """Watch time of the next job if nothing new comes; None when nothing waits."""
        if not self._pending:
            return None
        dues = [max(pending.due_t, self._not_before_t) for pending in self._free(utc_ms)]
        if self._quiet_hours is not None:
            quiet_until_ms = self._quiet_hours.quiet_until(utc_ms)
            if quiet_until_ms is not None:
                dues.append(t + quiet_until_ms - utc_ms)
        return max(t, min(dues))

    def begin(self, notice_id: str, t: int) -> Outcome:
        """Note that an attempt starts, and give the outcome to write down ahead of it.

        After a kill, a notice that was being tried may have arrived; it must not come again in a
        digest, under another Message-ID.
        """
        pending = self._pending[notice_id]
        pending.attempts += 1
        pending.unreachable = ""
        return pending.outcome(self._recipients, t)

    def settle(self, notice_id: str, attempt: Attempt, t: int) -> Outcome:
        """Take the result of an attempt, and give the outcome to write down."""
        pending = self._pending[notice_id]
        self.probed(attempt, t)
        if attempt.unreachable is not None:
            pending.attempts -= 1
            pending.unreachable = attempt.unreachable
            return pending.outcome(self._recipients, t)
        pending.recipients_done += attempt.accepted
        for recipient in attempt.accepted:
            pending.refusals.pop(recipient, None)
        pending.refusals.update(attempt.refused)
        pending.may_be_known |= attempt.in_doubt
        if pending.remaining(self._recipients):
            pending.due_t = t + retry_delay_ms(pending.attempts)
        else:
            del self._pending[notice_id]
        return pending.outcome(self._recipients, t)

    def probed(self, attempt: Attempt, t: int) -> None:
        """Take what an attempt or a probe says of the channel itself."""
        self._down = attempt.unreachable is not None
        if self._down or attempt.connection_lost:
            self._failures += 1
            self._not_before_t = t + retry_delay_ms(self._failures)
        else:
            self._failures = 0
        # Who fails, and who no longer does; that a probe succeeds tells of neither.
        if attempt.told_elsewhere:
            return
        if attempt.unreachable is not None:
            self._faults[_CHANNEL] = Refusal(attempt.unreachable)
            return
        if attempt.accepted or attempt.refused:
            self._faults.pop(_CHANNEL, None)
        for recipient in attempt.accepted:
            self._faults.pop(recipient, None)
        self._faults.update(attempt.refused)

    def take_fault(self) -> Fault | None:
        """Give the state of the channel if it has changed since last asked.

        The first word after a start is given even when all is well: the watch may still believe
        in a fault from before.
        """
        fault = Fault(
            ok=not self._faults,
            permanent=any(refusal.permanent for refusal in self._faults.values()),
            error=_sentences(self._faults),
        )
        if fault == self._told_fault:
            return None
        self._told_fault = fault
        return fault

    def _free(self, utc_ms: int) -> list[_Pending]:
        """Give what neither quiet hours nor an earlier notice of its alarm holds back."""
        quiet = self._quiet_hours is not None and self._quiet_hours.quiet_at(utc_ms)
        seen: set[AlarmKey] = set()
        free: list[_Pending] = []
        for pending in self._pending.values():
            alarms = _alarms(pending.notice)
            held = quiet and can_wait(pending.notice)
            if not held and not (self._in_order and seen & alarms):
                free.append(pending)
            seen |= alarms
        return free


def carry_out(
    job: Send | Probe,
    queue: ChannelQueue,
    carrier: Carrier,
    t: int,
    note: Callable[[Notice, Outcome], None] = lambda *_: None,
) -> Attempt:
    """Do what a queue says, and have it take the result; `note` gets each outcome as it changes."""
    if isinstance(job, Probe):
        try:
            attempt = carrier.probe()
        except Exception as error:  # noqa: BLE001 - whatever a server answers, it is tried again
            _log.exception("A channel could not be tried")
            attempt = Attempt(unreachable=f"the channel could not be tried: {error}")
        queue.probed(attempt, t)
        return attempt
    notice, recipients = job
    note(notice, queue.begin(notice.id, t))
    try:
        attempt = carrier.send(notice, recipients)
    except Exception as error:  # noqa: BLE001 - one bad notice must not stop all the others
        _log.exception("Notice %s could not be sent", notice.id)
        sentence = f"notice {notice.id} could not be sent: {error}"
        attempt = Attempt.refusing(recipients, sentence, permanent=True)
    note(notice, queue.settle(notice.id, attempt, t))
    return attempt


def _alarms(notice: Notice) -> set[AlarmKey]:
    """Give the incidents and alarms that a notice tells of; what tells of none is of one kind."""
    told = {("incident", account.id) for account in notice.accounts}
    return told | {alarm_key(each) for each in notice.transitions} or {("", notice.kind)}


def _sentences(refusals: Mapping[str, Refusal]) -> str:
    """Join the reasons, each once: a server that refuses a mail refuses it to everybody."""
    return "; ".join(dict.fromkeys(refusal.error for refusal in refusals.values()))


WRITE_PATIENCE_MS = 10_000
"""How long a digest or repeat waits to be written down before it is reported from memory."""

_REMEMBERED = 10_000
"""Notice ids kept to tell a notice that comes twice: years of ordinary life, one bad day."""


class Listener(Protocol):
    """Who writes down what the delivery reports. Called in the thread that delivers."""

    def keep(self, notices: Sequence[Notice], outcomes: Sequence[Outcome]) -> None:
        """Commit these together.

        New notices have to come back through `Delivery.add` once they are committed, or at once
        when the store fails. The outcome that runs ahead of an attempt has attempts above zero and
        status waiting; where this call returns only after the commit, not even a kill at the
        worst instant can bring a mail a second time within a digest.
        """
        ...

    def channel_fault(self, channel: Channel, fault: Fault) -> None:
        """Take that a channel fails, or works again."""
        ...


class _Back(NamedTuple):
    """Stands in the inbox for `Delivery.hurry`."""

    forgetful: bool


class Delivery:
    """The notices of one channel on their way, and the active alarms to be reported again.

    Any thread may call `add`, `observe` and `hurry`, which `wake` the one thread that delivers; all
    else belongs to that. Each channel has one of its own, so a mail server that hangs holds up no
    siren. Notices that could not be committed are welcome: reported from memory, they are not told
    again when they come once more after their commit, for the id stays the same. All deliveries of
    a service share what they know of who was `told`.
    """

    def __init__(
        self,
        channel: Channel,
        carrier: Carrier,
        config: Config,
        listener: Listener,
        *,
        present: Present | None = None,
        told: Told | None = None,
        wake: Callable[[], None] = lambda: None,
    ) -> None:
        self.channel, self._carrier = channel, carrier
        self._wake = wake
        self._config = config
        self._listener = listener
        self._present = present
        self._told = told or Told()
        self._line = Line(channel, config, self._told) if channel in config.notify.mailed else None
        is_mail = is_mailed(channel, config)
        self._queue = ChannelQueue(
            carrier.recipients,
            quiet_hours=quiet_hours(channel, config),
            digest_over=config.notify.digest_over if is_mail else None,
            in_order=not is_mail,
        )
        self._repeats = Repeats(config.notify.repeat_s)
        self._retained = Retained()
        self._inbox: SimpleQueue[Notice | Transition | _Back] = SimpleQueue()
        self._known: dict[str, None] = {}
        self._being_written: dict[str, tuple[Notice, int]] = {}

    def restore(
        self,
        waiting: Iterable[tuple[Notice, Outcome | None]],
        standing: Iterable[Transition],
        lived: Sequence[Transition],
        told: Mapping[str, int],
        t: int,
    ) -> None:
        """Go on after a restart, before the first step.

        What is `waiting` is oldest first and with its last outcome. `standing` are the last
        transitions of alarms that are not normal, `lived` all of the incidents that are on, oldest
        first; `told` says when each occurrence was last reported (`plan.last_told`).
        """
        settled, standing = [], list(standing)
        if self._line is not None:
            self._line.restore(lived, standing)
        for notice, outcome in waiting:
            if notice.channel == self.channel and self._is_new(notice):
                is_tried = outcome is not None and outcome.attempts > 0
                if is_tried or not self._keeps_back(notice):
                    settled.append(self._queue.restore(notice, outcome, t))
        self._keep([], [outcome for outcome in settled if outcome is not None])
        self._repeats.restore(standing, told)
        for transition in standing:
            self._retained.observe(transition)
            self._retained.published(transition)

    def add(self, notices: Iterable[Notice]) -> None:
        """Take notices, committed or not; those of other channels are left alone."""
        for notice in notices:
            if notice.channel == self.channel:
                self._inbox.put(notice)
        self._wake()

    def observe(self, transitions: Iterable[Transition]) -> None:
        """Take every transition, in order: they start and end the repeats."""
        for transition in transitions:
            self._inbox.put(transition)
        self._wake()

    def hurry(self, *, forgetful: bool = False) -> None:
        """Try at once what waits for a channel that was away: it is back. For any thread.

        A `forgetful` broker has lost what it knew of us, so it is told again what it should retain
        of every alarm that is not normal.
        """
        self._inbox.put(_Back(forgetful))
        self._wake()

    def step(self, t: int, utc_ms: int) -> int | None:
        """Do at most one job, at watch time `t`; `utc_ms` is for quiet hours alone.

        Retries are counted from `t`, not from the end of an attempt. Returns the watch time (ms) at
        which to call again if nothing new comes; None when nothing waits.
        """
        self._empty_inbox(t, utc_ms)
        for notice, due_t in list(self._being_written.values()):
            if due_t <= t:
                # It has waited too long to be written, and is reported from memory.
                del self._being_written[notice.id]
                self._take(notice, due_t)
        if self._line is not None:
            self._let_in(self._line, t, utc_ms)
        for due in self._repeats.take_due(t):
            account = None if self._present is None else self._present(due.incident)
            if account is not None and not account.is_present:
                # It comes and goes, and is away just now: nobody is called for that.
                continue
            again = plan_repeat(due, account, self._config, t, utc_ms - t)
            self._write([each for each in again if self._is_worth_repeating(each)], [], t)
        self._work(t, utc_ms)
        if not self._inbox.empty():
            return t
        dues = [self._queue.next_due_t(t, utc_ms), self._repeats.next_due_t]
        dues += [due_t for _, due_t in self._being_written.values()]
        if self._line is not None:
            dues.append(self._line.next_due_t)
        return min((due_t for due_t in dues if due_t is not None), default=None)

    def _empty_inbox(self, t: int, utc_ms: int) -> None:
        while not self._inbox.empty():
            item = self._inbox.get()
            if isinstance(item, _Back):
                self._queue.hurry(t)
                if item.forgetful:
                    self._remind(t, utc_ms)
            elif isinstance(item, Transition):
                self._repeats.observe(item)
                self._retained.observe(item)
                if self._line is not None:
                    self._line.observe(item)
            elif self._being_written.pop(item.id, None) or self._is_new(item):
                self._take(item, t)

    def _take(self, notice: Notice, t: int) -> None:
        if not self._keeps_back(notice):
            self._queue.add(notice, t)

    def _keeps_back(self, notice: Notice) -> bool:
        """Whether a notice is held for now because it may prove needless."""
        if self._line is None:
            return False
        on_their_way = {key for each, _ in self._being_written.values() for key in _alarms(each)}
        is_told = any(
            self._told.told_t(account.id, self.channel) is not None
            or self._queue.waits_for(("incident", account.id))
            or ("incident", account.id) in on_their_way
            for account in notice.accounts
        )
        return self._line.takes(notice, is_told=is_told)

    def _let_in(self, line: Line, t: int, utc_ms: int) -> None:
        """Let what was held go to the queue once it is due, and withdraw what is not needed."""
        needless, due = line.step(t)
        needless += self._queue.take_back(line.is_answered)
        self._keep([], [Outcome(each.id, "withdrawn", t) for each in needless])
        for members in due:
            if len(members) > 1:
                self._merge(members, t, utc_ms)
            else:
                self._queue.add(members[0], t)

    def _remind(self, t: int, utc_ms: int) -> None:
        """Queue what the broker should retain, behind nothing: what waits for an alarm is newer."""
        if self.channel == "mqtt":
            for notice in plan_again(self._retained.all(), self._config, t, utc_ms):
                if not self._queue.waits_for(alarm_key(notice.transitions[0])):
                    self._queue.add(notice, t)

    def _is_worth_repeating(self, notice: Notice) -> bool:
        """Whether the first word on any of its alarms has got out, so that a second adds to it."""
        if notice.channel != self.channel or (self._line and self._line.holds(notice)):
            return False
        return not all(self._queue.has_yet_to_tell(each.id) for each in notice.transitions)

    def _work(self, t: int, utc_ms: int) -> None:
        job = self._queue.next_job(t, utc_ms)
        if job is None:
            return
        if isinstance(job, Merge):
            self._merge(job.members, t, utc_ms)
            return
        attempt = carry_out(job, self._queue, self._carrier, t, self._note)
        if self.channel == "mqtt" and attempt.accepted and isinstance(job, Send):
            for transition in job.notice.transitions:
                self._retained.published(transition)
        fault = None if attempt.told_elsewhere else self._queue.take_fault()
        if fault is not None:
            self._listener.channel_fault(self.channel, fault)

    def _merge(self, members: Sequence[Notice], t: int, utc_ms: int) -> None:
        into = plan_digest(members, self._config, t, utc_ms - t)
        merged = [Outcome(each.id, "merged", t, merged_into=into.id) for each in members]
        self._write([into], merged, t)

    def _write(self, notices: Sequence[Notice], outcomes: Sequence[Outcome], t: int) -> None:
        """Have new notices written down; they set out when they come back through `add`."""
        for notice in notices:
            self._is_new(notice)
            self._being_written[notice.id] = (notice, t + WRITE_PATIENCE_MS)
        self._keep(notices, outcomes)

    def _note(self, notice: Notice, outcome: Outcome) -> None:
        """Have an outcome written down, unless the outbox does not hold the notice."""
        self._told.note(notice, outcome)
        if notice.kind != "again":
            self._keep([], [outcome])

    def _keep(self, notices: Sequence[Notice], outcomes: Sequence[Outcome]) -> None:
        if notices or outcomes:
            self._listener.keep(notices, outcomes)

    def _is_new(self, notice: Notice) -> bool:
        """Remember a notice; False when it has been here before."""
        if notice.id in self._known:
            return False
        self._known[notice.id] = None
        if len(self._known) > _REMEMBERED:
            del self._known[next(iter(self._known))]
        return True
