"""What the engine is told and what it answers: readings, journal entries, transitions.

And what could not be judged: set aside, told, bounded; with the way back to before it.
"""

import pickle
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, fields
from enum import IntEnum, StrEnum
from typing import Any, NamedTuple

from cabinetwatch.text import from_rfc3339, plain, to_rfc3339


class Quality(IntEnum):
    """How a reading came, which decides whether it is judged. The numbers stand in the store."""

    LIVE = 0
    """Dated at its arrival; judged at once."""
    TIMED = 1
    """Live with a time of its own; judged once `lateness_s` have passed since that time."""
    RETAINED = 2
    """The broker's copy of a last known value; the present value, but never judged."""
    BACKLOG = 3
    """Delivered in a burst by a resumed session; kept, not judged."""
    LATE = 4
    """Its own time lies more than `lateness_s` back; kept, not judged."""


class Reading(NamedTuple):
    """One value of one sensor at one instant.

    `t` is watch time in ms. For every quality but TIMED, BACKLOG and LATE it is the arrival, and no
    earlier than anything told to the engine before. `value` is in the quantity's SI unit (degC for
    temperatures) without the sensor's `offset`, which belongs to the configuration.
    """

    sensor: str
    t: int
    value: float
    quality: Quality = Quality.LIVE


class EntryKind(StrEnum):
    """The kinds of journal entry; what `data` holds stands with each."""

    START = "start"
    """The daemon started. offset_ms, boot_ms (watch time of the machine's boot), ran_until_ms (how
    far the watch before had come, null at the first start), version; reloaded, true where the same
    process goes on with its configuration read again: that is no restart."""
    STOP = "stop"
    """A clean stop. Nothing more."""
    CONFIG = "config"
    """The configuration in force from here on. config (the model as JSON)."""
    RENAME = "rename"
    """A sensor has another ID from here on, and keeps its past. old, new."""
    CONNECT = "connect"
    """The broker accepted us. session_present, client_id."""
    DISCONNECT = "disconnect"
    """The connection is gone, or an attempt failed. reason, end: taken (the broker says that
    another client has taken our session over), closed (by the other side, no word), or empty."""
    OFFSET = "offset"
    """The wall clock stepped. offset_ms."""
    COMMAND = "command"
    """A person's command. command (ack, shelve, unshelve, service-out, service-in; or ack-returned,
    which the service gives once a summary has told of a returned alarm), id or subject, for_s or
    until (RFC 3339), reason, by; done_by (RFC 3339), after which it is not done. Or command learn,
    device, by; verified (somebody saw every fan turn) or anyway (though it is too warm) where they
    are true; and if it was taught from the record, from and to (RFC 3339) and the taught observer's
    state, observer. Or trial-begin (trial, device, change), trial-phase (trial, phase), trial-end
    (trial). Or note (text; device and at, RFC 3339)."""
    STORE = "store"
    """Writing to the store failed, or works again. ok, error, lost (readings given up so far)."""
    DELIVERY = "delivery"
    """A channel failed to deliver, or works again. channel, ok, permanent (a 5xx), error."""
    REFUSED = "refused"
    """Something was set aside before the engine was told of it. subject, messages, excerpt,
    error."""
    PAUSE = "pause"
    """The watch did not run: its process was stopped, starved, or its machine suspended. It ends
    at the entry's own instant. ran_until_ms (how far the watch had come)."""
    UNHEARD = "unheard"
    """What came of sensors, and is not judged, since the last such entry. sensors: by ID
    unreadable (messages), problem (of the last), late (readings), late_ms (the greatest lateness),
    each only where there is any."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry of the journal: what the engine was told, at watch time `t` (ms)."""

    t: int
    kind: EntryKind
    data: Mapping[str, Any] = field(default_factory=dict)

    @property
    def is_whole(self) -> bool:
        """Whether it holds what every entry of its kind does: a row of another hand may not."""
        data = self.data
        return isinstance(data, Mapping) and all(
            isinstance(data.get(key), kind) for key, kind in _NEEDED.get(self.kind, {}).items()
        )


_NEEDED: dict[EntryKind, dict[str, type]] = {
    EntryKind.START: {"offset_ms": int},
    EntryKind.CONFIG: {"config": dict},
    EntryKind.RENAME: {"old": str, "new": str},
    EntryKind.OFFSET: {"offset_ms": int},
    EntryKind.STORE: {"ok": bool},
    EntryKind.DELIVERY: {"channel": str, "ok": bool},
    EntryKind.REFUSED: {"subject": str, "messages": int},
    EntryKind.PAUSE: {"ran_until_ms": int},
    EntryKind.UNHEARD: {"sensors": dict},
}


