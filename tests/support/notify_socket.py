"""The end of $NOTIFY_SOCKET where systemd would listen, as sd_notify(3) describes it."""

import socket
from pathlib import Path
from types import TracebackType

from tests.support.patience import WITHIN_S


class NotifySocket:
    """A real datagram socket that keeps what a service says."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind(str(path))
        self.messages: list[str] = []

    def environment(self, watchdog_s: float | None = None) -> dict[str, str]:
        """Give the variables that systemd sets for a service."""
        variables = {"NOTIFY_SOCKET": str(self.path)}
        if watchdog_s is not None:
            variables["WATCHDOG_USEC"] = str(round(watchdog_s * 1_000_000))
        return variables

    def wait_for(self, start: str, within_s: float = WITHIN_S) -> str:
        """Take messages until one begins like this; give it.

        Raises:
            TimeoutError: none came in time, from one message to the next.
        """
        self._socket.settimeout(within_s)
        while True:
            message = self._socket.recv(4096).decode()
            self.messages.append(message)
            if message.startswith(start):
                return message

    def wait_status(self, part: str) -> str:
        """Take messages until a status holds a text; give it."""
        while part not in (message := self.wait_for("STATUS=")):
            continue
        return message

    def during(self, seconds: float) -> list[str]:
        """Give what comes until nothing has come for so long."""
        came = []
        self._socket.settimeout(seconds)
        try:
            while True:
                came.append(self._socket.recv(4096).decode())
        except TimeoutError:
            return came
        finally:
            self.messages += came

    def __enter__(self) -> "NotifySocket":
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        at: TracebackType | None,
    ) -> None:
        self._socket.close()
