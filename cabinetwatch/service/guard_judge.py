"""Whether the watch is alive, as heard from another computer. Pure."""

import json
from dataclasses import dataclass
from typing import Literal

MOST_BYTES = 4096


@dataclass(frozen=True, slots=True)
class Verdict:
    """News of the watch: it is `gone` for `for_s` seconds, and why; or it is `back` after them."""

    kind: Literal["gone", "back"]
    for_s: float
    why: str = ""


def read_heartbeat(payload: bytes) -> bool | None:
    """Give what a message on PREFIX/watch says: online or not; None when it says neither."""
    if len(payload) > MOST_BYTES:
        return None
    try:
        said = json.loads(payload)
    except (ValueError, RecursionError):
        return None
    online = said.get("online") if isinstance(said, dict) else None
    return online if isinstance(online, bool) else None


class Judge:
    """Tells each absence of the watch once, and its return once.

    Only a heartbeat that comes by itself is a sign of life: the broker's retained copy may be of
    any age. All times are seconds of one clock that never steps and, so that a guard that sleeps
    blames nobody, stands still while the guard's machine does.

    Args:
        after_s: how long without a sign of life is told.
        now_s: the time now; the watch has this long again to be heard for the first time.
    """

    def __init__(self, after_s: float, now_s: float) -> None:
        self._after_s = after_s
        self._alive_s = now_s
        self._ever_heard = False
        self._gone = False
        self._broker_trouble: str | None = "the broker has not answered"
        self._said_offline = False

    def connection(self, *, up: bool, reason: str) -> None:
        """Take that the guard's own way to the broker is there, or why not."""
        self._broker_trouble = None if up else reason

    def heard(self, payload: bytes, *, retained: bool, now_s: float) -> Verdict | None:
        """Take a message on PREFIX/watch; give the news, if it is any."""
        online = read_heartbeat(payload)
        if online is None:
            return None
        self._said_offline = not online
        if retained or not online:
            return None
        away_s = now_s - self._alive_s
        was_gone, self._gone = self._gone, False
        self._alive_s, self._ever_heard = now_s, True
        return Verdict("back", away_s) if was_gone else None

    def look(self, now_s: float) -> Verdict | None:
        """Let time pass; give the news that the watch is gone, once."""
        away_s = now_s - self._alive_s
        if self._gone or away_s < self._after_s:
            return None
        self._gone = True
        return Verdict("gone", away_s, self._why())

    def _why(self) -> str:
        if self._broker_trouble is not None:
            return (
                f"The guard can't hear it, for it has no connection to the broker:"
                f" {self._broker_trouble}. Broker, network or power may be gone; whether the watch"
                f" itself runs can't be known from here."
            )
        if self._said_offline:
            return (
                "The broker says that it is offline: it was stopped, it has died, or its computer"
                " has lost its power or its network."
            )
        if not self._ever_heard:
            return (
                "The broker is there, but the watch has not been heard since the guard began to"
                " listen. Does it run, and do both use the same broker and publish_under?"
            )
        return (
            "The broker is there, but the watch has fallen silent: it hangs, or has lost its way"
            " to the broker."
        )
