"""The notices waiting for one channel, and which is to be tried next.

Watch time decides on everything but quiet hours, which are the wall clock's.
"""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple, Protocol

from cabinetwatch.notify.plan import QuietHours, retry_delay_ms
from cabinetwatch.store.records import Notice, Outcome, Status
from cabinetwatch.watch.events import Priority


class Refusal(NamedTuple):
    """Why somebody was not told: one sentence, and whether trying again is useless."""

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


class Carrier(Protocol):
    """A channel: it carries one notice at a time, and blocks no longer than its time limits."""

    @property
    def recipients(self) -> tuple[str, ...]:
        """Everybody whom this channel tells."""
        ...

    def send(self, notice: Notice, recipients: tuple[str, ...]) -> Attempt:
        """Try once to deliver a notice to these recipients."""
        ...

    def probe(self) -> Attempt:
        """Find out whether the channel can be reached, without delivering anything."""
        ...


_RANKS = {Priority.HIGH: 0, Priority.MEDIUM: 1, Priority.LOW: 2}

_CHANNEL = ""
"""Stands among the recipients' faults for the channel as a whole."""


class Send(NamedTuple):
    """Try to deliver this notice to these recipients."""

    notice: Notice
    recipients: tuple[str, ...]


class Merge(NamedTuple):
    """So many wait that one digest should tell them; the lane has let go of them."""

    members: tuple[Notice, ...]


class Probe(NamedTuple):
    """Find out first whether the channel works again: only then is a digest worth making."""


Job = Send | Merge | Probe


class Fault(NamedTuple):
    """Whether a channel delivers, and if not, why, and whether that is final for some notice."""

    ok: bool
    permanent: bool = False
    error: str = ""


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
    def rank(self) -> int:
        """How urgent it is: 0 for high. What a summary tells can wait, whatever it lists."""
        if self.notice.kind == "summary":
            return _RANKS[Priority.LOW]
        return min((_RANKS[each.priority] for each in self.notice.transitions), default=2)

    @property
    def alarms(self) -> set[tuple[str, str]]:
        """Subject and condition of each alarm that it tells of."""
        return _alarms(self.notice)

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

    def take(self, attempt: Attempt) -> None:
        """Note what an attempt that reached the channel brought."""
        self.unreachable = ""
        self.recipients_done += attempt.accepted
        for recipient in attempt.accepted:
            self.refusals.pop(recipient, None)
        self.refusals.update(attempt.refused)
        self.may_be_known |= attempt.in_doubt


class ChannelQueue:
    """The queue of one channel.

    `recipients` are everybody to be told. In `quiet_hours` all but high and test notices wait.
    More than `digest_over` notices become one (None: never). `in_order` keeps the transitions of
    one alarm in their order, for channels where the last word counts: a retained message, a siren.
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

    def add(self, notice: Notice, t: int, hold_until_t: int = 0) -> None:
        """Take a new notice; it is worth a try at once, however long the channel has been away.

        One that is held for others goes when a newer one of the same alarm comes.
        """
        for other in self._pending.values():
            if other.attempts == 0 and other.alarms & _alarms(notice):
                other.due_t = min(other.due_t, t)
        self._pending.setdefault(notice.id, _Pending(notice, due_t=max(t, hold_until_t)))
        self._failures = 0
        self._not_before_t = min(self._not_before_t, t)

    def hurry(self, t: int) -> None:
        """The channel is known to be back at `t`: don't wait for the next try that was due."""
        self._failures = 0
        self._not_before_t = min(self._not_before_t, t)

    def restore(self, notice: Notice, outcome: Outcome | None, t: int) -> Outcome | None:
        """Take a notice that waited when the watch ended, with what was known of it.

        Returns:
            Its outcome if nobody is left to be told (a recipient was taken out meanwhile).
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

    def withdraw_returns(self, occurrences: Collection[str], since_t: int) -> list[Notice]:
        """Take back what was to tell the returns of these occurrences and nobody has heard of."""
        found = [
            pending.notice
            for pending in self._pending.values()
            if pending.notice.kind == "return"
            and pending.notice.t >= since_t
            and pending.attempts == 0
            and pending.can_merge
            and all(each.id in occurrences for each in pending.notice.transitions)
        ]
        for notice in found:
            del self._pending[notice.id]
        return found

    def waits_for(self, subject: str, condition: str) -> bool:
        """Whether a notice of this alarm waits here."""
        return any(
            (each.subject, each.condition) == (subject, condition)
            for pending in self._pending.values()
            for each in pending.notice.transitions
        )

    def has_yet_to_tell(self, occurrence: str) -> bool:
        """Whether a raise of this occurrence waits here of which nobody has heard yet."""
        return any(
            not pending.recipients_done
            and any(each.id == occurrence and each.is_raise for each in pending.notice.transitions)
            for pending in self._pending.values()
        )

    def next_job(self, t: int, utc_ms: int) -> Job | None:
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
        if self._are_too_many(members):
            for member in members:
                del self._pending[member.id]
            return Merge(members)
        # What failed before comes after the rest, so that no single notice holds up the others.
        first = min(ready, key=lambda each: (each.attempts, each.rank, each.notice.t))
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
        return pending.outcome(self._recipients, t)

    def settle(self, notice_id: str, attempt: Attempt, t: int) -> Outcome:
        """Take the result of an attempt, and give the outcome to write down."""
        pending = self._pending[notice_id]
        self.probed(attempt, t)
        if attempt.unreachable is not None:
            pending.attempts -= 1
            pending.unreachable = attempt.unreachable
        else:
            pending.take(attempt)
            pending.due_t = t + retry_delay_ms(pending.attempts)
            if not pending.remaining(self._recipients):
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
        self._note_faults(attempt)

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
        seen: set[tuple[str, str]] = set()
        free = []
        for pending in self._pending.values():
            alarms = pending.alarms
            held = quiet and pending.rank > 0 and pending.notice.kind != "test"
            if not held and not (self._in_order and seen & alarms):
                free.append(pending)
            seen |= alarms
        return free

    def _are_too_many(self, notices: Sequence[Notice]) -> bool:
        """Whether a digest should tell these; one that waits counts for all that it tells."""
        if self._digest_over is None or len(notices) < 2:
            return False
        weights = (len(each.transitions) if each.kind == "digest" else 1 for each in notices)
        return sum(weights) > self._digest_over

    def _note_faults(self, attempt: Attempt) -> None:
        """Note who fails and who no longer does; that a probe succeeds tells of neither."""
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


def _alarms(notice: Notice) -> set[tuple[str, str]]:
    return {(each.subject, each.condition) for each in notice.transitions}


def _sentences(refusals: Mapping[str, Refusal]) -> str:
    """Join the reasons, each once: a server that refuses a mail refuses it to everybody."""
    return "; ".join(dict.fromkeys(refusal.error for refusal in refusals.values()))
