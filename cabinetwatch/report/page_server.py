"""Shows the page over HTTP: reads only, and bounds what a stranger can ask of it."""

import contextlib
import io
import ipaddress
import logging
import re
import socket
import threading
import time
from collections import Counter
from http import HTTPStatus
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any, NamedTuple
from urllib.parse import urlsplit

from cabinetwatch.errors import StoreError, UsageError
from cabinetwatch.report.page_files import CHARTS, ICON, INDEX
from cabinetwatch.report.page_html import ICON_SVG, POLICY
from cabinetwatch.report.page_source import ChartDrawer, PageSource

_log = logging.getLogger(__name__)

MOST_AT_ONCE = 24
REQUEST_TIMEOUT_S = 10.0
MOST_REQUEST_BYTES = 16 * 1024
_FRESH_S = 2.0
_LOOKED_AT_S = 900.0
_CHART = re.compile(r"[a-z0-9-]+\.svg")
_PICTURE_POLICY = "default-src 'none'; style-src 'unsafe-inline'"
# Names that no public zone holds: RFC 6762 (local), RFC 8375 (home.arpa), and habits of routers.
_HOUSE_NAMES = (".local", ".home.arpa", ".lan", ".home", ".internal", ".localdomain", ".localhost")


class Seats:
    """Shares out so many connections at once, so that nobody can keep all the others out.

    Whoever has a seat and has not asked for anything yet gives it up first; then whoever gets an
    answer, where its address holds more seats than the newcomer's would. In both cases it is the
    oldest of the address that holds the most. So a proxy, behind which everybody has one address,
    can have every seat as long as nobody else wants one.
    """

    def __init__(self, most: int) -> None:
        self._most = most
        self._lock = threading.Lock()
        # The oldest first.
        self._address: dict[socket.socket, str] = {}
        self._asking: set[socket.socket] = set()

    def take(self, connection: socket.socket, address: str) -> bool:
        """Give a connection a seat, if need be another's, which is then closed; False: none."""
        with self._lock:
            if len(self._address) >= self._most:
                loser = self._who_goes(address)
                if loser is None:
                    return False
                self._forget(loser)
                # Its thread wakes up, and closes it. The other end may have gone by itself.
                with contextlib.suppress(OSError):
                    loser.shutdown(socket.SHUT_RDWR)
            self._address[connection] = address
            self._asking.add(connection)
            return True

    def has_asked(self, connection: socket.socket) -> None:
        """Take note that a connection has sent its whole request."""
        with self._lock:
            self._asking.discard(connection)

    def leave(self, connection: socket.socket) -> None:
        """Take a seat back; one that was given up is nobody's already."""
        with self._lock:
            self._forget(connection)

    def _who_goes(self, newcomer: str) -> socket.socket | None:
        held = Counter(self._address.values())
        ranked = sorted(self._address, key=lambda each: -held[self._address[each]])
        for each in ranked:
            if each in self._asking:
                return each
        greediest = ranked[0]
        return greediest if held[self._address[greediest]] > held[newcomer] + 1 else None

    def _forget(self, connection: socket.socket) -> None:
        self._address.pop(connection, None)
        self._asking.discard(connection)


class Answer(NamedTuple):
    """What a path holds."""

    status: HTTPStatus
    kind: str
    content: bytes
    policy: str = "default-src 'none'"
    keep: bool = False


class PageServer(ThreadingHTTPServer):
    """A server of the page at one address.

    Args:
        host: a name or address to listen at.
        port: to listen at; 0: any that is free.
        source: of the page.
        drawer: of its pictures.
        folder: where they lie.

    Raises:
        UsageError: it can't listen there.
    """

    daemon_threads = True
    request_queue_size = 16

    def __init__(
        self, host: str, port: int, source: PageSource, drawer: ChartDrawer, folder: Path
    ) -> None:
        self._host = host.lower()
        self._source = source
        self._drawer = drawer
        self._folder = folder
        self.seats = Seats(MOST_AT_ONCE)
        self._reading = threading.Lock()
        self._page: Answer | None = None
        self._page_at = 0.0
        self._asked_at = time.monotonic()
        try:
            found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
            self.address_family = found[0]
            super().__init__((host, port), _Handler)
        except (OSError, OverflowError, UnicodeError) as error:
            reason = error.strerror if isinstance(error, OSError) else None
            raise UsageError(
                f"--serve {host}:{port}: it can't listen there ({reason or error}); name an address"
                " of this machine and a port that is free"
            ) from error

    @property
    def url(self) -> str:
        """Where the page stands."""
        host, port = self.server_address[:2]
        name = f"[{host!s}]" if self.address_family == socket.AF_INET6 else str(host)
        return f"http://{name}:{port}/"

    @property
    def is_loopback(self) -> bool:
        """Whether only this machine can reach it."""
        return ipaddress.ip_address(str(self.server_address[0]).partition("%")[0]).is_loopback

    def answer(self, path: str) -> Answer:
        """Give what stands at a path."""
        if path in {"/", f"/{INDEX}"}:
            self._asked_at = time.monotonic()
            return self._fresh_page()
        if path == f"/{ICON}":
            return Answer(HTTPStatus.OK, "image/svg+xml", ICON_SVG, _PICTURE_POLICY, keep=True)
        folder, _, name = path[1:].rpartition("/")
        if folder == CHARTS and _CHART.fullmatch(name):
            try:
                content = (self._folder / CHARTS / name).read_bytes()
            except OSError:
                return _plain(HTTPStatus.NOT_FOUND, "There is no such picture.")
            return Answer(HTTPStatus.OK, "image/svg+xml", content, _PICTURE_POLICY, keep=True)
        return _plain(HTTPStatus.NOT_FOUND, "There is no such page.")

    def allows(self, host: str) -> bool:
        """Whether a Host header names this house.

        A web site from outside can have its own name point here, to have a browser of the house
        read the page for it; it can't have that browser send another name.
        """
        name = urlsplit(f"//{host}").hostname or ""
        try:
            ipaddress.ip_address(name)
        except ValueError:
            in_house = "." not in name or name == self._host or name.endswith(_HOUSE_NAMES)
            return in_house and name != ""
        return True

    def service_actions(self) -> None:
        """Have pictures drawn as long as somebody looks (called twice a second)."""
        if time.monotonic() - self._asked_at < _LOOKED_AT_S:
            self._drawer.tick()

    def process_request(self, request: Any, client_address: Any) -> None:
        """Serve a request in a thread of its own, if there is one to spare."""
        if not self.seats.take(request, str(client_address[0])):
            self.shutdown_request(request)
            return
        try:
            super().process_request(request, client_address)
        except BaseException:
            self.seats.leave(request)
            raise

    def process_request_thread(self, request: Any, client_address: Any) -> None:
        """Serve a request, then let the next in."""
        try:
            super().process_request_thread(request, client_address)
        finally:
            self.seats.leave(request)

    def handle_error(self, request: Any, client_address: Any) -> None:
        """Note what went wrong with one request: mostly that the other end has gone."""
        del request
        _log.debug("a request from %s failed", client_address, exc_info=True)

    def _fresh_page(self) -> Answer:
        with self._reading:
            if self._page is None or time.monotonic() - self._page_at > _FRESH_S:
                self._page = self._new_page()
                self._page_at = time.monotonic()
            return self._page

    def _new_page(self) -> Answer:
        try:
            return Answer(HTTPStatus.OK, "text/html; charset=utf-8", self._source.html(), POLICY)
        except StoreError as error:
            return _plain(HTTPStatus.SERVICE_UNAVAILABLE, str(error))


