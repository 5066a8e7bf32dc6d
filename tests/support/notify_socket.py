"""The end of $NOTIFY_SOCKET where systemd would listen, as sd_notify(3) describes it."""

import queue
import socket
import threading
from contextlib import suppress
from pathlib import Path
from types import TracebackType

from tests.support.patience import WITHIN_S


class NotifySocket:
    """A real datagram socket that keeps what a service says.

    It is read all the time, as systemd reads its own: the kernel holds but ten datagrams, and who
    sends more drops them.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind(str(path))
        self._come: queue.SimpleQueue[str] = queue.SimpleQueue()
        self._closing = threading.Event()
        self._thread = threading.Thread(target=self._read, daemon=True)
        self.messages: list[str] = []
        self._thread.start()

    def environment(self, watchdog_s: float | None = None) -> dict[str, str]:
        """Give the variables that systemd sets for a service."""
        variables = {"NOTIFY_SOCKET": str(self.path)}
        if watchdog_s is not None:
            variables["WATCHDOG_USEC"] = str(round(watchdog_s * 1_000_000))
        return variables

    def wait_for(self, start: str) -> str:
        """Take messages until one begins like this; give it.

        Raises:
            TimeoutError: none came in time, from one message to the next.
        """
        while True:
            try:
                message = self._come.get(timeout=WITHIN_S)
            except queue.Empty:
                raise TimeoutError(f"waited for {start!r}; came {self.messages[-5:]}") from None
            self.messages.append(message)
            if message.startswith(start):
                return message

    def wait_status(self, *parts: str) -> str:
        """Take messages until a status holds all these texts; give it."""
        while True:
            message = self.wait_for("STATUS=")
            if all(part in message for part in parts):
                return message

    def during(self, seconds: float) -> list[str]:
        """Give what comes until nothing has come for so long."""
        came = []
        while True:
            try:
                came.append(self._come.get(timeout=seconds))
            except queue.Empty:
                self.messages += came
                return came

    def _read(self) -> None:
        self._socket.settimeout(0.1)
        while not self._closing.is_set():
            with suppress(TimeoutError):
                self._come.put(self._socket.recv(4096).decode())

    def __enter__(self) -> "NotifySocket":
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        at: TracebackType | None,
    ) -> None:
        self._closing.set()
        self._thread.join(WITHIN_S)
        self._socket.close()
