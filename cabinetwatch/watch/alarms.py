"""Every alarm of a site: its life cycle (ISA-18.2), what hides it, and how it is told.

States and edges are those of ISA-18.2 / IEC 62682 without latching (the diagram from memory).
"""

import hashlib
import heapq
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from itertools import chain
from typing import Any, Protocol

from cabinetwatch.config.model import SubjectKind
from cabinetwatch.text import describe_duration, to_rfc3339
from cabinetwatch.watch import conditions
from cabinetwatch.watch.conditions.base import Condition
from cabinetwatch.watch.devices import Feed
from cabinetwatch.watch.events import AlarmState, Priority, Transition, describe_error
from cabinetwatch.watch.sensors import SensorView
from cabinetwatch.watch.site import SiteModel

_ID_ALPHABET = "0123456789abcdefghjkmnpqrstvwxyz"
_ID_LENGTH = 8

LONGEST_HIGH_S = 12 * 3600.0
"""Nobody hides a high alarm for longer than a night, or what comes of it is forgotten (our choice).
"""


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
        self.lingers = False
        """Whether what explained it is gone, and it is still hidden because it recovers."""
        self.released_t: int | None = None
        """When the heat that explained it ended, while that may still take its time to show."""
        self._heated = False
        """Whether the heat of another alarm explains it."""
        self.pending_t: int | None = None
        self.since_t: int | None = None
        self.shelved_until_t: int | None = None
        self.out = False
        self.out_until_t: int | None = None
        self.withheld_by = ""
        """The trial that suppresses it by design, if one does."""
        self.remark = ""
        """Who asked for the present shelving or service, and why."""
        self.acknowledged_by = ""
        """Who acknowledged it, as far as they said."""
        self.incident = ""
        """The incident that its occurrence belongs to; see `watch.incidents`."""
        self.told_anew = False
        """Whether it is to be told although its state stays: hidden again, for another time."""
        self.raised_with: Priority | None = None
        """The priority that the condition chose when it was raised: all that follows has it too."""

    @property
    def subject(self) -> str:
        """The device, the sensor, or `site`."""
        return self.condition.subject

    @property
    def called(self) -> str:
        """What people call its subject."""
        return self.condition.called

    @property
    def named(self) -> str:
        """What it says while it is there, for a sentence."""
        return f'"{self.condition.phrase}"'

    @property
    def priority(self) -> Priority:
        """The configured one, else the one that the condition chose at the raise."""
        if self.condition.settings.priority is None and self.raised_with is not None:
            return self.raised_with
        return self.condition.priority

    @property
    def key(self) -> str:
        """SUBJECT/CONDITION, unique in a site."""
        return f"{self.condition.subject}/{self.condition.name}"

    @property
    def due(self) -> int | None:
        """The next instant at which it may change although nothing is measured."""
        pending_due = None if self.pending_t is None else self.pending_t + self._delay_ms
        instants = (pending_due, self.shelved_until_t, self.out_until_t, self.condition.due)
        return min((t for t in instants if t is not None), default=None)

    @property
    def _delay_ms(self) -> int:
        condition = self.condition
        delay_s = condition.off_delay_s if self.active else condition.on_delay_s
        if self.active and condition.recurrence.is_held:
            delay_s = max(delay_s, condition.recurrence.keeps_away_s)
        return round(delay_s * 1000)

    @property
    def stands(self) -> bool:
        """Whether it may hide others: its condition holds, it is in service, and can be told."""
        condition = self.condition
        is_over = self.raw is False and (
            condition.recurrence.is_held or not condition.hides_while_held
        )
        return self.active and not is_over and not self.out and not self.withheld_by

    def take(self, raw: bool | None, t: int, at: int) -> bool:
        """Let a judgement of what was measured `at` an instant, at the latest now, pass the delays.

        Says whether `active` changed, or what it explains, or its suppression may end.
        """
        stood, self.raw = self.stands, raw
        again = raw is True and self.active and self._was_away(at)
        if raw is None or raw == self.active:
            self.pending_t = None
        elif self.pending_t is None:
            self.pending_t = at
        if self.active and raw is not None:
            self.condition.recurrence.follow(self.pending_t)
        if self.pending_t is not None and t >= self.pending_t + self._delay_ms:
            self._switch(not self.active, t)
            return True
        if again and self.acknowledged:
            # What was acknowledged had gone; only its being held kept the alarm on.
            self.acknowledged = False
            return True
        return self.stands is not stood or (self.lingers and not self._recovers(t))

    def _was_away(self, at: int) -> bool:
        """Whether it would have been over by now, were it not held on because it comes and goes."""
        away_t, delay_ms = self.pending_t, 1000 * self.condition.off_delay_s
        return away_t is not None and at - away_t >= delay_ms and self._delay_ms > delay_ms

    def put_off(self, ms: int) -> None:
        """Let a delay that runs end so much later: for so long nobody looked."""
        if self.pending_t is not None:
            self.pending_t += ms

    def _switch(self, active: bool, t: int) -> None:
        began_t = self.pending_t if self.pending_t is not None else t
        self.pending_t = None
        self._stand(active)
        if active:
            self.condition.recurrence.raised(began_t)
            self.raised_with = self.condition.priority
            self.since_t = self.condition.began(began_t)
            self.acknowledged = False
            if not self.id:
                self._name(t)
            if self.shelved_until_t is not None and self.priority is Priority.HIGH:
                # It was shelved while it was less than that, perhaps for weeks.
                self.shelved_until_t = min(self.shelved_until_t, t + round(1000 * LONGEST_HIGH_S))
        else:
            self.condition.recurrence.returned(began_t)
            self.acknowledged = self.acknowledged and not self._hidden

    def _stand(self, active: bool) -> None:
        self.active = active
        self.condition.told(active)

    def _name(self, t: int) -> None:
        """Give the occurrence its id: the same in every run over the same record."""
        digest = hashlib.blake2s(f"{self.key}@{t}".encode(), digest_size=5).digest()
        number = int.from_bytes(digest, "big")
        self.id = "".join(
            _ID_ALPHABET[number >> shift & 31] for shift in range(0, 5 * _ID_LENGTH, 5)
        )

    @property
    def _hidden(self) -> bool:
        return self.state in _SHOWN_AGAIN

    def lapse(self, t: int) -> None:
        """End what has run out: shelving, a time out of service, a condition's wish to be asked."""
        if self.shelved_until_t is not None and self.shelved_until_t <= t:
            self.shelved_until_t = None
        if self.out_until_t is not None and self.out_until_t <= t:
            self.put_in()
        if self.condition.due is not None and self.condition.due <= t:
            self.condition.due = None

    def shelve(self, until_t: int) -> None:
        """Hide it until an instant; judging goes on."""
        self.shelved_until_t = until_t
        self.told_anew = self.state is AlarmState.SHELVED

    def take_out(self, until_t: int | None) -> None:
        """Take it out of service, for good or until an instant."""
        self.told_anew = self.state is AlarmState.OUT_OF_SERVICE
        self.out = True
        self.out_until_t = until_t

    def put_in(self) -> None:
        """Put it back into service."""
        self.out = False
        self.out_until_t = None

    def refresh_suppression(self, t: int) -> None:
        """Look whether a trial suppresses it, or one that explains it stands, or stood until now.

        The gear takes its time to cool once its fan turns again: until then that explains it still.
        """
        standing = [other for other in self.hidden_by if other.stands]
        heated, self._heated = self._heated, any(o.condition.is_heat for o in standing)
        if self._heated:
            self.released_t = None
        elif heated and not any(o.condition.is_heat and o.raw for o in self.hidden_by):
            self.released_t = t
        self.suppressed = bool(self.withheld_by or standing)
        self.lingers = not self.suppressed and self._recovers(t)
        if not self.suppressed and not self.lingers:
            self.released_t = None
        self.suppressed = self.suppressed or self.lingers

    def _recovers(self, t: int) -> bool:
        condition, released_t = self.condition, self.released_t
        if released_t is not None and condition.cools_down(t, released_t):
            return True
        return self.state is AlarmState.SUPPRESSED and self.active and condition.recovers()

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
        self._stand(False)
        self.raw = False
        return previous

    def settled(self) -> None:
        """Forget the occurrence once it is normal and has been told so."""
        if self.state is AlarmState.NORMAL:
            self.id = ""
            self.since_t = None
            self.acknowledged = False
            self.remark = self.acknowledged_by = ""
            self.raised_with = None

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
        return {name: getattr(self, name) for name in _KEPT} | {
            "state": self.state.value,
            "memory": self.condition.save(),
            "recurrence": self.condition.recurrence.save(),
            "raised_with": self.raised_with,
            "due": self.condition.due,
        }

    def load(self, state: Mapping[str, Any]) -> None:
        """Go on from a saved state; one of an earlier version lacks some of it."""
        for name in _KEPT & state.keys():
            setattr(self, name, state[name])
        self.state = AlarmState(state["state"])
        self.condition.load(state["memory"])
        self.condition.recurrence.load(state.get("recurrence", state["memory"]))
        raised_with = state.get("raised_with")
        self.raised_with = None if raised_with is None else Priority(raised_with)
        self.condition.due = state["due"]
        self.condition.told(self.active)


