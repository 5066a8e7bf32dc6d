"""Delivers notices: carries out what the queues say, and reports.

Any thread may call `add`, `observe` and `hurry`; all else belongs to the one thread that delivers.
A delivery serves the channels it is given carriers for and leaves the notices of others alone, so
that a service may run one for each channel: a mail server that hangs then holds up no siren.
"""

import logging
from collections.abc import Iterable, Mapping, Sequence
from queue import Empty, SimpleQueue
from typing import NamedTuple, Protocol
from zoneinfo import ZoneInfo

from cabinetwatch.config.model import Config
from cabinetwatch.notify.plan import (
    QuietHours,
    Repeats,
    plan_again,
    plan_digest,
    plan_repeat,
    plan_together,
)
from cabinetwatch.notify.queue import (
    Attempt,
    Carrier,
    ChannelQueue,
    Fault,
    Merge,
    Probe,
    Refusal,
    Send,
)
from cabinetwatch.store.records import Channel, Notice, Outcome
from cabinetwatch.watch.events import AlarmState, Transition

_Key = tuple[str, str]


class RetainedAlarms:
    """Follows what was published last of each alarm that is not normal.

    What stands and what was published are held apart: a transition that is not committed yet, or
    waits in the queue, must not be published ahead of its turn; and one that waited until its alarm
    was no longer in the configuration must not be published again.
    """

    def __init__(self) -> None:
        self._standing: set[_Key] = set()
        self._published: dict[_Key, Transition] = {}

    def restore(self, standing: Iterable[Transition]) -> None:
        """Go on after a restart, from the last transition of each alarm that is not normal."""
        for transition in standing:
            self._standing.add(_key(transition))
            self._published[_key(transition)] = transition

    def observe(self, transition: Transition) -> None:
        """Take a transition when it happens."""
        key = _key(transition)
        if transition.state is AlarmState.NORMAL:
            self._standing.discard(key)
            self._published.pop(key, None)
        else:
            self._standing.add(key)

    def published(self, transitions: Iterable[Transition]) -> None:
        """Take transitions when the broker has confirmed them."""
        for transition in transitions:
            key = _key(transition)
            if key in self._standing and transition.state is not AlarmState.NORMAL:
                self._published[key] = transition

    def all(self) -> list[Transition]:
        """Give what a broker should keep, in the order in which it happened."""
        return sorted(self._published.values(), key=lambda each: each.t)


def _key(transition: Transition) -> _Key:
    return transition.subject, transition.condition


_log = logging.getLogger(__name__)

WRITE_PATIENCE_MS = 10_000
"""How long a digest or repeat waits to be written down before it is told from memory."""

TOGETHER_MS = 60_000
"""How long the end of an alarm waits for those of the alarms that were raised in the same mail."""

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


class _Together:
    """Which alarms were raised in one mail, and which of them stand still. For the mails alone."""

    def __init__(self) -> None:
        self._groups: dict[str, tuple[frozenset[str], set[str]]] = {}

    def take(self, notice: Notice) -> tuple[frozenset[str], set[str]]:
        """Take a mail of raises or returns; give who was raised with it, and who of them stands."""
        group: tuple[frozenset[str], set[str]] = (frozenset(), set())
        if notice.channel != "email" or notice.kind not in ("raise", "return"):
            return group
        raised = frozenset(each.id for each in notice.transitions if each.is_raise)
        if len(raised) > 1:
            self._groups |= dict.fromkeys(raised, (raised, set(raised)))
            while len(self._groups) > _REMEMBERED:
                del self._groups[next(iter(self._groups))]
        for each in notice.transitions:
            group = self._groups.get(each.id, group)
            if each.is_return:
                group[1].discard(each.id)
        return group

    def observe(self, transition: Transition) -> None:
        """Take that an alarm has ended without a mail: nobody waits for it."""
        if transition.state is AlarmState.NORMAL and transition.id in self._groups:
            self._groups[transition.id][1].discard(transition.id)