class AlarmState(StrEnum):
    """The states of an alarm without latching."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED = "returned"
    SHELVED = "shelved"
    SUPPRESSED = "suppressed"
    OUT_OF_SERVICE = "out-of-service"


class Priority(StrEnum):
    """How soon somebody must act."""

    HIGH = "high"
    MEDIUM = "medium"
    LOW = "low"


class Step(StrEnum):
    """What a message tells of an incident."""

    OPENED = "opened"
    """It begins, or shows again after somebody had hidden it."""
    WORSE = "worse"
    """A higher priority, a threshold passed, another device, or more than was acknowledged."""
    OVER = "over"
    """None of its alarms is active any more."""


class AccountFigure(NamedTuple):
    """A figure of an account: what people call it, its value, and its unit as SenML writes it.

    A value that is no number stands as it is read, with an empty unit; `ci95` is the half width
    of its 95 % interval, where it has one.
    """

    name: str
    value: float | str
    unit: str = ""
    ci95: float | None = None


@dataclass(frozen=True, slots=True)
class Account:
    """What people are shown of an incident, as it is at `time_ms` (UTC).

    `headline`, `now`, `likely` and `response` are plain sentences. `state` is that of its alarms
    that ask most of somebody; "over" once none is active. `since_ms` (UTC) is the first sign of
    it, `over_ms` its end where that is known. `time_left_s`: how long until a threshold at this
    rate, None where that is not known, or there is none. `alarms` are the IDs of its occurrences,
    `subjects` the devices and sensors they are of. `acknowledged_by` are those who have
    acknowledged it, though not all of it while its state is unacknowledged. `is_present` is false
    while it is only held on, because it comes and goes, and is away just now.
    """

    id: str
    site: str
    headline: str
    priority: Priority
    state: str
    time_ms: int
    since_ms: int
    now: str
    over_ms: int | None = None
    time_left_s: float | None = None
    likely: str = ""
    response: str = ""
    acknowledged_by: str = ""
    alarms: tuple[str, ...] = ()
    subjects: tuple[str, ...] = ()
    figures: tuple[AccountFigure, ...] = ()
    is_present: bool = True

    @property
    def is_over(self) -> bool:
        """Whether none of its alarms is active."""
        return self.state == OVER

    @property
    def is_hidden(self) -> bool:
        """Whether somebody, or the design, has put all of it out of sight."""
        return self.state in _HIDDEN

    def public(self) -> dict[str, Any]:
        """Give the published form: MQTT, `status --json`, the programs of users."""
        return {
            "id": self.id,
            "site": self.site,
            "headline": self.headline,
            "priority": self.priority.value,
            "state": self.state,
            "time": to_rfc3339(self.time_ms),
            "since": to_rfc3339(self.since_ms),
            "over": None if self.over_ms is None else to_rfc3339(self.over_ms),
            "now": self.now,
            "time_left_s": self.time_left_s,
            "likely": self.likely,
            "response": self.response,
            "acknowledged_by": self.acknowledged_by or None,
            "alarms": list(self.alarms),
            "subjects": list(self.subjects),
            "figures": [
                {"name": name, "value": value, "unit": unit}
                | ({} if ci95 is None else {"ci95": ci95})
                for name, value, unit, ci95 in self.figures
            ],
        }

    @classmethod
    def from_public(cls, record: Mapping[str, Any]) -> "Account":
        """Rebuild an account from its published form."""
        over = record["over"]
        known = {each.name: record[each.name] for each in fields(cls) if each.name in record}
        return cls(
            **known
            | {
                "priority": Priority(record["priority"]),
                "time_ms": from_rfc3339(record["time"]),
                "since_ms": from_rfc3339(record["since"]),
                "over_ms": None if over is None else from_rfc3339(over),
                "acknowledged_by": record["acknowledged_by"] or "",
                "alarms": tuple(record["alarms"]),
                "subjects": tuple(record["subjects"]),
                "figures": tuple(AccountFigure(**each) for each in record["figures"]),
            }
        )


OVER = "over"
"""The state of an incident none of whose alarms is active."""
_HIDDEN = {AlarmState.SHELVED, AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE}


class Message(NamedTuple):
    """What people are to be told of an incident: how it is, and what it did since the last one.

    `priorities` are all under which it was told since it opened: who heard of it hears its end.
    """

    step: Step
    account: Account
    transitions: tuple["Transition", ...]
    priorities: tuple[Priority, ...] = ()


@dataclass(frozen=True, slots=True)
class Transition:
    """One change of state of one alarm.

    `t` is watch time (ms), `utc_ms` the same instant in UTC. `id` names the occurrence, from its
    raise until it is normal. `cause` is what one event explains (a device's heat, a sensor's node,
    the broker); `incident` names the incident that it belongs to, if it does. `likely` and
    `response` say what it likely is and what to do. `message` is what people are to be told
    with it; the last transition of an incident at an instant carries it.
    """

    t: int
    utc_ms: int
    id: str
    site: str
    subject: str
    condition: str
    state: AlarmState
    previous: AlarmState
    priority: Priority
    text: str
    values: Mapping[str, Any]
    cause: str
    likely: str = ""
    response: str = ""
    incident: str = ""
    message: Message | None = field(default=None, compare=False)

    @property
    def key(self) -> str:
        """SUBJECT/CONDITION: which alarm it is of."""
        return f"{self.subject}/{self.condition}"

    @property
    def is_raise(self) -> bool:
        """Whether this tells of a condition that somebody has not acknowledged."""
        return self.state is AlarmState.UNACKNOWLEDGED

    @property
    def is_return(self) -> bool:
        """Whether the condition went away (to returned, or to normal once acknowledged)."""
        return self.state is AlarmState.RETURNED or (
            self.previous is AlarmState.ACKNOWLEDGED and self.state is AlarmState.NORMAL
        )

    def public(self) -> dict[str, Any]:
        """Give the published form: replay lines, `alarms --json`, MQTT."""
        return {
            "time": to_rfc3339(self.utc_ms),
            "id": self.id,
            "site": self.site,
            "subject": self.subject,
            "condition": self.condition,
            "state": self.state.value,
            "previous": self.previous.value,
            "priority": self.priority.value,
            "text": plain(self.text),
            "values": dict(self.values),
        }

    def record(self) -> dict[str, Any]:
        """Give everything, as JSON-able values, for the store."""
        return self.public() | {
            "text": self.text,
            "t": self.t,
            "cause": self.cause,
            "likely": self.likely,
            "response": self.response,
            "incident": self.incident,
        }

    @classmethod
    def from_record(cls, record: Mapping[str, Any]) -> "Transition":
        """Rebuild a transition from `record`; of an older version it knows no incident."""
        known = {each.name: record[each.name] for each in fields(cls) if each.name in record}
        return cls(
            **known
            | {
                "utc_ms": from_rfc3339(record["time"]),
                "state": AlarmState(record["state"]),
                "previous": AlarmState(record["previous"]),
                "priority": Priority(record["priority"]),
            }
        )


HOUR_MS = 3_600_000
RESET_AFTER = 3
"""So many refused of one sensor within an hour: its devices' observers begin again."""
REST_MS = 60_000
"""For so long a sensor is not judged when even that has not helped: going back costs time."""
MOST_SUBJECTS = 20
LONGEST_EXCERPT = 120

