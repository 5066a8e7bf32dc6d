"""What the engine is told and what it answers: readings, journal entries, transitions."""

from collections.abc import Mapping
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
        over, left_s = record["over"], record["time_left_s"]
        return cls(
            id=record["id"],
            site=record["site"],
            headline=record["headline"],
            priority=Priority(record["priority"]),
            state=record["state"],
            time_ms=from_rfc3339(record["time"]),
            since_ms=from_rfc3339(record["since"]),
            now=record["now"],
            over_ms=None if over is None else from_rfc3339(over),
            time_left_s=left_s,
            likely=record["likely"],
            response=record["response"],
            acknowledged_by=record["acknowledged_by"] or "",
            alarms=tuple(record["alarms"]),
            subjects=tuple(record["subjects"]),
            figures=tuple(AccountFigure(**each) for each in record["figures"]),
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
