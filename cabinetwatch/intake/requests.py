"""What other threads ask of the network thread, and the bell that wakes it."""

import socket
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from typing import NamedTuple

Answer = Callable[[bool], None]


class Publication(NamedTuple):
    """A message to publish. `on_done` is told whether the broker confirmed it."""

    topic: str
    payload: bytes
    retain: bool
    qos: int
    on_done: Answer

    def packet_bytes(self, *, properties: bool) -> int:
        """Give the size of its PUBLISH packet (MQTT 5.0, 3.3); 3.1.1 has no properties."""
        body = (
            2 + len(self.topic.encode()) + (2 if self.qos else 0) + properties + len(self.payload)
        )
        # The remaining length takes a byte for every seven of its bits (1.5.5).
        return 1 + -(-max(body.bit_length(), 1) // 7) + body


class Bell:
    """Wakes a thread that waits in `select`. `ring` may be called by any thread."""

    def __init__(self) -> None:
        self._inner, self._outer = socket.socketpair()
        self._inner.setblocking(False)
        self._outer.setblocking(False)
        self._rung = False

    @property
    def socket(self) -> socket.socket:
        """The socket that becomes readable."""
        return self._inner

    def ring(self) -> None:
        """Wake the thread. What it was rung for must be in place before."""
        if not self._rung:
            self._rung = True
            # Closed meanwhile: then nobody is left to wake.
            with suppress(OSError):
                self._outer.send(b"\0")

    def silence(self) -> None:
        """Take note that it rang; what it was rung for must be looked at afterwards."""
        with suppress(BlockingIOError):
            self._inner.recv(4096)
        self._rung = False

    def close(self) -> None:
        """Free its sockets; ringing does nothing from now on."""
        self._inner.close()
        self._outer.close()


class Requests:
    """The requests of other threads, in the order in which they were made."""

    def __init__(self) -> None:
        self.acknowledgements: deque[tuple[int, int]] = deque()
        self.publications: deque[Publication] = deque()
