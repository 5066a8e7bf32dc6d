"""The page kept up to date as files, or shown over HTTP. Of itself it only reads the store.

`PageSource` gives the HTML of the newest commit; `PageKeeper` writes it into a folder again and
again, `PageServer` shows it. Both have `ChartDrawer` draw the pictures in a child.
"""

import contextlib
import io
import ipaddress
import logging
import math
import os
import re
import socket
import subprocess
import sys
import threading
import time
from collections import Counter
from http import HTTPStatus
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any
from urllib.parse import parse_qsl

from markupsafe import Markup

from cabinetwatch.clock import Clock, SystemClock
from cabinetwatch.config.model import Config
from cabinetwatch.notify.mail import DEVICE_CAUTIONS, NO_SMOKE_ALARM, TEMPLATES
from cabinetwatch.report.actions import HTML, Actions, Request, Response, network_of, split_url
from cabinetwatch.report.page import (
    CHARTS,
    ICON,
    INDEX,
    can_draw,
    incident_of,
    page_of,
    read_manifest,
    write_atomically,
)
from cabinetwatch.report.words import FOLDER, Present, policy_hash, present_of
from cabinetwatch.store.place import database_path
from cabinetwatch.store.replay import StoreFollower, snapshot_of
from cabinetwatch.store.store import Store
from cabinetwatch.text import StoreError, UsageError
from cabinetwatch.watch.engine import Engine

_log = logging.getLogger(__name__)

CHARTS_EVERY_S = 300.0
_FRESH_S = 2.0
"""How old what many may ask for can be: so it costs the same however many do."""
_CHARTS_TIMEOUT_S = 180.0

_STYLE = (FOLDER / "page.css").read_text(encoding="utf-8")
_SCRIPT = (FOLDER / "page.js").read_text(encoding="utf-8")
_ICON_SVG = (FOLDER / "icon.svg").read_bytes()


_POLICY = (
    f"default-src 'none'; style-src {policy_hash(_STYLE)}; script-src {policy_hash(_SCRIPT)};"
    " img-src 'self'; connect-src 'self'; base-uri 'none'; form-action 'none'"
)
"""Only the page's own style and script, pictures from where it came from, and nothing else. As a
file it carries this itself; the server sends it as a header too."""


class PageSource:
    """Gives the page's HTML at any time. For one thread at a time.

    The configuration counts while the store has none in force. `every_s` is how often the page is
    asked for; None: once, as a record. `acts`: it is shown where people can act on incidents.
    """

    def __init__(
        self,
        url: str,
        config: Config | None,
        folder: Path,
        clock: Clock,
        every_s: float | None,
        *,
        acts: bool = False,
    ) -> None:
        self._url, self._config, self._acts = url, config, acts
        self._folder, self._clock, self._every_s = folder, clock, every_s
        self._seen: tuple[Present, Config, int] | None = None
        self._seen_at = 0.0
        self._open()

    def html(self) -> bytes:
        """Give the page of the newest commit; everything from outside is escaped."""
        engine, charts = self._engine(), read_manifest(self._folder)
        page = page_of(engine, self._store, self._clock, charts, self._every_s, acts=self._acts)
        text = TEMPLATES.get_template("report/templates/page.html.j2").render(
            page=page,
            policy=_POLICY,
            # Ours, and the policy's hash is of these very letters.
            style=Markup(_STYLE),  # noqa: S704
            script=Markup(_SCRIPT),  # noqa: S704
            cautions=DEVICE_CAUTIONS,
            no_smoke_alarm=NO_SMOKE_ALARM,
        )
        return text.encode("utf-8", "replace")

    def incident(self, incident: str, *, fresh: bool) -> dict[str, Any]:
        """Give an incident for where people act on it (`incident_of`), as of a moment ago."""
        if self._seen is None or fresh or time.monotonic() - self._seen_at > _FRESH_S:
            engine, now_ms = self._engine(), self._clock.utc_ms()
            snapshot = snapshot_of(engine, self._store, self._clock)
            self._seen = present_of(snapshot, engine.config, now_ms), engine.config, now_ms
            self._seen_at = time.monotonic()
        return incident_of(*self._seen, incident)

    def close(self) -> None:
        """Close the store."""
        self._store.close()

    def _engine(self) -> Engine:
        if self._file() != self._opened:
            # Another file lies there: a damaged one was set aside, or a backup was put back.
            self.close()
            self._open()
        return self._follower.engine()

    def _open(self) -> None:
        """Begin with the store that lies there now; unless that succeeds the next look tries it."""
        found = self._file()
        store = Store.open(self._url, read_only=True)
        try:
            self._follower = StoreFollower(store, self._config)
        except BaseException:
            store.close()
            raise
        self._store, self._opened = store, found

    def _file(self) -> tuple[int, int] | None:
        try:
            found = database_path(self._url).stat()
        except OSError:
            return None
        return found.st_dev, found.st_ino


