"""A part of the daemon: a thread that owns one thing; its work, its progress, systemd.

Some lines that need no library: one datagram to the socket that $NOTIFY_SOCKET names.
"""

import logging
import os
import socket
import threading
import time
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from typing import NamedTuple

from cabinetwatch.clock import Clock, WatchTime

_log = logging.getLogger(__name__)

_LONGEST_STATUS = 200
_FEED_EVERY_S = 5.0


class Notifier:
    """The service's end of the socket; where nobody listens every call does nothing.

    The variables are taken out of the environment, so that no child speaks for the service.
    """

    def __init__(self) -> None:
        address = os.environ.pop("NOTIFY_SOCKET", "")
        self._watchdog_us = os.environ.pop("WATCHDOG_USEC", "")
        watchdog_pid = os.environ.pop("WATCHDOG_PID", "")
        if watchdog_pid not in {"", str(os.getpid())}:
            self._watchdog_us = ""
        # A name in the abstract name space is written with an @ for its leading NUL.
        self._address = f"\0{address[1:]}" if address.startswith("@") else address

    @property
    def watchdog_s(self) -> float | None:
        """Within how many seconds systemd wants to hear `alive`; None when it doesn't ask."""
        if not self._watchdog_us.isdecimal() or int(self._watchdog_us) == 0:
            return None
        return int(self._watchdog_us) / 1_000_000

    def ready(self) -> None:
        """Say that the service does its work: after a start, and after a reload."""
        self._send("READY=1")

    def reloading(self) -> None:
        """Say that the configuration is read anew; `ready` ends it."""
        self._send(f"RELOADING=1\nMONOTONIC_USEC={time.monotonic_ns() // 1000}")

    def stopping(self) -> None:
        """Say that the service is about to end."""
        self._send("STOPPING=1")

    def alive(self) -> None:
        """Feed the watchdog."""
        self._send("WATCHDOG=1")

    @contextmanager
    def kept_alive(self, most_s: float) -> Iterator[None]:
        """Feed the watchdog beside something that has time limits of its own, not for longer."""
        done = threading.Event()

        def feed() -> None:
            until = time.monotonic() + most_s
            while time.monotonic() < until and not done.wait(_FEED_EVERY_S):
                self.alive()

        feeder = threading.Thread(target=feed, name="watchdog", daemon=True)
        feeder.start()
        try:
            yield
        finally:
            done.set()
            feeder.join()

    def status(self, text: str) -> None:
        """Give the line that `systemctl status` shows."""
        self._send(f"STATUS={text[:_LONGEST_STATUS]}")

    def _send(self, message: str) -> None:
        if not self._address:
            return
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sender:
                sender.setblocking(False)
                sender.sendto(message.encode("utf-8", "replace"), self._address)
        except OSError as error:
            # A systemd that is being replaced or is busy; the next message is seconds away.
            _log.debug("systemd can't be told: %s", error)


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


class Part(ABC):
    """A named thread. An error that ends it is kept and reported, so that the whole can stop."""

    def __init__(self, name: str, on_failure: Callable[[str, BaseException], None]) -> None:
        self.name = name
        self._on_failure = on_failure
        self._thread = threading.Thread(target=self._guarded, name=name, daemon=True)

    @abstractmethod
    def run(self) -> None:
        """Do the part's work until told to stop."""

    def start(self) -> None:
        """Start the thread."""
        self._thread.start()

    @property
    def alive(self) -> bool:
        """Whether the thread runs."""
        return self._thread.is_alive()

    def join(self, timeout_s: float) -> bool:
        """Wait for the thread to end; say whether it did."""
        if self._thread.is_alive():
            self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def _guarded(self) -> None:
        try:
            self.run()
        except BaseException as error:  # noqa: BLE001 - whatever ends a part must end the daemon
            _log.critical("the %s thread has died: %r", self.name, error, exc_info=error)
            self._on_failure(self.name, error)


class WatchedPart(Part):
    """A part that lives on watch time, and that the watchdog judges by its progress."""

    def __init__(
        self,
        name: str,
        on_failure: Callable[[str, BaseException], None],
        *,
        watch: WatchTime,
        clock: Clock,
    ) -> None:
        super().__init__(name, on_failure)
        self._watch = watch
        self._clock = clock
        self._stopping = False
        self.progress_t = watch.now_ms()
        """Watch time of the last sign of life, for the watchdog."""