class Delivery:
    """All the notices on their way, and the standing alarms to be told again.

    Notices that could not be committed are welcome: told from memory, they are not told again
    when they come once more after their commit, for the id stays the same.
    """

    def __init__(
        self, carriers: Mapping[Channel, Carrier], config: Config, listener: Listener
    ) -> None:
        self._carriers = carriers
        self._config = config
        self._listener = listener
        self._lanes = {channel: _lane(channel, carriers[channel], config) for channel in carriers}
        self._repeats = Repeats(config.notify.repeat_s)
        self._retained = RetainedAlarms()
        self._together = _Together()
        self._inbox: SimpleQueue[Notice | Transition | _Back] = SimpleQueue()
        self._known: dict[str, None] = {}
        self._being_written: dict[str, tuple[Notice, int]] = {}

    def restore(
        self,
        waiting: Iterable[tuple[Notice, Outcome | None]],
        standing: Iterable[Transition],
        told: Mapping[str, int],
        t: int,
    ) -> None:
        """Go on after a restart, before the first step.

        Args:
            waiting: The notices not yet delivered, oldest first, with their last outcome.
            standing: The last transition of each alarm that is not normal.
            told: When each occurrence was last told (`repeats.last_told`).
            t: Watch time now (ms).
        """
        settled, standing = [], list(standing)
        for notice, outcome in waiting:
            lane = self._lanes.get(notice.channel)
            if lane is not None and self._is_new(notice):
                self._together.take(notice)
                settled.append(lane.restore(notice, outcome, t))
        self._keep([], [outcome for outcome in settled if outcome is not None])
        self._repeats.restore(standing, told)
        self._retained.restore(standing)

    def add(self, notices: Iterable[Notice]) -> None:
        """Take notices to deliver, committed or not."""
        for notice in notices:
            self._inbox.put(notice)

    def observe(self, transitions: Iterable[Transition]) -> None:
        """Take every transition, in order: they start and end the repeats."""
        for transition in transitions:
            self._inbox.put(transition)

    def hurry(self, *, forgetful: bool = False) -> None:
        """Try at once what waits for a channel that was away: it is back. For any thread.

        A `forgetful` broker has lost what it knew of us, so it is told again what it should retain
        of every alarm that is not normal.
        """
        self._inbox.put(_Back(forgetful))

    def step(self, t: int, utc_ms: int) -> int | None:
        """Do at most one job on each channel.

        Args:
            t: Watch time now (ms); a retry is counted from here, not from the end of an attempt.
            utc_ms: The wall clock now (UTC, ms), for quiet hours alone.

        Returns:
            Watch time at which to call again if nothing new comes; None when nothing waits.
        """
        self._empty_inbox(t, utc_ms)
        self._take_unwritten(t)
        self._tell_again(t, utc_ms)
        for channel in self._lanes:
            self._work(channel, t, utc_ms)
        if not self._inbox.empty():
            return t
        dues = [lane.next_due_t(t, utc_ms) for lane in self._lanes.values()]
        dues += [due_t for _, due_t in self._being_written.values()]
        dues.append(self._repeats.next_due_t)
        return min((due_t for due_t in dues if due_t is not None), default=None)

    def _empty_inbox(self, t: int, utc_ms: int) -> None:
        while True:
            try:
                item = self._inbox.get_nowait()
            except Empty:
                return
            if isinstance(item, _Back):
                for lane in self._lanes.values():
                    lane.hurry(t)
                if item.forgetful:
                    self._remind(t, utc_ms)
            elif isinstance(item, Transition):
                self._repeats.observe([item])
                self._retained.observe(item)
                self._together.observe(item)
            elif self._being_written.pop(item.id, None) or self._is_new(item):
                self._take(item, t)

    def _take(self, notice: Notice, t: int) -> None:
        lane = self._lanes.get(notice.channel)
        if lane is None:
            return
        members, standing = self._together.take(notice)
        if notice.kind != "return" or not members:
            lane.add(notice, t)
        elif others := lane.withdraw_returns(members, notice.t - TOGETHER_MS):
            self._join([*others, notice], t)
        else:
            lane.add(notice, t, hold_until_t=notice.t + TOGETHER_MS if standing else 0)

    def _join(self, members: Sequence[Notice], t: int) -> None:
        joint = plan_together(members, self._config)
        self._write([joint], _merged(members, joint, t), t)

    def _remind(self, t: int, utc_ms: int) -> None:
        """Queue what the broker should retain, behind nothing: what waits for an alarm is newer."""
        lane = self._lanes.get("mqtt")
        if lane is None:
            return
        for notice in plan_again(self._retained.all(), self._config, t, utc_ms):
            (transition,) = notice.transitions
            if not lane.waits_for(transition.subject, transition.condition):
                lane.add(notice, t)

    def _take_unwritten(self, t: int) -> None:
        """Tell from memory what has waited too long to be written."""
        for notice, due_t in list(self._being_written.values()):
            if due_t <= t:
                del self._being_written[notice.id]
                self._take(notice, due_t)

    def _tell_again(self, t: int, utc_ms: int) -> None:
        for due in self._repeats.take_due(t):
            notices = [
                notice
                for notice in plan_repeat(due, self._config, t, utc_ms - t)
                if notice.channel in self._lanes and not self._still_untold(notice)
            ]
            self._write(notices, [], t)

    def _still_untold(self, notice: Notice) -> bool:
        """Whether the first word on these alarms is yet to get out: a second one adds nothing."""
        lane = self._lanes[notice.channel]
        return all(lane.has_yet_to_tell(transition.id) for transition in notice.transitions)

    def _work(self, channel: Channel, t: int, utc_ms: int) -> None:
        lane, carrier = self._lanes[channel], self._carriers[channel]
        job = lane.next_job(t, utc_ms)
        match job:
            case Send(notice, recipients):
                self._note(notice, lane.begin(notice.id, t))
                attempt = _send(carrier, notice, recipients)
                self._note(notice, lane.settle(notice.id, attempt, t))
                if channel == "mqtt" and attempt.accepted:
                    self._retained.published(notice.transitions)
            case Probe():
                attempt = _probe(carrier)
                lane.probed(attempt, t)
            case Merge(members):
                self._merge(members, t, utc_ms)
                return
            case None:
                return
        fault = None if attempt.told_elsewhere else lane.take_fault()
        if fault is not None:
            self._listener.channel_fault(channel, fault)

    def _merge(self, members: Sequence[Notice], t: int, utc_ms: int) -> None:
        digest = plan_digest(members, self._config, t, utc_ms - t)
        self._write([digest], _merged(members, digest, t), t)

    def _write(self, notices: Sequence[Notice], outcomes: Sequence[Outcome], t: int) -> None:
        """Have new notices written down; they set out when they come back through `add`."""
        for notice in notices:
            self._is_new(notice)
            self._being_written[notice.id] = (notice, t + WRITE_PATIENCE_MS)
        self._keep(notices, outcomes)

    def _note(self, notice: Notice, outcome: Outcome) -> None:
        """Have an outcome written down, but of what stands in no outbox."""
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