_KEPT = {
    "id", "raw", "active", "acknowledged", "pending_t", "since_t", "shelved_until_t",
    "out", "out_until_t", "remark", "released_t", "acknowledged_by", "incident",
}  # fmt: skip
"""Attributes of an alarm that are saved as they are."""


class Timed(Protocol):
    """Something with a deadline."""

    order: int
    """Breaks the tie between deadlines of one instant: the same in every run."""

    @property
    def key(self) -> str:
        """What it is a deadline of."""

    @property
    def due(self) -> int | None:
        """When it falls due (watch ms), or None. Moving it later needs no call: see `Deadlines`."""

    def lapse(self, t: int) -> None:
        """Take note that it has fallen due at `t`, whether or not what follows can be judged."""


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

    def is_due(self, to: int) -> bool:
        """Whether anything is due at or before `to`; what has moved on is queued anew."""
        while self.next_t <= to:
            t, _, item = self._heap[0]
            if item.due == t:
                return True
            self._take_first()
            self.set(item)
        return False

    def pop(self, to: int) -> Timed | None:
        """Give the next item that is due at or before `to`, or None. Its `due` is left as it is."""
        return self._take_first() if self.is_due(to) else None

    def _take_first(self) -> Timed:
        t, order, item = heapq.heappop(self._heap)
        if self._queued.get(order) == t:
            del self._queued[order]
        self.next_t = self._heap[0][0] if self._heap else float("inf")
        return item


