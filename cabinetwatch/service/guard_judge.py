"""Whether the watch is alive, as heard from another computer. Pure."""

import json
from dataclasses import dataclass
from typing import Literal, NamedTuple

MOST_BYTES = 4096

SHARED_FOR_S = 600.0
"""So long after the last sign of a second watch there is one alone: twenty heartbeats."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """News of the watch, after `for_s` seconds, and why.

    It is `gone`, or `back`; it is `shared`, for there is a second one or another client under its
    name, or it is `alone` again.
    """

    kind: Literal["gone", "back", "shared", "alone"]
    for_s: float
    why: str = ""


class Heartbeat(NamedTuple):
    """What a message on PREFIX/watch says. `run` names the run of the watch that sent it."""

    online: bool
    run: str = ""
    session_taken: bool = False


def read_heartbeat(payload: bytes) -> Heartbeat | None:
    """Give what a message on PREFIX/watch says; None when it is none of the watch's."""
    if len(payload) > MOST_BYTES:
        return None
    try:
        said = json.loads(payload)
    except (ValueError, RecursionError):
        return None
    if not isinstance(said, dict) or not isinstance(said.get("online"), bool):
        return None
    run = said.get("run")
    return Heartbeat(
        said["online"], run if isinstance(run, str) else "", said.get("session_taken") is True
    )


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
        self._runs: list[str] = []
        self._shared_s: float | None = None
        self._shared_since_s = now_s

    def connection(self, *, up: bool, reason: str) -> None:
        """Take that the guard's own way to the broker is there, or why not."""
        self._broker_trouble = None if up else reason

    def heard(self, payload: bytes, *, retained: bool, now_s: float) -> Verdict | None:
        """Take a message on PREFIX/watch; give the news, if it is any."""
        beat = read_heartbeat(payload)
        if beat is None:
            return None
        self._said_offline = not beat.online
        if retained or not beat.online:
            return None
        away_s = now_s - self._alive_s
        was_gone, self._gone = self._gone, False
        self._alive_s, self._ever_heard = now_s, True
        if was_gone:
            return Verdict("back", away_s)
        return self._look_for_another(beat, now_s)

    def _look_for_another(self, beat: Heartbeat, now_s: float) -> Verdict | None:
        """Find a second watch: a run that is heard again after another was heard is still there.

        A restart changes the run once and for good.
        """
        runs = self._runs
        why = "" if not beat.session_taken else _SESSION_TAKEN
        if beat.run and (not runs or runs[-1] != beat.run):
            if beat.run in runs:
                why = why or _TWO_WATCHES
            # The last two suffice: it is heard by turns.
            self._runs = [*runs[-1:], beat.run]
        if not why:
            return None
        was_shared, self._shared_s = self._shared_s is not None, now_s
        if was_shared:
            return None
        self._shared_since_s = now_s
        return Verdict("shared", 0.0, why)

    def look(self, now_s: float) -> Verdict | None:
        """Let time pass; give the news that the watch is gone, or alone again, once."""
        if self._shared_s is not None and now_s - self._shared_s >= SHARED_FOR_S:
            self._shared_s = None
            return Verdict("alone", now_s - self._shared_since_s)
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


_SESSION_TAKEN = (
    "The watch says that another client uses its client ID: each throws the other off the broker,"
    " so that the watch hears only part of what is sent."
)
_TWO_WATCHES = (
    "Two watches publish under the same topics, by turns. If they share a client ID, each hears"
    " only part of what is sent; if not, nobody can hear from here when one of them is gone."
)