def _merged(members: Sequence[Notice], into: Notice, t: int) -> list[Outcome]:
    return [Outcome(each.id, "merged", t, merged_into=into.id) for each in members]


def _lane(channel: Channel, carrier: Carrier, config: Config) -> ChannelQueue:
    """Make the queue of a channel.

    What MQTT retains is the present state, which never waits for the morning.
    """
    span = config.notify.quiet
    quiet = None if span is None else QuietHours(*span, ZoneInfo(config.site.timezone))
    mail = channel == "email"
    return ChannelQueue(
        carrier.recipients,
        quiet_hours=None if channel == "mqtt" else quiet,
        digest_over=config.notify.digest_over if mail else None,
        in_order=not mail,
    )


def _probe(carrier: Carrier) -> Attempt:
    try:
        return carrier.probe()
    except Exception as error:  # noqa: BLE001 - whatever a server answers, the channel is tried again
        _log.exception("A channel could not be tried")
        return Attempt(unreachable=f"the channel could not be tried: {error}")


def _send(carrier: Carrier, notice: Notice, recipients: tuple[str, ...]) -> Attempt:
    try:
        return carrier.send(notice, recipients)
    except Exception as error:  # noqa: BLE001 - one bad notice must not stop all the others
        _log.exception("Notice %s could not be sent", notice.id)
        sentence = f"notice {notice.id} could not be sent: {error}"
        return Attempt(refused=dict.fromkeys(recipients, Refusal(sentence, permanent=True)))