class ChartDrawer:
    """Has the pictures drawn now and then by a child of lowest priority.

    What draws takes a hundred megabytes, which so go as soon as it is done.
    """

    def __init__(self, url: str, folder: Path) -> None:
        self._command = [
            *(sys.executable, "-P", "-m", "cabinetwatch", "page", "--charts"),
            *("--store", url, "--out", str(folder)),
        ]
        self._child: subprocess.Popen[bytes] | None = None
        self._started = -CHARTS_EVERY_S

    def tick(self) -> None:
        """Start what is due, and end what takes too long."""
        now = time.monotonic()
        if self._child is not None and self._child.poll() is None:
            if now - self._started > _CHARTS_TIMEOUT_S:
                _log.warning("drawing the page's pictures took too long and was ended")
                self.stop()
        elif can_draw() and now - self._started >= CHARTS_EVERY_S:
            self._started = now
            try:
                self._child = subprocess.Popen(self._command, stdin=subprocess.DEVNULL)  # noqa: S603 - our own program
            except OSError as error:
                _log.warning("what draws the page's pictures can't be started: %s", error)

    def stop(self) -> None:
        """End what runs."""
        if self._child is not None and self._child.poll() is None:
            self._child.kill()
            self._child.wait()


def write_page(source: PageSource, folder: Path) -> None:
    """Write the page and what belongs to it, but for the pictures.

    Raises:
        StoreError: the store can't be read.
        OSError: the folder can't be written.
    """
    html = source.html()
    if not (folder / ICON).exists():
        write_atomically(folder / ICON, _ICON_SVG)
    write_atomically(folder / INDEX, html)


class PageKeeper:
    """Writes the page every so many seconds until it is told to stop.

    The configuration counts while the store has none in force. The folder is made if need be.
    """

    def __init__(
        self, url: str, config: Config | None, folder: Path, clock: Clock, every_s: float
    ) -> None:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        self._folder, self._every_s = folder, every_s
        self._source = PageSource(url, config, folder, clock, every_s)
        self._drawer = ChartDrawer(url, folder)
        self._trouble = ""

    def run(self, stop: threading.Event, parent: int | None = None) -> None:
        """Keep the page until `stop`; the last one is written after it.

        When `parent`, the process that the page belongs to, is gone, this ends too; by then it
        holds no lock any more, so the last page says that the watch is not running.
        """
        try:
            while not stop.is_set():
                self._write()
                self._drawer.tick()
                stop.wait(self._every_s)
                if parent is not None and os.getppid() != parent:
                    break
            self._write()
        finally:
            self._drawer.stop()
            self._source.close()

    def _write(self) -> None:
        try:
            write_page(self._source, self._folder)
        except (StoreError, OSError) as error:
            # Told once: the file gets old, which the page itself shows.
            if str(error) != self._trouble:
                _log.warning("the page can't be written: %s", error)
            self._trouble = str(error)
        else:
            self._trouble = ""


MOST_AT_ONCE = 24
REQUEST_TIMEOUT_S = 10.0
MOST_REQUEST_BYTES = 16 * 1024
_MOST_FORM_BYTES = 2048
_MOST_FIELDS = 8
_LOOKED_AT_S = 900.0
_DONE = {HTTPStatus.OK, HTTPStatus.ACCEPTED, HTTPStatus.CONFLICT}
"""What a form gets that did something, if only in part. No other may cost others anything."""
_CHART = re.compile(r"[a-z0-9-]+\.svg")
_PICTURE_POLICY = "default-src 'none'; style-src 'unsafe-inline'"
# Names that no public zone holds: RFC 6762 (local), RFC 8375 (home.arpa), and habits of routers.
_HOUSE_NAMES = (".local", ".home.arpa", ".lan", ".home", ".internal", ".localdomain", ".localhost")


