"""Alarm states and the transitions between them, in the words of ISA-18.2 / IEC 62682."""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from cabinetwatch.times import from_rfc3339, to_rfc3339


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


@dataclass(frozen=True, slots=True)
class Transition:
    """One change of state of one alarm.

    `t` is watch time (ms), `utc_ms` the same instant in UTC. `id` names the occurrence, from its
    raise until it is normal. `cause` groups transitions that one event explains (the ambient
    sensor, the broker, the enclosing device): those of one cause at one instant are one mail.
    `likely` and `response` say what it likely is and what to do; a notice shows them.
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
            "text": self.text,
            "values": dict(self.values),
        }

    def record(self) -> dict[str, Any]:
        """Give everything, as JSON-able values, for the store."""
        return self.public() | {
            "t": self.t,
            "cause": self.cause,
            "likely": self.likely,
            "response": self.response,
        }

    @classmethod
    def from_record(cls, record: Mapping[str, Any]) -> "Transition":
        """Rebuild a transition from `record`."""
        return cls(
            t=record["t"],
            utc_ms=from_rfc3339(record["time"]),
            id=record["id"],
            site=record["site"],
            subject=record["subject"],
            condition=record["condition"],
            state=AlarmState(record["state"]),
            previous=AlarmState(record["previous"]),
            priority=Priority(record["priority"]),
            text=record["text"],
            values=record["values"],
            cause=record["cause"],
            likely=record["likely"],
            response=record["response"],
        )
