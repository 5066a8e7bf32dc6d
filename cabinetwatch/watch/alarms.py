"""Every alarm of a site: its life cycle (ISA-18.2), what hides it, and how it is told.

States and edges are those of ISA-18.2 / IEC 62682 without latching (the diagram from memory).
"""

import hashlib
import heapq
import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import Any, Protocol

from cabinetwatch.clock import describe_duration, to_rfc3339
from cabinetwatch.watch.conditions import CONDITIONS
from cabinetwatch.watch.conditions.base import Condition
from cabinetwatch.watch.events import AlarmState, Priority, Transition
from cabinetwatch.watch.refusals import describe_error
from cabinetwatch.watch.site import SiteModel

_ID_ALPHABET = "0123456789abcdefghjkmnpqrstvwxyz"
_ID_LENGTH = 8


class Alarm:
    """One condition of one subject, with its delays, its acknowledgement and what hides it.

    `active` is the condition after its delays; `state` is what was last told. Judging goes on
    unseen while something hides the alarm. All instants are watch time (ms).
    """

    def __init__(self, condition: Condition, order: int) -> None:
        self.condition = condition
        self.order = order
        self.hides: list[Alarm] = []
        self.hidden_by: list[Alarm] = []
        self.state = AlarmState.NORMAL
        self.id = ""
        self.raw: bool | None = False
        self.active = False
        self.acknowledged = False
        self.suppressed = False
        self._lingers = False
        self.pending_t: int | None = None
        self.since_t: int | None = None
        self.shelved_until_t: int | None = None
        self.out = False
        self.out_until_t: int | None = None
        self.withheld_by = ""
        """The trial that suppresses it by design, if one does."""
        self.remark = ""
        self.told_anew = False
        """Whether it is to be told although its state stays: hidden again, for another time."""
        """Who asked for the present shelving or service, and why."""

    @property
    def subject(self) -> str:
        """The device, the sensor, or `site`."""
        return self.condition.subject

    @property
    def called(self) -> str:
        """What people call its subject."""
        return self.condition.called

    @property
    def key(self) -> str:
        """SUBJECT/CONDITION, unique in a site."""
        return f"{self.condition.subject}/{self.condition.name}"

    @property
    def due(self) -> int | None:
        """The next instant at which it may change although nothing is measured."""
        instants = (
            self._pending_due,
            self.shelved_until_t,
            self.out_until_t,
            self.condition.due,
        )
        return min((t for t in instants if t is not None), default=None)

    @property
    def _pending_due(self) -> int | None:
        if self.pending_t is None:
            return None
        return self.pending_t + self._delay_ms

    @property
    def _delay_ms(self) -> int:
        condition = self.condition
        delay_s = condition.off_delay_s if self.active else condition.on_delay_s
        return round(delay_s * 1000)

    @property
    def stands(self) -> bool:
        """Whether it may hide others: its condition holds, it is in service, and can be told."""
        held = self.raw is False and not self.condition.hides_while_held
        return self.active and not held and not self.out and not self.withheld_by

    def judge(self, t: int, at: int | None = None) -> bool:
        """Ask the condition, and let its answer pass through the delays.

        Args:
            t: now; a change is dated so.
            at: when what is judged was measured, if earlier.

        Returns:
            Whether `active` changed, or what it explains, or suppression may end.
        """
        raw = self.condition.judge(t, self.active)
        changed = self.take(raw, t, t if at is None else at)
        return changed or (self._lingers and not self._recovers)

    def take(self, raw: bool | None, t: int, at: int) -> bool:
        """Let a judgement pass through the delays; see `judge`."""
        stood, self.raw = self.stands, raw
        if raw is None or raw == self.active:
            self.pending_t = None
            return self.stands is not stood
        if self.pending_t is None:
            self.pending_t = at
        if t < self.pending_t + self._delay_ms:
            return self.stands is not stood
        self._switch(raw, t)
        return True

    def put_off(self, ms: int) -> None:
        """Let a delay that runs end so much later: for so long nobody looked."""
        if self.pending_t is not None:
            self.pending_t += ms

    def _switch(self, active: bool, t: int) -> None:
        began_t = self.pending_t if self.pending_t is not None else t
        self.pending_t = None
        self.active = active
        if active:
            self.since_t = self.condition.began(began_t)
            self.acknowledged = False
            if not self.id:
                self._name(t)
        elif self._hidden:
            self.acknowledged = False

    def _name(self, t: int) -> None:
        """Give the occurrence its id: the same in every run over the same record."""
        digest = hashlib.blake2s(f"{self.key}@{t}".encode(), digest_size=5).digest()
        number = int.from_bytes(digest, "big")
        self.id = "".join(
            _ID_ALPHABET[number >> shift & 31] for shift in range(0, 5 * _ID_LENGTH, 5)
        )

    @property
    def _hidden(self) -> bool:
        return self.state in {
            AlarmState.SHELVED,
            AlarmState.SUPPRESSED,
            AlarmState.OUT_OF_SERVICE,
        }

    def expire(self, t: int) -> None:
        """End what has run out: shelving, a time out of service, a condition's wish to be asked."""
        if self.shelved_until_t is not None and self.shelved_until_t <= t:
            self.shelved_until_t = None
        if self.out_until_t is not None and self.out_until_t <= t:
            self.out_until_t = None
            self.out = False
        if self.condition.due is not None and self.condition.due <= t:
            self.condition.due = None

    def acknowledge(self) -> None:
        """Take note that somebody has seen this occurrence."""
        self.acknowledged = True

    def shelve(self, until_t: int) -> None:
        """Hide it until an instant; judging goes on."""
        self.shelved_until_t = until_t
        self.told_anew = self.state is AlarmState.SHELVED

    def unshelve(self) -> None:
        """Show it again."""
        self.shelved_until_t = None

    def take_out(self, until_t: int | None) -> None:
        """Take it out of service, for good or until an instant."""
        self.told_anew = self.state is AlarmState.OUT_OF_SERVICE
        self.out = True
        self.out_until_t = until_t

    def put_in(self) -> None:
        """Put it back into service."""
        self.out = False
        self.out_until_t = None

    def refresh_suppression(self) -> None:
        """Look whether a trial suppresses it, or one that explains it stands, or stood until now.

        The gear takes its time to cool once its fan turns again: until then that explains it still.
        """
        self.suppressed = bool(self.withheld_by) or any(o.stands for o in self.hidden_by)
        self._lingers = not self.suppressed and self._recovers
        self.suppressed = self.suppressed or self._lingers

    @property
    def _recovers(self) -> bool:
        return self.state is AlarmState.SUPPRESSED and self.active and self.condition.recovers()

    def settle(self, t: int) -> AlarmState | None:
        """Move to the state that follows from everything known; give the previous one if it moved.

        An alarm hidden by design shows so only while its condition holds: an alarm that is not
        there need not be hidden. One hidden by a person shows so throughout.
        """
        if self.state is AlarmState.SUPPRESSED and not self.suppressed and self.raw is False:
            # On its way back, only its off-delay still runs: that is nothing to raise anew.
            self._switch(active=False, t=t)
        previous, state = self.state, self._target()
        told_anew, self.told_anew = self.told_anew, False
        if state is previous and not told_anew:
            return None
        if not self.id:
            self._name(t)
        self.state = state
        return previous

    def end_at_once(self) -> AlarmState:
        """Go to normal unacknowledged, as only a momentary condition may; give the state before."""
        previous, self.state = self.state, AlarmState.NORMAL
        self.active = self.raw = False
        return previous

    def settled(self) -> None:
        """Forget the occurrence once it is normal and has been told so."""
        if self.state is AlarmState.NORMAL:
            self.id = ""
            self.since_t = None
            self.acknowledged = False
            self.remark = ""

    def _target(self) -> AlarmState:
        if self.out:
            return AlarmState.OUT_OF_SERVICE
        if self.shelved_until_t is not None:
            return AlarmState.SHELVED
        if self.active:
            if self.suppressed:
                return AlarmState.SUPPRESSED
            return AlarmState.ACKNOWLEDGED if self.acknowledged else AlarmState.UNACKNOWLEDGED
        if self._hidden or self.acknowledged or self.state is AlarmState.NORMAL:
            return AlarmState.NORMAL
        return AlarmState.RETURNED

    def save(self) -> dict[str, Any]:
        """Give the state as JSON-able values."""
        return {
            "state": self.state.value,
            "id": self.id,
            "raw": self.raw,
            "active": self.active,
            "acknowledged": self.acknowledged,
            "pending_t": self.pending_t,
            "since_t": self.since_t,
            "shelved_until_t": self.shelved_until_t,
            "out": self.out,
            "out_until_t": self.out_until_t,
            "remark": self.remark,
            "memory": self.condition.save(),
            "due": self.condition.due,
        }

    def load(self, state: dict[str, Any]) -> None:
        """Go on from a saved state."""
        self.state = AlarmState(state["state"])
        for name in (
            "id",
            "raw",
            "active",
            "acknowledged",
            "pending_t",
            "since_t",
            "shelved_until_t",
            "out",
            "out_until_t",
            "remark",
        ):
            setattr(self, name, state[name])
        self.condition.load(state["memory"])
        self.condition.due = state["due"]