class Seats:
    """Shares out so many connections at once, so that nobody can keep all the others out.

    Whoever has a seat and has not asked for anything yet gives it up first; then whoever gets an
    answer, where its network (`network_of`) holds more seats than the newcomer's would. In both
    cases it is the oldest of the network that holds the most. So a proxy, behind which everybody
    has one address, can have every seat as long as nobody else wants one.
    """

    def __init__(self, most: int) -> None:
        self._most = most
        self._lock = threading.Lock()
        # The oldest first.
        self._network: dict[socket.socket, str] = {}
        self._asking: set[socket.socket] = set()

    def take(self, connection: socket.socket, address: str) -> bool:
        """Give a connection a seat, if need be another's, which is then closed; False: none."""
        network = network_of(address)
        with self._lock:
            if len(self._network) >= self._most:
                loser = self._who_goes(network)
                if loser is None:
                    return False
                self._forget(loser)
                # Its thread wakes up, and closes it. The other end may have gone by itself.
                with contextlib.suppress(OSError):
                    loser.shutdown(socket.SHUT_RDWR)
            self._network[connection] = network
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
        held = Counter(self._network.values())
        ranked = sorted(self._network, key=lambda each: -held[self._network[each]])
        for each in ranked:
            if each in self._asking:
                return each
        greediest = ranked[0]
        return greediest if held[self._network[greediest]] > held[newcomer] + 1 else None

    def _forget(self, connection: socket.socket) -> None:
        self._network.pop(connection, None)
        self._asking.discard(connection)