MESSAGE, DEADLINE = "message", "deadline"
"""What is set aside: something that came, or the judging of something that did not."""


class Refusal(NamedTuple):
    """One input, or deadline, that was set aside: at which instant, of whom, what, and why."""

    t: int
    subject: str
    excerpt: str
    error: str
    messages: int = 1
    sensor: bool = False
    """Whether the subject is a sensor of the configuration."""
    what: str = MESSAGE

    @classmethod
    def told_by(cls, entry: Entry) -> "Refusal":
        """Read an entry that tells of something set aside."""
        data = entry.data
        subject, excerpt, error = (
            str(data[key])[:LONGEST_EXCERPT] for key in ("subject", "excerpt", "error")
        )
        return cls(entry.t, subject, excerpt, error, int(data["messages"]))


class Refusals:
    """By subject and kind the newest refusal and how many; the longest silent are forgotten."""

    def __init__(self) -> None:
        self._newest: dict[tuple[str, str], Refusal] = {}
        self._instants: dict[str, deque[int]] = {}
        self.rests: dict[str, int] = {}
        """Until when (watch ms) a sensor is not judged."""

    def note(self, refusal: Refusal) -> int:
        """Take one; say how many of its subject there were within the hour."""
        subject, t = refusal.subject, refusal.t
        key = subject, refusal.what
        before = self._newest.pop(key, None)
        if before is not None:
            refusal = refusal._replace(messages=before.messages + refusal.messages)
        self._newest[key] = refusal
        instants = self._instants.pop(subject, deque(maxlen=RESET_AFTER + 1))
        instants.append(t)
        self._instants[subject] = instants
        if len(self._newest) > MOST_SUBJECTS:
            del self._newest[next(iter(self._newest))]
        if len(self._instants) > MOST_SUBJECTS:
            del self._instants[next(iter(self._instants))]
        return sum(1 for instant in instants if t - instant < HOUR_MS)

    def is_resting(self, subject: str, t: int) -> bool:
        """Whether a sensor that is left out rests still: what it says is counted. Else it ends."""
        if t >= self.rests[subject]:
            del self.rests[subject]
            return False
        key = subject, MESSAGE
        if (before := self._newest.get(key)) is not None:
            self._newest[key] = before._replace(messages=before.messages + 1)
        return True

    @property
    def last(self) -> Refusal | None:
        """The newest of all."""
        return next(reversed(self._newest.values()), None)

    @property
    def all(self) -> list[Refusal]:
        """The newest of each subject, the newest last."""
        return list(self._newest.values())

    def forget(self) -> None:
        """Nothing was refused for long: count anew."""
        self._newest.clear()

    def save(self) -> dict[str, Any]:
        """Give the state as JSON-able values."""
        return {
            "newest": [list(each) for each in self._newest.values()],
            "instants": {name: list(times) for name, times in self._instants.items()},
            "rests": dict(self.rests),
        }

    @classmethod
    def load(cls, state: Mapping[str, Any]) -> "Refusals":
        """Go on from a saved state; one of an earlier version knows of none."""
        new = cls()
        for refusal in (Refusal(*each) for each in state.get("newest", ())):
            new._newest[refusal.subject, refusal.what] = refusal
        for subject, times in state.get("instants", {}).items():
            new._instants[subject] = deque(times, maxlen=RESET_AFTER + 1)
        new.rests.update(state.get("rests", {}))
        return new


