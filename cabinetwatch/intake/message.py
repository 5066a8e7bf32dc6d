"""What the session hands over: messages, and news of the connection."""

from collections.abc import Callable
from typing import Literal, NamedTuple


class Incoming(NamedTuple):
    """A message as it came in.

    `epoch` counts the connections of this process, from 1: a packet identifier means something
    only within one. `packet_id` is 0 at QoS 0. `t` is the arrival in watch time (ms). `resumed`
    tells whether the connection took up a session that the broker had kept. `stalled_ms` is how
    long, up to now in this connection, nothing could arrive: the receive window stood full, or we
    read nothing.
    """

    epoch: int
    packet_id: int
    topic: str
    payload: bytes
    qos: int
    dup: bool
    retain: bool
    t: int
    resumed: bool
    stalled_ms: int = 0


class ConnectionEvent(NamedTuple):
    """The connection came up, went down, or an attempt failed for a new reason.

    `reason` is a sentence for people. `end` says how a connection that was up ended: "taken" (the
    broker says that another client took the session over), "closed" (by the other side, without a
    word), or neither. When it is up, `protocol` is "5" or "3.1.1", and
    `receive_maximum` the window we asked for, None in 3.1.1, which knows none.
    """

    up: bool
    epoch: int
    t: int
    session_present: bool
    reason: str
    protocol: str
    receive_maximum: int | None
    end: Literal["taken", "closed", ""] = ""


class Will(NamedTuple):
    """What the broker publishes, retained, when we vanish without a word.

    `payload` is asked for at each connecting.
    """

    topic: str
    payload: Callable[[], bytes]
