"""A connection to a server that may do anything: it ends in time, and reads only so much.

The library's own limits are for a single read or write, so a server that says a little now and then
holds its client for ever; and a line that never ends, or never comes to its last, fills the memory.
Here every step has an instant at which it ends, and what is read is counted.
"""

import socket
import ssl
import threading
import time
from collections.abc import Iterable
from itertools import chain, zip_longest
from pathlib import Path
from typing import Any, ClassVar

MOST_LINE_OCTETS = 12_288
"""The longest line that a mail server may say: a challenge, RFC 4954 section 4. A reply has 512
(RFC 5321 section 4.5.3.1.5)."""

MOST_OCTETS = 262_144
"""What is read from one connection: an ordinary one needs 2 KB, with a hundred recipients 50 KB."""

_CHUNK_OCTETS = 4096
_SENT_AT_ONCE = 16_384
_MOST_ADDRESSES = 8

_Address = tuple[int, int, int, tuple[Any, ...]]


class UnreadableError(OSError):
    """The server breaks the protocol: one sentence, to go on after its name."""


class NameTimeoutError(TimeoutError):
    """The resolver gave no answer in time."""


class Wire:
    """A connection on which nothing goes on after `deadline` (of the monotonic clock, s).

    Args:
        host: the server's name or address.
        port: its port.
        deadline: when all must be over; may be moved while the connection lasts.
        connect_s: how long the look-up of the name may take, and then how long connecting.

    Raises:
        OSError: no connection came about.
        UnicodeError: the name is none.
    """

    def __init__(self, host: str, port: int, deadline: float, connect_s: float) -> None:
        self.deadline = deadline
        self._host = host
        self._buffer = bytearray()
        self._received = 0
        self.broken = False
        """Whether a step has failed; nothing more can be made of the connection then."""
        addresses = _looked_up(host, port, self.until(connect_s))
        self._sock = _connected(addresses, self.until(connect_s))

    @property
    def own_address(self) -> str:
        """Our own address on this connection, without the zone of a link-local one."""
        return str(self._sock.getsockname()[0]).partition("%")[0]

    @property
    def secured(self) -> bool:
        """Whether it is under TLS."""
        return isinstance(self._sock, ssl.SSLSocket)

    @property
    def heard(self) -> bool:
        """Whether the server has ever said anything."""
        return self._received > 0

    def until(self, limit_s: float) -> float:
        """Give the instant at which a step ends that begins now and may take so long."""
        return min(self.deadline, time.monotonic() + limit_s)

    def secure(self, context: ssl.SSLContext, until: float) -> None:
        """Put the connection under TLS; the handshake as a whole ends in time."""
        self._expect_silence()
        try:
            self._sock.settimeout(_left_s(until))
            self._sock = context.wrap_socket(self._sock, server_hostname=self._host)
        except OSError:
            self.broken = True
            raise

    def line(self, until: float) -> bytes:
        """Read a line, and give it without its end."""
        while (end := self._buffer.find(b"\n")) < 0 and len(self._buffer) <= MOST_LINE_OCTETS:
            self._receive(until)
        if not 0 <= end <= MOST_LINE_OCTETS:
            raise self._unreadable(f"it says a line of over {MOST_LINE_OCTETS} octets")
        line = bytes(self._buffer[:end])
        del self._buffer[: end + 1]
        return line.removesuffix(b"\r")

    def send(self, data: bytes, until: float) -> None:
        """Send all of this."""
        self._expect_silence()
        rest = memoryview(data)
        try:
            while rest:
                self._sock.settimeout(_left_s(until))
                rest = rest[self._sock.send(rest[:_SENT_AT_ONCE]) :]
        except OSError:
            self.broken = True
            raise

    def close(self) -> None:
        """Hang up."""
        self._sock.close()

    def _receive(self, until: float) -> None:
        try:
            self._sock.settimeout(_left_s(until))
            chunk = self._sock.recv(_CHUNK_OCTETS)
        except OSError:
            self.broken = True
            raise
        if not chunk:
            self.broken = True
            raise ConnectionResetError
        self._received += len(chunk)
        if self._received > MOST_OCTETS:
            raise self._unreadable(f"it says over {MOST_OCTETS // 1024} KB, and no end to it")
        self._buffer += chunk

    def _expect_silence(self) -> None:
        """Take no answer that came before its question.

        It could be taken for that of the next command; and what came ahead of TLS, for something
        said under its protection (RFC 3207 section 6).
        """
        if self._buffer:
            raise self._unreadable("it answers before it is asked")

    def _unreadable(self, sentence: str) -> UnreadableError:
        self.broken = True
        return UnreadableError(sentence)


