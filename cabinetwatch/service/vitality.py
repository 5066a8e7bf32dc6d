"""Which parts of the service make progress: what decides whether the watchdog is fed. Pure."""

from collections.abc import Callable, Iterable
from typing import NamedTuple

ENGINE_S = 60.0
"""It turns at least once a second and waits for nobody."""

NETWORK_S = 180.0
"""It turns once a second but while it connects. A resolver that hangs holds that up: by default 5 s
and two tries for each of at most three name servers (resolv.conf(5)), for each kind of address."""

STORE_S = 600.0
"""A disk that hangs is no reason to end a watch that still sees: after 10 s it is told as a
`store-fault`, and everything goes on from memory. The kernel ends a disk's silence with an error
within some minutes. What stands still for longer than this is a deadlock, and only a new start can
help; so what is told from memory has long been told."""

ATTEMPT_S = 600.0
"""An attempt at a mail server ends after 5 min at the latest, whatever the server does; before it
and after it the store is waited for, 5 s each. The rest is for a machine that is busy."""


class Vital(NamedTuple):
    """A part: `sign` gives a value that changes as long as the part makes progress."""

    name: str
    sign: Callable[[], int]
    limit_s: float


class Stall(NamedTuple):
    """A part that makes no progress, and for how long."""

    name: str
    for_s: float


class Vitality:
    """Looks after parts on the clock of whoever looks.

    That clock should stand still while the machine is suspended, as CLOCK_MONOTONIC does: nobody
    makes progress then.
    """

    def __init__(self, vitals: Iterable[Vital], now_s: float) -> None:
        self._vitals = list(vitals)
        self._seen = {vital.name: (vital.sign(), now_s) for vital in self._vitals}

    def stalls(self, now_s: float) -> list[Stall]:
        """Look at every part and give those that have stood still for longer than they may."""
        found = []
        for vital in self._vitals:
            sign, since_s = vital.sign(), now_s
            if self._seen[vital.name][0] == sign:
                since_s = self._seen[vital.name][1]
            self._seen[vital.name] = (sign, since_s)
            if now_s - since_s > vital.limit_s:
                found.append(Stall(vital.name, now_s - since_s))
        return found