_SHOWN_AGAIN = {
    AlarmState.SHELVED: "No longer shelved",
    AlarmState.SUPPRESSED: "No longer suppressed",
    AlarmState.OUT_OF_SERVICE: "Back in service",
}
_FOR_SO_LONG_THEN = re.compile(r"; for [^.;,]* now\.$")


def without_span(text: str) -> str:
    """Give what a transition told, without for how long: later on that is no longer true.

    >>> without_span("The fan has stopped; for 1 min now.")
    'The fan has stopped.'
    """
    return _FOR_SO_LONG_THEN.sub(".", text)


def _in_words(alarm: Alarm, previous: AlarmState, t: int, offset_ms: int) -> dict[str, Any]:
    """Give what a transition says of a move that has just happened at `t` (watch ms)."""
    condition, since_t = alarm.condition, alarm.since_t
    since = None if since_t is None else to_rfc3339(since_t + offset_ms)
    return {
        "priority": alarm.priority,
        "text": _sentence(alarm, previous, t),
        "values": condition.values() | {"since": since},
        "cause": condition.cause,
        "likely": condition.suspicion,
        "response": condition.advice,
    }


def _plainly(alarm: Alarm, error: Exception) -> dict[str, Any]:
    """Give what can be said where sentence or figures can't be put together."""
    condition = alarm.condition
    return {
        "priority": Priority(condition.settings.priority or "medium"),
        "text": f"{alarm.named} is {alarm.state.value} now; its figures could not be reckoned.",
        "values": {"error": describe_error(error)},
        "cause": alarm.key,
        "response": condition.settings.response or condition.response,
    }