class Timed(Protocol):
    """Something with a deadline."""

    order: int
    """Breaks the tie between deadlines of one instant: the same in every run."""

    @property
    def due(self) -> int | None:
        """When it falls due (watch ms), or None. Moving it later needs no call: see `Deadlines`."""


class Deadlines:
    """A queue of deadlines in which moving one later is free.

    A queued instant is only a time to look: whoever's `due` has moved on meanwhile is queued again.
    So a reading every few seconds that pushes a silence deadline along costs nothing here.
    """

    def __init__(self) -> None:
        self._heap: list[tuple[int, int, Timed]] = []
        self._queued: dict[int, int] = {}
        self.next_t: float = float("inf")

    def set(self, item: Timed) -> None:
        """Queue the item's `due` unless a look at it no later than that is queued already."""
        due = item.due
        if due is None:
            return
        queued = self._queued.get(item.order)
        if queued is not None and queued <= due:
            return
        self._queued[item.order] = due
        heapq.heappush(self._heap, (due, item.order, item))
        self.next_t = self._heap[0][0]

    def pop(self, to: int) -> Timed | None:
        """Give the next item that is due at or before `to`, or None. Its `due` is left as it is."""
        while self._heap and self._heap[0][0] <= to:
            t, order, item = heapq.heappop(self._heap)
            if self._queued.get(order) == t:
                del self._queued[order]
            self.next_t = self._heap[0][0] if self._heap else float("inf")
            if item.due == t:
                return item
            self.set(item)
        return None