class _BoundedReader(io.RawIOBase):
    """Reads a request, but not for longer, and not more, than one may take."""

    def __init__(self, connection: socket.socket) -> None:
        self._connection = connection
        self._until = time.monotonic() + REQUEST_TIMEOUT_S
        self._left = MOST_REQUEST_BYTES

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any) -> int:
        left_s = self._until - time.monotonic()
        if left_s <= 0 or self._left <= 0:
            raise TimeoutError("the request is too slow or too long")
        self._connection.settimeout(left_s)
        count = self._connection.recv_into(buffer, min(len(buffer), self._left))
        self._left -= count
        return count


class _Handler(BaseHTTPRequestHandler):
    """Answers one request of a connection, and closes it."""

    server: PageServer
    timeout = REQUEST_TIMEOUT_S
    error_content_type = "text/plain; charset=utf-8"
    error_message_format = "%(code)d %(message)s"

    def setup(self) -> None:
        super().setup()
        self.rfile = io.BufferedReader(_BoundedReader(self.connection))

    def parse_request(self) -> bool:
        is_right = super().parse_request()
        self.server.seats.has_asked(self.connection)
        return is_right

    def do_GET(self) -> None:
        self._send(self._answer(), with_content=True)

    def do_HEAD(self) -> None:
        self._send(self._answer(), with_content=False)

    def _refuse(self) -> None:
        answer = _plain(HTTPStatus.METHOD_NOT_ALLOWED, "This page can only be read.")
        self._send(answer, with_content=True, Allow="GET, HEAD")

    do_POST = do_PUT = do_DELETE = do_PATCH = do_OPTIONS = do_TRACE = do_CONNECT = _refuse  # noqa: N815

    def _answer(self) -> Answer:
        hosts = self.headers.get_all("Host", [])
        if len(hosts) != 1:
            # RFC 9112, 3.2 has it so for HTTP/1.1. HTTP/1.0 knows no such duty, but whoever looks
            # at a page names its host, and one rule for all leaves nothing to be got around.
            return _plain(HTTPStatus.BAD_REQUEST, "Name the host of this page, once.")
        if not self.server.allows(hosts[0]):
            words = "This page is shown under its address, or under a name of the house, only."
            return _plain(HTTPStatus.MISDIRECTED_REQUEST, words)
        return self.server.answer(urlsplit(self.path).path)

    def _send(self, answer: Answer, *, with_content: bool, **more: str) -> None:
        self.connection.settimeout(REQUEST_TIMEOUT_S)
        self.send_response(answer.status)
        headers = {
            "Content-Type": answer.kind,
            "Content-Length": str(len(answer.content)),
            "Content-Security-Policy": f"{answer.policy}; frame-ancestors 'none'",
            "X-Content-Type-Options": "nosniff",
            "Referrer-Policy": "no-referrer",
            "Cross-Origin-Resource-Policy": "same-origin",
            "Cache-Control": "max-age=86400" if answer.keep else "no-store",
        }
        for name, value in (headers | more).items():
            self.send_header(name, value)
        self.end_headers()
        if with_content:
            self.wfile.write(answer.content)

    def version_string(self) -> str:
        return "cabinetwatch"

    def log_message(self, format: str, *args: Any) -> None:  # noqa: A002 - the library's name
        _log.debug(format, *args)


def _plain(status: HTTPStatus, words: str) -> Answer:
    return Answer(status, "text/plain; charset=utf-8", f"{words}\n".encode())
