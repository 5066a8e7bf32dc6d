"""Feeds systemd's watchdog for as long as every part of the daemon makes progress."""

import logging
import time
from collections.abc import Callable

from cabinetwatch.service.daemon import Daemon
from cabinetwatch.service.systemd import Notifier
from cabinetwatch.service.vitality import Stall, Vitality
from cabinetwatch.times import describe_duration

_log = logging.getLogger(__name__)

_LOOK_AT_LEAST_EVERY_S = 5.0
_LOOKS_IN_A_LIMIT = 4


class Watchdog:
    """Looks after one daemon, from its start to its end; to be called from the main thread."""

    def __init__(
        self, daemon: Daemon, notifier: Notifier, now_s: Callable[[], float] = time.monotonic
    ) -> None:
        self._daemon = daemon
        self._notifier = notifier
        self._now_s = now_s
        self._vitality = Vitality(daemon.vitals(), now_s())
        limit_s = notifier.watchdog_s or _LOOK_AT_LEAST_EVERY_S * _LOOKS_IN_A_LIMIT
        self._every_s = min(_LOOK_AT_LEAST_EVERY_S, limit_s / _LOOKS_IN_A_LIMIT)
        self._next_s = now_s()
        self._told: set[str] = set()
        self._status = ""

    def look(self) -> None:
        """Look at the parts when it is time; feed the watchdog, or say who makes no progress."""
        now_s = self._now_s()
        if now_s < self._next_s:
            return
        self._next_s = now_s + self._every_s
        stalls = self._vitality.stalls(now_s)
        if not stalls:
            self._notifier.alive()
        self._log(stalls)
        self._show(_status(self._daemon, stalls))

    def _log(self, stalls: list[Stall]) -> None:
        for stall in stalls:
            if stall.name not in self._told:
                _log.critical(
                    "the %s thread has made no progress for %s: the watchdog is fed no longer",
                    stall.name,
                    describe_duration(stall.for_s),
                )
        for name in self._told - {stall.name for stall in stalls}:
            _log.warning("the %s thread goes on again", name)
        self._told = {stall.name for stall in stalls}

    def _show(self, status: str) -> None:
        if status != self._status:
            self._status = status
            self._notifier.status(status)


def _status(daemon: Daemon, stalls: list[Stall]) -> str:
    """Say in one line how the watch does."""
    broker = "connected to the broker" if daemon.connected else "no connection to the broker"
    parts = [f"watching {daemon.config.site.name}: {broker}"]
    if not daemon.store_works:
        parts.append("the store can't be written")
    if stalls:
        parts.append(f"NO PROGRESS: {', '.join(stall.name for stall in stalls)}")
    return "; ".join(parts)