_SHOWN_AGAIN = {
    AlarmState.SHELVED: "No longer shelved",
    AlarmState.SUPPRESSED: "No longer suppressed",
    AlarmState.OUT_OF_SERVICE: "Back in service",
}
_SO_FOR = "it has been so for"
_SO_FOR_THEN = re.compile(rf"; {_SO_FOR} [^.;]*\.$")


def without_span(text: str) -> str:
    """Give what a transition told, without for how long: later on that is no longer true.

    >>> without_span("The fan stands still; it has been so for 1 min.")
    'The fan stands still.'
    """
    return _SO_FOR_THEN.sub(".", text)


def transition_of(
    alarm: Alarm, previous: AlarmState, t: int, site: str, offset_ms: int
) -> Transition:
    """Describe a move that has just happened at `t` (watch ms)."""
    condition = alarm.condition
    since_t = alarm.since_t
    values = condition.values()
    values["since"] = None if since_t is None else to_rfc3339(since_t + offset_ms)
    return Transition(
        t=t,
        utc_ms=t + offset_ms,
        id=alarm.id,
        site=site,
        subject=alarm.subject,
        condition=condition.name,
        state=alarm.state,
        previous=previous,
        priority=condition.priority,
        text=_TELLERS[alarm.state](alarm, previous, t),
        values=values,
        cause=condition.cause,
        likely=condition.suspicion,
        response=condition.advice,
    )


