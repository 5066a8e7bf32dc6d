"""What systemd is told of a service: ready, reloading, stopping, alive, as sd_notify(3) lays down.

Some lines that need no library: one datagram to the socket that $NOTIFY_SOCKET names.
"""

import logging
import os
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager

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
