"""A slow line between a client and a server: what the client sends can be held back."""

import selectors
import socket
import threading

from tests.support.patience import WITHIN_S
from tests.support.ports import free_port

_CHUNK = 65536


class SlowLine:
    """A TCP proxy on a free port of 127.0.0.1 in front of another port.

    From `stall` to `flow` nothing that the client sends goes on; what the server sends always does.
    A client that vanishes takes what was held back with it, as a line that breaks would.
    """

    def __init__(self, target_port: int) -> None:
        self.port = free_port()
        self._target_port = target_port
        self._selector = selectors.DefaultSelector()
        self._listener = socket.create_server(("127.0.0.1", self.port))
        self._selector.register(self._listener, selectors.EVENT_READ)
        self._peers: dict[socket.socket, socket.socket] = {}
        self._clients: set[socket.socket] = set()
        self._held: dict[socket.socket, bytearray] = {}
        self._stalled = threading.Event()
        self._closing = threading.Event()
        self._thread = threading.Thread(target=self._run, name="slow-line", daemon=True)
        self._thread.start()

    def stall(self) -> None:
        """Hold back what the client sends."""
        self._stalled.set()

    def flow(self) -> None:
        """Let through what was held back and all that follows."""
        self._stalled.clear()

    def close(self) -> None:
        """Close the port and every connection."""
        self._closing.set()
        self._thread.join(WITHIN_S)

    def _run(self) -> None:
        while not self._closing.is_set():
            for key, _ in self._selector.select(0.01):
                if key.fileobj is self._listener:
                    self._accept()
                elif isinstance(key.fileobj, socket.socket):
                    self._carry(key.fileobj)
            if not self._stalled.is_set():
                self._release()
        for connection in list(self._peers):
            connection.close()
        self._listener.close()
        self._selector.close()

    def _accept(self) -> None:
        client, _ = self._listener.accept()
        try:
            server = socket.create_connection(("127.0.0.1", self._target_port), WITHIN_S)
        except OSError:
            client.close()
            return
        for connection, peer in ((client, server), (server, client)):
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._peers[connection] = peer
            self._selector.register(connection, selectors.EVENT_READ)
        self._clients.add(client)
        self._held[client] = bytearray()

    def _carry(self, source: socket.socket) -> None:
        try:
            data = source.recv(_CHUNK) if source in self._peers else b""
        except OSError:
            data = b""
        if not data:
            self._hang_up(source)
        elif source in self._clients and self._stalled.is_set():
            self._held[source] += data
        else:
            self._pass_on(source, data)

    def _release(self) -> None:
        for client, held in list(self._held.items()):
            if held:
                data, held[:] = bytes(held), b""
                self._pass_on(client, data)

    def _pass_on(self, source: socket.socket, data: bytes) -> None:
        try:
            self._peers[source].sendall(data)
        except OSError:
            self._hang_up(source)

    def _hang_up(self, source: socket.socket) -> None:
        peer = self._peers.pop(source, None)
        if peer is None:
            return
        self._peers.pop(peer, None)
        for connection in (source, peer):
            self._selector.unregister(connection)
            self._clients.discard(connection)
            self._held.pop(connection, None)
            connection.close()