def renamed_refusals(state: Mapping[str, Any], called: Callable[[str], str]) -> dict[str, Any]:
    """Give a saved state with other names of sensors."""
    return {
        "newest": [[t, called(name), *rest] for t, name, *rest in state["newest"]],
        "instants": {called(name): times for name, times in state["instants"].items()},
        "rests": {called(name): until_t for name, until_t in state["rests"].items()},
    }


def describe_error(error: BaseException) -> str:
    """Say in a few words what an exception says: its kind and the beginning of its text."""
    try:
        text = str(error)
    except Exception:  # noqa: BLE001 - an exception without words is named by its kind
        text = ""
    kind = type(error).__name__
    return f"{kind}: {text[:LONGEST_EXCERPT]}" if text else kind


MOST_SINCE = 16_000
"""Inputs after which the state is kept anew: some 3 MB, and a third of a second to go back."""
MANY_SINCE = 500
"""After a way back that was longer than this it is kept anew: the next may come soon."""

Waited = tuple[int, str, float]
"""A reading with a time of its own (watch ms): sensor and value."""
Passed = tuple[int, int | Waited | None]
"""What fell due and is not judged: the instant, and the order of a deadline, a reading that had
waited, or None for all of that instant."""


class RestorePoint:
    """The engine as it once stood, and what it has been told since.

    An input costs an entry in a list, so the hot path hardly notices. Judging is deterministic: the
    same inputs, again, give the state as if the bad one had never come.
    """

    def __init__(self) -> None:
        self.since: list[Reading | Entry | Refusal] = []
        self.passed: dict[Passed, str] = {}
        """What fell due since and could not be judged, and why."""
        self._kept: bytes | None = None
        self._advanced: tuple[int, int] | None = None

    def keep(self, state: Mapping[str, Any]) -> None:
        """Let this be where a way back begins."""
        # Pickle copies what the engine goes on changing. It never leaves this process.
        self._kept = pickle.dumps(state, protocol=pickle.HIGHEST_PROTOCOL)
        self.since.clear()
        self.passed.clear()
        self._advanced = None

    def kept(self) -> dict[str, Any] | None:
        """Give what was kept; None: an engine that had been told nothing."""
        if self._kept is None:
            return None
        state: dict[str, Any] = pickle.loads(self._kept)  # noqa: S301 - our own, from memory
        return state

    def advanced(self, to: int) -> None:
        """Time was let pass up to and including an instant, after the last input."""
        self._advanced = to, len(self.since)

    @property
    def advanced_to(self) -> int | None:
        """How far time was let pass since the last input; None where it was not."""
        if self._advanced is None or self._advanced[1] != len(self.since):
            return None
        return self._advanced[0]