def plainly(
    alarm: Alarm, previous: AlarmState, t: int, site: str, offset_ms: int, *, error: str
) -> Transition:
    """Describe a move whose sentence or figures can't be put together: it is told all the same."""
    condition = alarm.condition
    return Transition(
        t=t,
        utc_ms=t + offset_ms,
        id=alarm.id,
        site=site,
        subject=alarm.subject,
        condition=condition.name,
        state=alarm.state,
        previous=previous,
        priority=Priority(condition.settings.priority or "medium"),
        text=f"{condition.name} of {alarm.called} is {alarm.state.value} now; its figures failed.",
        values={"error": error},
        cause=alarm.key,
        likely="",
        response=condition.settings.response or condition.response,
    )


def _raised(alarm: Alarm, previous: AlarmState, t: int) -> str:
    del previous
    return _lasting(alarm, t, _seen(alarm), f"{_SO_FOR} {{}}")


def _acknowledged(alarm: Alarm, previous: AlarmState, t: int) -> str:
    del t
    if previous in _SHOWN_AGAIN:
        # The remark is by then that of whoever hid it.
        return f"{_SHOWN_AGAIN[previous]}; acknowledged before: {_present(alarm)}"
    return f"Acknowledged{_remark(alarm)}: {_present(alarm)}"


def _returned(alarm: Alarm, previous: AlarmState, t: int) -> str:
    del previous
    return _lasting(alarm, t, alarm.condition.gone(), "it lasted {}")


def _normal(alarm: Alarm, previous: AlarmState, t: int) -> str:
    if previous is AlarmState.ACKNOWLEDGED:
        return _returned(alarm, previous, t)
    if previous is AlarmState.RETURNED:
        return f"Acknowledged{_remark(alarm)} after it had returned: {_present(alarm)}"
    if previous is AlarmState.SUPPRESSED:
        return f"No longer suppressed, and gone: {alarm.condition.gone()}"
    if previous is AlarmState.SHELVED:
        return f"No longer shelved, and gone: {alarm.condition.gone()}"
    return f"Back in service, and {alarm.condition.name} does not stand for {alarm.called}."


def _shelved(alarm: Alarm, previous: AlarmState, t: int) -> str:
    del previous
    left = describe_duration(((alarm.shelved_until_t or t) - t) / 1000)
    return f"Shelved for {left}{_remark(alarm)}: {_present(alarm)}"


def _suppressed(alarm: Alarm, previous: AlarmState, t: int) -> str:
    del previous, t
    if alarm.withheld_by:
        return f"Suppressed during the trial {alarm.withheld_by}: {alarm.condition.seen()}"
    told_by = ", ".join(
        f"{other.condition.name} of {other.called}" for other in alarm.hidden_by if other.stands
    )
    return f"Suppressed, being told by {told_by}: {alarm.condition.seen()}"


def _out_of_service(alarm: Alarm, previous: AlarmState, t: int) -> str:
    del previous
    left = ""
    if alarm.out_until_t is not None:
        left = f" for {describe_duration((alarm.out_until_t - t) / 1000)}"
    return f"Taken out of service{left}{_remark(alarm)}."


def _present(alarm: Alarm) -> str:
    """Say what is seen now, whatever the state: a returned alarm's condition may be coming back."""
    return _seen(alarm) if alarm.active or alarm.raw else alarm.condition.gone()