def client_context(ca_file: Path | None) -> ssl.SSLContext:
    """Make a context that checks certificate and name, against `ca_file` or the system's CAs.

    Raises:
        OSError: the file can't be read or holds no certificate.
    """
    return ssl.create_default_context(cafile=None if ca_file is None else str(ca_file))


def _left_s(until: float) -> float:
    left_s = until - time.monotonic()
    if left_s <= 0:
        raise TimeoutError
    return left_s


class _LookUp:
    """A look-up of a name, in a thread of its own: nothing can interrupt the resolver.

    One that hangs is left behind, and whoever asks for the name again waits for the same one: so
    there is one thread for a name at most, and an answer that came late serves the next who asks.
    """

    _under_way: ClassVar[dict[tuple[str, int], "_LookUp"]] = {}
    _lock: ClassVar[threading.Lock] = threading.Lock()

    def __init__(self, host: str, port: int) -> None:
        self._place = (host, port)
        self._done = threading.Event()
        self._found: list[_Address] = []
        self._error: Exception | None = None
        try:
            threading.Thread(target=self._run, name=f"look-up of {host}", daemon=True).start()
        except RuntimeError as error:
            raise OSError("no thread can be started to look up its name") from error

    @classmethod
    def of(cls, host: str, port: int) -> "_LookUp":
        """Give the look-up of this name that is there, or begin one."""
        with cls._lock:
            present = cls._under_way.get((host, port))
            if present is None:
                present = cls._under_way[host, port] = cls(host, port)
            return present

    def wait(self, until: float) -> list[_Address]:
        """Wait for the addresses."""
        if not self._done.wait(_left_s(until)):
            raise NameTimeoutError
        with self._lock:
            if self._under_way.get(self._place) is self:
                del self._under_way[self._place]
        if self._error is not None:
            raise self._error
        return self._found

    def _run(self) -> None:
        host, port = self._place
        try:
            for family, kind, protocol, _, address in socket.getaddrinfo(
                host, port, type=socket.SOCK_STREAM
            ):
                self._found.append((family, kind, protocol, address))
        except (OSError, UnicodeError) as error:
            self._error = error
        finally:
            self._done.set()


def _looked_up(host: str, port: int, until: float) -> list[_Address]:
    """Give the addresses of a server, those of IPv6 and IPv4 in turns (RFC 8305 section 4)."""
    families: dict[int, list[_Address]] = {}
    for address in _LookUp.of(host, port).wait(until):
        families.setdefault(address[0], []).append(address)
    in_turns: Iterable[_Address | None] = chain.from_iterable(zip_longest(*families.values()))
    return [address for address in in_turns if address is not None][:_MOST_ADDRESSES]


def _connected(addresses: list[_Address], until: float) -> socket.socket:
    """Connect to the first that takes us; each gets its share of the time that is left."""
    problem = OSError("its name has no address")
    for number, (family, kind, protocol, address) in enumerate(addresses):
        sock = socket.socket(family, kind, protocol)
        try:
            sock.settimeout(_left_s(until) / (len(addresses) - number))
            sock.connect(address)
        except OSError as error:
            sock.close()
            problem = error
        else:
            return sock
    raise problem
