"""What the engine knows of the connection to the broker: whether it holds, and who broke it. Pure.

A connection that is made says little: a second client under our client ID lets each of us in and
throws the other out, for ever. So a connection counts only once it has held.
"""

from collections.abc import Mapping
from typing import Any, Literal

HOLDS_AFTER_MS = 30_000
"""How long a connection must have held to count as one; until then it may be a flapping one. Longer
than it takes to find out that a way carries nothing (one and a half keepalives of 15 s)."""

TAKEN_WITHIN_MS = 60_000
"""Two connections that the other side closed without a word, before they held, and both within
this: somebody else comes in under our client ID. Our choice."""

TAKEN_FOR_MS = 300_000
"""So long without a further sign, nobody takes our session any more: five of the longest waits
between two attempts of ours (common practice, no source)."""

End = Literal["taken", "closed", ""]
"""How a connection ended: the broker said that another client took the session over; it was closed
by the other side without a word; or neither."""


class ConnectionView:
    """The connection, as the journal's entries tell of it. Instants are watch time (ms).

    `up` says that the broker has let us in, `held` that it has held for so long since. `away_t` is
    when the last one that held was lost, or the watch started; None while one holds. `since_t` is
    since when the present one has been listened to without a break. `broken` counts those that were
    lost since `away_t`, before they held, the first of them at `flapped_t`.
    `taken_t` is the last sign that another client uses our client ID, None without any;
    `told_taken` whether the broker itself has said so.
    """

    order = -1
    """Of its deadline: at one instant it is settled before what hangs on it."""

    def __init__(self) -> None:
        self.up = False
        self.held = False
        self.since_t = 0
        self.away_t: int | None = None
        self.broken = 0
        self.flapped_t: int | None = None
        self.reason = ""
        self.client_id = ""
        self.taken_t: int | None = None
        self.told_taken = False
        self._closed_t: int | None = None
        self._neglected = False
        """Whether nobody listened for a while since it was made."""

    @property
    def due(self) -> int | None:
        """When the present connection will have held."""
        return self.since_t + HOLDS_AFTER_MS if self.up and not self.held else None

    @property
    def back(self) -> bool:
        """Whether there is a connection that nothing speaks against, though it may not hold yet.

        It doesn't count for what is raised already; it keeps an absence that seems over from being
        raised.
        """
        return self.held or (self.up and self.flapped_t is None)

    def is_taken(self, t: int) -> bool:
        """Whether another client, as far as known, uses our client ID at `t`."""
        return self.taken_t is not None and t < self.taken_t + TAKEN_FOR_MS

    def begin(self, t: int) -> None:
        """The watch starts: that nobody takes the session any more must show anew."""
        self.away_t = t
        if self.taken_t is not None:
            self.taken_t = t

    def stop(self, t: int) -> None:
        """The watch has left the broker in good order, or is found to have ended."""
        self._leave(t)
        self.broken, self.flapped_t, self._closed_t = 0, None, None
        self.reason = ""
        if not self.is_taken(t):
            self.taken_t = None

    def made(self, t: int, data: Mapping[str, Any]) -> None:
        """The broker has let us in."""
        self.up, self.held, self.since_t = True, False, t
        self._neglected = False
        self.client_id = str(data.get("client_id", ""))

    def hold(self) -> None:
        """It has held for so long that it counts."""
        self.held = True
        self.away_t, self.broken, self.flapped_t = None, 0, None
        self._closed_t = None
        self.reason = ""

    def paused(self, to_t: int, ms: int) -> None:
        """Nobody listened for `ms` until `to_t`: from there on it must hold, and be heard.

        A broker breaks off with who doesn't listen: that says nothing against the connection.
        """
        if self.up:
            self.since_t, self._neglected = to_t, True
        if self.away_t is not None:
            self.away_t += ms
        if self.flapped_t is not None:
            self.flapped_t += ms

    def lost(self, t: int, data: Mapping[str, Any]) -> None:
        """It is gone; or, without any, an attempt failed."""
        end = data.get("end", "")
        if self.up and not self._neglected:
            self._look_who(t, end)
        elif not self.up:
            # Where another client takes our place the broker lets us in each time.
            self._closed_t = None
        if self.up and not self.held and not self._neglected:
            self.broken += 1
            self.flapped_t = t if self.flapped_t is None else self.flapped_t
        self.reason = str(data.get("reason", ""))
        self._leave(t)

    def _look_who(self, t: int, end: End) -> None:
        was_taken = self.is_taken(t)
        before_t, self._closed_t = self._closed_t, None
        if end == "taken":
            self.taken_t, self.told_taken = t, True
        elif end == "closed" and was_taken:
            # Known to be so: then any connection that is closed says that it goes on.
            self.taken_t = t
        elif end == "closed" and not self.held:
            if before_t is not None and t - before_t <= TAKEN_WITHIN_MS:
                self.taken_t, self.told_taken = t, False
            self._closed_t = t

    def _leave(self, t: int) -> None:
        if self.held:
            self.away_t = t
        self.up = self.held = False

    def save(self) -> dict[str, Any]:
        """Give the state as JSON-able values."""
        return {
            "held": self.held,
            "since_t": self.since_t,
            "away_t": self.away_t,
            "broken": self.broken,
            "flapped_t": self.flapped_t,
            "client_id": self.client_id,
            "taken_t": self.taken_t,
            "told_taken": self.told_taken,
            "closed_t": self._closed_t,
            "neglected": self._neglected,
        }

    def load(self, state: Mapping[str, Any], *, up: bool, reason: str) -> None:
        """Go on from a saved state; one of an earlier version says only whether there was one."""
        self.up, self.reason = up, reason
        self.held = state.get("held", up)
        self.since_t = state.get("since_t", 0)
        self.away_t = state.get("away_t")
        self.broken = state.get("broken", 0)
        self.flapped_t = state.get("flapped_t")
        self.client_id = state.get("client_id", "")
        self.taken_t = state.get("taken_t")
        self.told_taken = state.get("told_taken", False)
        self._closed_t = state.get("closed_t")
        self._neglected = state.get("neglected", False)