def _seen(alarm: Alarm) -> str:
    """Say what is seen, and what a trial makes urgent about it."""
    sentence, urge = alarm.condition.seen(), alarm.condition.urge
    return f"{sentence.removesuffix('.')}; {urge}." if urge else sentence


def _lasting(alarm: Alarm, t: int, sentence: str, clause: str) -> str:
    """Add for how long to a sentence, once that is long enough to matter."""
    if alarm.since_t is None or t - alarm.since_t < 1000:
        return sentence
    span = describe_duration((t - alarm.since_t) / 1000)
    return f"{sentence.removesuffix('.')}; {clause.format(span)}."


def _remark(alarm: Alarm) -> str:
    return f" ({alarm.remark})" if alarm.remark else ""


_TELLERS: dict[AlarmState, Callable[[Alarm, AlarmState, int], str]] = {
    AlarmState.UNACKNOWLEDGED: _raised,
    AlarmState.ACKNOWLEDGED: _acknowledged,
    AlarmState.RETURNED: _returned,
    AlarmState.NORMAL: _normal,
    AlarmState.SHELVED: _shelved,
    AlarmState.SUPPRESSED: _suppressed,
    AlarmState.OUT_OF_SERVICE: _out_of_service,
}


SAME_DEVICE: Mapping[str, frozenset[str]] = {
    "fan-slow": frozenset({"over-rise", "hot-day", "drift", "cooling-loss"}),
    "cooling-loss": frozenset({"over-rise", "hot-day", "drift"}),
    "over-derating": frozenset({"derating-forecast"}),
    "ambient-lost": frozenset({"over-rise", "hot-day", "drift", "cooling-loss", "rise-missing"}),
}
"""Condition of a device -> conditions of the same device that it explains."""

AMBIENT_SENSOR = frozenset({"silent", "stuck", "implausible"})
"""What `ambient-lost` of a device tells in place of its ambient sensor."""

WITHOUT_BROKER = frozenset({"silent", "stuck", "ambient-lost"})
"""What nobody can know while `broker-lost` stands."""


def link(alarms: Mapping[str, Alarm], house: SiteModel) -> None:
    """Tell each alarm which others it hides and which hide it."""
    for hiding, hidden in _pairs(alarms, house):
        hiding.hides.append(hidden)
        hidden.hidden_by.append(hiding)


def _pairs(alarms: Mapping[str, Alarm], house: SiteModel) -> Iterator[tuple[Alarm, Alarm]]:
    for alarm in alarms.values():
        name = alarm.condition.name
        for other in sorted(SAME_DEVICE.get(name, ())):
            yield from _pair(alarm, alarms.get(f"{alarm.subject}/{other}"))
        if name == "ambient-lost":
            ambient = house.devices[alarm.subject].ambient
            for other in sorted(AMBIENT_SENSOR) if ambient is not None else ():
                yield from _pair(alarm, alarms.get(f"{ambient.id}/{other}"))  # type: ignore[union-attr]
        if name == "session-taken":
            yield from _pair(alarm, alarms.get("site/broker-lost"))
        if name == "broker-lost":
            for other_alarm in alarms.values():
                if other_alarm.condition.name in WITHOUT_BROKER:
                    yield alarm, other_alarm


def _pair(hiding: Alarm, hidden: Alarm | None) -> Iterator[tuple[Alarm, Alarm]]:
    if hidden is not None:
        yield hiding, hidden


_NOTHING: list[Transition] = []


