"""A server that says on a socket what a script tells it, for what no real mail server would do."""

import select
import socket
import ssl
import struct
import threading
from collections.abc import Callable
from types import TracebackType

from tests.support.patience import WITHIN_S


class ByteServer:
    """Serves one connection after another with `serve(connection)`; `received` is what came in."""

    def __init__(self, serve: Callable[["Connection"], None]) -> None:
        self._serve = serve
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        self.received = b""
        self._thread = threading.Thread(target=self._run, daemon=True)

    def __enter__(self) -> "ByteServer":
        self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        self._thread.join(WITHIN_S)

    def _run(self) -> None:
        while True:
            try:
                client, _ = self._listener.accept()
            except OSError:
                return
            with client:
                client.settimeout(WITHIN_S)
                connection = Connection(client)
                try:
                    self._serve(connection)
                except OSError:
                    continue
                finally:
                    self.received += connection.received


class Connection:
    """One client's connection."""

    def __init__(self, client: socket.socket) -> None:
        self._client = client
        self._buffer = bytearray()
        self.received = b""

    def say(self, text: str) -> None:
        self._client.sendall(text.encode("latin-1") + b"\r\n")

    def say_bytes(self, data: bytes) -> None:
        self._client.sendall(data)

    def secure(self, context: ssl.SSLContext) -> None:
        """Go over to TLS, from the server's side."""
        self._client = context.wrap_socket(self._client, server_side=True)

    def close(self) -> None:
        """Say no more, in good order."""
        self._client.close()

    def reset(self) -> None:
        """Break the connection off as a crash does."""
        self._client.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        self._client.close()

    def hung_up(self, within_s: float) -> bool:
        """Whether the client goes away, or says something, within so long."""
        return bool(self._buffer or select.select([self._client], [], [], within_s)[0])

    def hear(self) -> bytes:
        """Wait for a line; empty when the client is gone."""
        while (end := self._buffer.find(b"\n") + 1) == 0:
            chunk = self._client.recv(65_536)
            if not chunk:
                end = len(self._buffer)
                break
            self._buffer += chunk
        line = bytes(self._buffer[:end])
        del self._buffer[:end]
        self.received += line
        return line
