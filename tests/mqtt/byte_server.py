"""A server that speaks MQTT byte by byte as a test dictates, for faults no real broker makes."""

import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress

from tests.support.patience import WITHIN_S

CONNACK_5 = bytes([0x20, 3, 0, 0, 0])
CONNACK_311 = bytes([0x20, 2, 0, 0])
CONNACK_311_UNKNOWN_PROTOCOL = bytes([0x20, 2, 0, 1])


def packet(first: int, body: bytes) -> bytes:
    """Put a fixed header before a body of at most 16,383 bytes (MQTT 5.0, 2.1)."""
    size = len(body)
    length = bytes([size]) if size < 128 else bytes([size % 128 | 128, size // 128])
    return bytes([first]) + length + body


def publish_5(topic: bytes, payload: bytes, packet_id: int, *, flags: int = 0x02) -> bytes:
    """Make a PUBLISH of MQTT 5.0 (3.3), QoS 1 unless the flags say otherwise."""
    body = len(topic).to_bytes(2) + topic + packet_id.to_bytes(2) + b"\0" + payload
    return packet(0x30 | flags, body)


class Peer:
    """The server's end of one connection."""

    def __init__(self, connection: socket.socket) -> None:
        self._connection = connection
        self._connection.settimeout(WITHIN_S)

    def send(self, data: bytes) -> None:
        """Send bytes as they are."""
        self._connection.sendall(data)

    def receive(self) -> tuple[int, bytes] | None:
        """Give the next packet as its first byte and its body; None at the end of the stream."""
        first = self._connection.recv(1)
        if not first:
            return None
        size, shift = 0, 0
        while True:
            (byte,) = self._exactly(1)
            size |= (byte & 127) << shift
            shift += 7
            if byte < 128:
                return first[0], self._exactly(size)

    def receive_kind(self, kind: int) -> bytes:
        """Give the body of the next packet of a kind (its first four bits), others left out."""
        while True:
            received = self.receive()
            if received is None:
                raise ConnectionError("the client has closed the connection")
            if received[0] & 0xF0 == kind:
                return received[1]

    def wait_closed(self) -> None:
        """Read until the client has closed, with or without having read all that was sent."""
        with suppress(ConnectionResetError):
            while self.receive() is not None:
                pass

    def _exactly(self, size: int) -> bytes:
        data = b""
        while len(data) < size:
            chunk = self._connection.recv(size - len(data))
            if not chunk:
                raise ConnectionError("the client closed in mid-packet")
            data += chunk
        return data


@contextmanager
def byte_server(*scripts: Callable[[Peer], None]) -> Iterator[int]:
    """A server whose nth connection runs the nth script and then closes; gives its port."""
    failures: list[BaseException] = []
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.settimeout(WITHIN_S)

        def serve() -> None:
            try:
                for script in scripts:
                    connection, _ = server.accept()
                    with connection:
                        script(Peer(connection))
            except (AssertionError, OSError) as error:
                failures.append(error)

        thread = threading.Thread(target=serve, daemon=True)
        thread.start()
        yield server.getsockname()[1]
        thread.join(WITHIN_S)
    if failures:
        raise failures[0]
    assert not thread.is_alive(), "not every connection was made"
