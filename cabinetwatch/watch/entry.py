"""What the engine is told beside readings: the entries of the journal."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any


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
    which the service gives once a summary has told of a returned alarm), id or subject, for_s,
    reason, by. Or command learn, device, by; and if it was taught from the record, from and to
    (RFC 3339) and the taught observer's state, observer. Or trial-begin (trial, device, change),
    trial-phase (trial, phase), trial-end (trial). Or note (text; device and at, RFC 3339)."""
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