def _sentence(alarm: Alarm, previous: AlarmState, t: int) -> str:
    """Say what a move to its present state tells."""
    condition, remark = alarm.condition, f" ({alarm.remark})" if alarm.remark else ""
    match alarm.state, previous:
        case AlarmState.UNACKNOWLEDGED, _:
            text = _lasting(alarm, t, _seen(alarm), "; for {} now")
        case (AlarmState.RETURNED, _) | (AlarmState.NORMAL, AlarmState.ACKNOWLEDGED):
            text = _lasting(alarm, t, condition.gone(), "; it lasted {}")
        case AlarmState.NORMAL, AlarmState.RETURNED:
            text = f"Acknowledged{remark} after it was over: {_present(alarm)}"
        case AlarmState.NORMAL, AlarmState.SUPPRESSED | AlarmState.SHELVED:
            text = f"Over (it was {previous.value}): {condition.gone()}"
        case AlarmState.NORMAL, _:
            text = f"Back in service; {alarm.named} is not active."
        case AlarmState.ACKNOWLEDGED, _ if previous in _SHOWN_AGAIN:
            # The remark is by then that of whoever hid it.
            text = f"{_SHOWN_AGAIN[previous]}; acknowledged before: {_present(alarm)}"
        case AlarmState.ACKNOWLEDGED, _:
            text = f"Acknowledged{remark}: {_present(alarm)}"
        case AlarmState.SHELVED, _:
            left = _left(alarm.shelved_until_t, t)
            text = f"Shelved{left}{remark}: {_present(alarm)}"
        case AlarmState.OUT_OF_SERVICE, _:
            text = f"Out of service{_left(alarm.out_until_t, t)}{remark}."
        case _:
            text = _suppressed(alarm)
    return text


def _suppressed(alarm: Alarm) -> str:
    sentence = alarm.condition.seen()
    if alarm.withheld_by:
        return f"Suppressed during the trial {alarm.withheld_by}: {sentence}"
    if alarm.lingers:
        return f"Suppressed while it cools down: {sentence}"
    reported = ", ".join(other.named for other in alarm.hidden_by if other.stands)
    return f"Suppressed: already reported as {reported}. {sentence}"


def _left(until_t: int | None, t: int) -> str:
    """Say for how long it stays hidden, where that has an end."""
    return "" if until_t is None else f" for {describe_duration((until_t - t) / 1000)}"


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
    return f"{sentence.removesuffix('.')}{clause.format(span)}."


@dataclass(slots=True)
class Route:
    """Where the readings of a sensor go, and whom its coming and going concerns."""

    sensor: SensorView
    feeds: list[tuple[Feed, list[Alarm]]] = field(default_factory=list)
    """Observers of devices, each with the alarms to judge once it has judged its device anew."""
    judged: list[Alarm] = field(default_factory=list)
    """Alarms to judge at each live reading."""
    watchers: list[Alarm] = field(default_factory=list)
    """Alarms to judge when the sensor's `good` or `silent` changes."""