class PageServer(ThreadingHTTPServer):
    """A server of the page, whose pictures lie in `folder`, at one address; port 0: any free one.

    With `acting`, the configuration of who may act through it, it takes what people do.

    Raises:
        UsageError: it can't listen there.
        ConfigError: the PIN can't be read, or is too short.
    """

    daemon_threads = True
    request_queue_size = 16

    def __init__(
        self,
        host: str,
        port: int,
        source: PageSource,
        drawer: ChartDrawer,
        folder: Path,
        *,
        acting: Config | None = None,
    ) -> None:
        self.actions = None if acting is None else Actions(acting, self._incident, SystemClock())
        self._hosts = {host.lower()} | ({self.actions.host} if self.actions else set())
        self._source, self._drawer, self._folder = source, drawer, folder
        self.seats = Seats(MOST_AT_ONCE)
        self._reading = threading.Lock()
        self._page: Response | None = None
        self._page_at, self._asked_at = 0.0, time.monotonic()
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
        """Where the page is."""
        host, port = self.server_address[:2]
        name = f"[{host!s}]" if self.address_family == socket.AF_INET6 else str(host)
        return f"http://{name}:{port}/"

    @property
    def is_loopback(self) -> bool:
        """Whether only this machine can reach it."""
        return ipaddress.ip_address(str(self.server_address[0]).partition("%")[0]).is_loopback

    def answer(self, path: str) -> Response:
        """Give what is at a path."""
        if path in {"/", f"/{INDEX}"}:
            return self._fresh_page()
        folder, _, name = path[1:].rpartition("/")
        content: bytes | None = _ICON_SVG if path == f"/{ICON}" else None
        if folder == CHARTS and _CHART.fullmatch(name):
            try:
                content = (self._folder / folder / name).read_bytes()
            except OSError:
                return _plain(HTTPStatus.NOT_FOUND, "There is no such picture.")
        if content is None:
            return _plain(HTTPStatus.NOT_FOUND, "There is no such page.")
        return Response(HTTPStatus.OK, "image/svg+xml", content, _PICTURE_POLICY, keep=True)

    def act(self, actions: Actions, asked: Request) -> Response:
        """Answer what leads to an action, or is one."""
        reply = actions.answer(asked)
        if asked.form is not None and reply.status in _DONE:
            # It shows at once.
            self._page_at = -math.inf
        return reply

    def _incident(self, incident: str, fresh: bool) -> dict[str, Any]:
        with self._reading:
            return self._source.incident(incident, fresh=fresh)

    def allows(self, host: str) -> bool:
        """Whether a Host header names this house.

        A web site from outside can have its own name point here, to have a browser of the house
        read the page for it; it can't have that browser send another name.
        """
        parts = split_url(f"//{host}")
        name = (parts and parts.hostname) or ""
        try:
            ipaddress.ip_address(name)
        except ValueError:
            in_house = "." not in name or name in self._hosts or name.endswith(_HOUSE_NAMES)
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

    def _fresh_page(self) -> Response:
        self._asked_at = time.monotonic()
        with self._reading:
            if self._page is None or time.monotonic() - self._page_at > _FRESH_S:
                try:
                    self._page = Response(HTTPStatus.OK, HTML, self._source.html(), _POLICY)
                except StoreError as error:
                    self._page = _plain(HTTPStatus.SERVICE_UNAVAILABLE, str(error))
                self._page_at = time.monotonic()
            return self._page


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
        url = split_url(self.path) if is_right else None
        if is_right and url is None:
            self.send_error(HTTPStatus.BAD_REQUEST, "That is no address of this page.")
        self._path = url.path if url else ""
        return url is not None

    def do_GET(self) -> None:
        self._send(self._answer())

    do_HEAD = do_GET  # noqa: N815 - the library's name

    def do_POST(self) -> None:
        if self._actions is None:
            self._refuse()
        else:
            self._send(self._answer())

    def _refuse(self) -> None:
        self._send(_plain(HTTPStatus.METHOD_NOT_ALLOWED, "This page can only be read."))

    do_PUT = do_DELETE = do_PATCH = do_OPTIONS = do_TRACE = do_CONNECT = _refuse  # noqa: N815

    def _answer(self) -> Response:
        hosts = self.headers.get_all("Host", [])
        if len(hosts) != 1:
            # RFC 9112, 3.2 has it so for HTTP/1.1. HTTP/1.0 knows no such duty, but whoever looks
            # at a page names its host, and one rule for all leaves nothing to be got around.
            return _plain(HTTPStatus.BAD_REQUEST, "Name the host of this page, once.")
        if not self.server.allows(hosts[0]):
            words = "This page is shown under its address, or under a name of the house, only."
            return _plain(HTTPStatus.MISDIRECTED_REQUEST, words)
        try:
            form = self._form() if self.command == "POST" else None
        except ValueError as error:
            return _plain(HTTPStatus.BAD_REQUEST, str(error))
        self.server.seats.has_asked(self.connection)
        actions = self._actions
        if actions is None:
            return self.server.answer(self._path)
        get = self.headers.get
        return self.server.act(
            actions,
            Request(
                path=self._path,
                address=str(self.client_address[0]),
                host=hosts[0],
                origin=get("Origin"),
                fetch_site=get("Sec-Fetch-Site"),
                cookie=get("Cookie", ""),
                form=form,
            ),
        )

    @property
    def _actions(self) -> Actions | None:
        """What answers at this path, where people can act at it."""
        return self.server.actions if Actions.answers(self._path) else None

    def _form(self) -> dict[str, str]:
        """Read the form that was sent, which is short and comes at once.

        Raises:
            ValueError: it is none; says so in a sentence.
        """
        length = self.headers.get("Content-Length", "")
        kind = self.headers.get_content_type()
        if kind != "application/x-www-form-urlencoded" or "Transfer-Encoding" in self.headers:
            raise ValueError("Nothing was done: this is not what the page's form sends.")
        if not re.fullmatch("[0-9]{1,9}", length) or int(length) > _MOST_FORM_BYTES:
            raise ValueError("Nothing was done: the page's form is shorter than this.")
        body = self.rfile.read(int(length)).decode("ascii", "replace")
        return dict(parse_qsl(body)[:_MOST_FIELDS])

    def _send(self, answer: Response) -> None:
        self.connection.settimeout(REQUEST_TIMEOUT_S)
        self.send_response(answer.status)
        headers = {
            "Content-Type": answer.kind,
            "Content-Length": str(len(answer.content)),
            "Content-Security-Policy": f"{answer.policy}; frame-ancestors 'none'",
            "X-Content-Type-Options": "nosniff",
            "Referrer-Policy": answer.referrer,
            "Cross-Origin-Resource-Policy": "same-origin",
            "Cache-Control": "max-age=86400" if answer.keep else "no-store",
        }
        if answer.status is HTTPStatus.METHOD_NOT_ALLOWED:
            headers["Allow"] = "GET, HEAD, POST" if self._actions else "GET, HEAD"
        for name, value in (*headers.items(), *answer.headers):
            self.send_header(name, value)
        self.end_headers()
        if self.command != "HEAD":
            self.wfile.write(answer.content)

    def version_string(self) -> str:
        return "cabinetwatch"

    def log_message(self, *_: Any) -> None:
        """Write down nothing of a request: its path may be what lets somebody act."""


def _plain(status: HTTPStatus, words: str) -> Response:
    return Response(status, "text/plain; charset=utf-8", f"{words}\n".encode())