class AlarmManager:
    """Owned by the engine. All instants are watch time (ms).

    An alarm whose judgement has changed is `touched`; what follows from all that were, once what
    happened at an instant is judged, `settle` tells together: one may hide another.

    Args:
        house: what there is to be alarmed of.
        deadlines: take those of the alarms.
    """

    def __init__(self, house: SiteModel, deadlines: Deadlines) -> None:
        self.alarms: dict[str, Alarm] = {}
        self.touched: dict[int, Alarm] = {}
        self._deadlines = deadlines
        self._site = house.config.site.name
        order = house.next_order
        for kind in CONDITIONS:
            for subject in sorted(kind.subjects(house.config)):
                settings = house.config.alarm(kind.name, subject)
                if settings.enabled:
                    alarm = Alarm(kind(house, subject, settings), order)
                    self.alarms[alarm.key] = alarm
                    order += 1
        link(self.alarms, house)
        self._wire()

    def _wire(self) -> None:
        """Tell each sensor which alarms its readings, and its coming and going, concern."""
        for alarm in self.alarms.values():
            for sensor in alarm.condition.inputs:
                sensor.judged += (alarm,)
            for sensor in alarm.condition.watched:
                sensor.watchers += (alarm,)
            if alarm.condition.follows is not None:
                alarm.condition.follows.step_alarms.append(alarm)

    def judge(self, alarms: Iterable[Alarm], now: int) -> None:
        """Ask the conditions of some alarms."""
        for alarm in alarms:
            self.take(alarm, alarm.condition.judge(now, alarm.active), now, now)

    def judge_site(self, now: int) -> None:
        """Ask the conditions of the watch itself."""
        self.judge(self._of_the_watch(), now)

    def judge_safely(self, alarms: Iterable[Alarm], now: int) -> None:
        """Ask the conditions of some alarms; where asking raises it can't be known."""
        for alarm in alarms:
            try:
                raw = alarm.condition.judge(now, alarm.active)
            except Exception:  # noqa: BLE001 - asked because something else was refused, and told
                raw = None
            self.take(alarm, raw, now, now)

    def judge_site_safely(self, now: int) -> None:
        """Ask the conditions of the watch itself, of something that could not be judged."""
        self.judge_safely(self._of_the_watch(), now)

    def _of_the_watch(self) -> list[Alarm]:
        return [each for each in self.alarms.values() if each.condition.kind == "site"]

    def take(self, alarm: Alarm, raw: bool | None, now: int, at: int) -> None:
        """Take what a condition said of what was measured `at` an instant, at the latest now."""
        if alarm.take(raw, now, at):
            self.touch(alarm)
        self._deadlines.set(alarm)

    def touch(self, alarm: Alarm) -> None:
        """Have an alarm looked at by the next `settle`."""
        self.touched[alarm.order] = alarm

    def settle(self, t: int, offset_ms: int) -> list[Transition]:
        """Find what each touched alarm, and each it hides, is to be told as now."""
        if not self.touched:
            return _NOTHING
        affected = dict(self.touched)
        for alarm in self.touched.values():
            affected.update((other.order, other) for other in alarm.hides)
        self.touched.clear()
        for alarm in affected.values():
            alarm.refresh_suppression()
        told = []
        for _, alarm in sorted(affected.items()):
            previous = alarm.settle(t)
            if previous is not None:
                told.append(self._transition(alarm, previous, t, offset_ms))
            if alarm.active and alarm.condition.momentary:
                told.append(self._transition(alarm, alarm.end_at_once(), t, offset_ms))
            alarm.settled()
            self._deadlines.set(alarm)
        return told

    def dropped(self, alarm: Alarm, t: int, offset_ms: int) -> Transition:
        """Tell as normal an alarm that stands and has no place here, and so will not be judged."""
        previous, alarm.state = alarm.state, AlarmState.NORMAL
        transition = self._transition(alarm, previous, t, offset_ms)
        text = f"{alarm.condition.name} of {alarm.called} is no longer part of the configuration."
        return Transition.from_record(transition.record() | {"text": text})

    def _transition(self, alarm: Alarm, previous: AlarmState, t: int, offset_ms: int) -> Transition:
        try:
            return transition_of(alarm, previous, t, self._site, offset_ms)
        except Exception as error:  # noqa: BLE001 - an alarm without words is told nevertheless
            return plainly(alarm, previous, t, self._site, offset_ms, error=describe_error(error))