class AlarmManager:
    """All alarms of a site; owned by the engine. All instants are watch time (ms).

    An alarm whose judgement has changed is `touched`; what follows from all that were, once what
    happened at an instant is judged, `settle` tells together: one may hide another.
    """

    def __init__(self, model: SiteModel, deadlines: Deadlines) -> None:
        self.alarms: dict[str, Alarm] = {}
        self.touched: dict[int, Alarm] = {}
        self.of_steps: dict[str, list[Alarm]] = {device: [] for device in model.devices}
        """By device, the alarms to judge at each step of its observer."""
        self.routes = {name: Route(sensor) for name, sensor in model.sensors.items()}
        self._model = model
        self._deadlines = deadlines
        for kind in conditions.CONDITIONS:
            for subject in sorted(kind.subjects(model.config)):
                settings = model.config.alarm(kind.name, subject)
                if settings.enabled:
                    order = model.next_order + len(self.alarms)
                    alarm = Alarm(kind(model, subject, settings), order)
                    self.alarms[alarm.key] = alarm
        self._link()
        self._wire()

    def _link(self) -> None:
        """Tell each alarm which others it hides and which hide it."""
        of_subject: dict[str, list[Alarm]] = {}
        for alarm in self.alarms.values():
            of_subject.setdefault(alarm.subject, []).append(alarm)
        for hiding in self.alarms.values():
            if not hiding.condition.hides:
                continue
            subjects = hiding.condition.explains_at or of_subject
            for hidden in chain.from_iterable(of_subject.get(each, ()) for each in subjects):
                if hiding.condition.explains(hidden.condition):
                    hiding.hides.append(hidden)
                    hidden.hidden_by.append(hiding)

    def _wire(self) -> None:
        """Tell each sensor and each device which alarms they concern."""
        for name, device in self._model.devices.items():
            for sensor, feed in device.feeds:
                self.routes[sensor.id].feeds.append((feed, self.of_steps[name]))
        for alarm in self.alarms.values():
            condition = alarm.condition
            for sensor in condition.inputs:
                self.routes[sensor.id].judged.append(alarm)
            for sensor in condition.watched:
                self.routes[sensor.id].watchers.append(alarm)
            if condition.follows is not None:
                self.of_steps[condition.follows.id].append(alarm)

    def of_kind(self, kind: SubjectKind) -> list[Alarm]:
        """Give the alarms of all devices, of all sensors, or of the watch itself."""
        return [each for each in self.alarms.values() if each.condition.kind == kind]

    def judge(self, alarms: Iterable[Alarm], now: int, at: int | None = None) -> None:
        """Ask the conditions of some alarms, of what was measured `at` an instant if not now."""
        at = now if at is None else at
        for alarm in alarms:
            self.take(alarm, alarm.condition.judge(at, alarm.active), now, at)

    def judge_safely(self, alarms: Iterable[Alarm], now: int) -> None:
        """Ask the conditions of some alarms; where asking raises it can't be known."""
        for alarm in alarms:
            try:
                raw = alarm.condition.judge(now, alarm.active)
            except Exception:  # noqa: BLE001 - asked because something else was refused, and told
                raw = None
            self.take(alarm, raw, now, now)

    def take(self, alarm: Alarm, raw: bool | None, now: int, at: int) -> None:
        """Take what a condition said of what was measured `at` an instant, at the latest now."""
        if alarm.take(raw, now, at):
            self.touch(alarm)
        self._deadlines.set(alarm)

    def touch(self, alarm: Alarm) -> None:
        """Have an alarm looked at by the next `settle`."""
        self.touched[alarm.order] = alarm

    def settle(self, t: int) -> list[Transition]:
        """Find what each touched alarm, and each it hides, is to be told as now."""
        affected = dict(self.touched)
        for alarm in self.touched.values():
            affected.update((other.order, other) for other in alarm.hides)
        self.touched.clear()
        for alarm in affected.values():
            alarm.refresh_suppression(t)
        told = []
        for _, alarm in sorted(affected.items()):
            previous = alarm.settle(t)
            if previous is not None:
                told.append(self._transition(alarm, previous, t))
            if alarm.active and alarm.condition.momentary:
                told.append(self._transition(alarm, alarm.end_at_once(), t))
            alarm.settled()
            self._deadlines.set(alarm)
        return told

    def dropped(self, alarm: Alarm, t: int) -> Transition:
        """Tell as normal an alarm that stands and has no place here, and so will not be judged."""
        previous, alarm.state = alarm.state, AlarmState.NORMAL
        transition = self._transition(alarm, previous, t)
        text = f"{alarm.named} is no longer part of the configuration."
        return replace(transition, text=text, incident=alarm.incident)

    def _transition(self, alarm: Alarm, previous: AlarmState, t: int) -> Transition:
        offset_ms = self._model.site.offset_ms
        try:
            told = _in_words(alarm, previous, t, offset_ms)
        except Exception as error:  # noqa: BLE001 - an alarm without words is told nevertheless
            told = _plainly(alarm, error)
        return Transition(
            t=t,
            utc_ms=t + offset_ms,
            id=alarm.id,
            site=self._model.config.site.name,
            subject=alarm.subject,
            condition=alarm.condition.name,
            state=alarm.state,
            previous=previous,
            **told,
        )
