"""An MQTT broker and a mail server inside this process, on free loopback ports.

It speaks MQTT 3.1.1 only. A message that its receiver has not acknowledged within 5 s is dropped:
enough for a demonstration, not for a house.
"""

import asyncio
import logging
import threading
import weakref
from collections.abc import Callable, Coroutine
from email import message_from_bytes, policy
from email.message import EmailMessage
from pathlib import Path
from typing import Any, NamedTuple, Self, TypeVar

from aiosmtpd.smtp import SMTP, Envelope, Session
from amqtt.adapters import StreamReaderAdapter, StreamWriterAdapter
from amqtt.broker import Broker

_LOG = logging.getLogger(__name__)
_T = TypeVar("_T")

LOOPBACK = "127.0.0.1"
_END_WITHIN_S = 20.0


class LoopThread:
    """Runs a server in a daemon thread; errors of what it runs are raised in the caller."""

    def __init__(self, name: str) -> None:
        self._server: asyncio.Server | None = None
        self._connections = weakref.WeakSet[asyncio.BaseTransport]()
        self._loop = asyncio.new_event_loop()
        self._loop.set_exception_handler(_note)
        self._thread = threading.Thread(target=self._loop.run_forever, name=name, daemon=True)
        self._thread.start()

    def call(self, work: Coroutine[Any, Any, _T], timeout_s: float = 10.0) -> _T:
        """Run a coroutine on the loop and hand back its result, or raise what it raised.

        One that takes longer than `timeout_s` is cancelled: TimeoutError.
        """
        future = asyncio.run_coroutine_threadsafe(work, self._loop)
        try:
            return future.result(timeout_s)
        except TimeoutError:
            future.cancel()
            raise

    def listen(self, new_protocol: Callable[[], asyncio.BaseProtocol]) -> int:
        """Let a protocol serve each connection to a free port, which it gives, until the end."""

        def known() -> asyncio.BaseProtocol:
            protocol = new_protocol()
            made = protocol.connection_made

            def connection_made(transport: asyncio.BaseTransport) -> None:
                self._connections.add(transport)
                made(transport)

            protocol.connection_made = connection_made  # type: ignore[method-assign]
            return protocol

        self._server = self.call(self._loop.create_server(known, LOOPBACK, 0))
        port: int = self._server.sockets[0].getsockname()[1]
        return port

    def stop(self, farewell: Coroutine[Any, Any, object] | None = None) -> None:
        """Take no more connections, say farewell, close them all and join the thread."""
        try:
            self.call(self._end(farewell), _END_WITHIN_S)
        finally:
            self._loop.call_soon_threadsafe(self._loop.stop)
            self._thread.join(_END_WITHIN_S)
        if not self._thread.is_alive():
            self._loop.close()

    async def _end(self, farewell: Coroutine[Any, Any, object] | None) -> None:
        if self._server is not None:
            for listener in self._server.sockets:
                self._loop.remove_reader(listener.fileno())
            # A connection just accepted is set up over some rounds, which fail without the server.
            await _let_rounds_pass()
            self._server.close()
        if farewell is not None:
            await farewell
        for connection in self._connections:
            if isinstance(connection, asyncio.WriteTransport):
                connection.abort()
        others = [task for task in asyncio.all_tasks() if task is not asyncio.current_task()]
        for task in others:
            task.cancel()
        await asyncio.gather(*others, return_exceptions=True)
        await _let_rounds_pass()


async def _let_rounds_pass() -> None:
    for _ in range(10):
        await asyncio.sleep(0)


def _note(loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
    """Log what went wrong in a connection; one bad client must not end a server."""
    del loop
    _LOG.debug("in the event loop: %s", context.get("message"), exc_info=context.get("exception"))


_LISTENER = "default"
_LOUD_LOGGERS = ("amqtt", "transitions")

# Without a user name a client counts as anonymous, and the broker forgets its session.
_CONFIG = {
    "listeners": {_LISTENER: {"type": "external"}},
    "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": False}},
}


class EmbeddedBroker:
    """A context manager: inside it a broker answers on `host` and `port`.

    Clients give any user name and no password. QoS 0 and 1, retained messages, wills and persistent
    sessions work; everything is forgotten at the end.
    """

    host = LOOPBACK

    def __init__(self) -> None:
        self.port = 0
        self._levels: dict[str, int] = {}

    def __enter__(self) -> Self:
        """Start, and answer from now on."""
        self._hush()
        self._thread = LoopThread("demo-broker")
        try:
            self._thread.call(self._start())
            self.port = self._thread.listen(self._new_connection)
        except BaseException:
            self._thread.stop()
            self._unhush()
            raise
        return self

    def __exit__(self, *_: object) -> None:
        try:
            self._thread.stop(self._broker.shutdown())
        finally:
            self._unhush()

    async def _start(self) -> None:
        self._broker = Broker(_CONFIG, loop=asyncio.get_running_loop())
        await self._broker.start()

    def _new_connection(self) -> asyncio.StreamReaderProtocol:
        return asyncio.StreamReaderProtocol(asyncio.StreamReader(), self._connected)

    async def _connected(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            await self._broker.external_connected(
                StreamReaderAdapter(reader), StreamWriterAdapter(writer), _LISTENER
            )
        finally:
            writer.close()

    def _hush(self) -> None:
        """Keep the broker's own log out of the demo; it reports every client that goes."""
        for name in _LOUD_LOGGERS:
            logger = logging.getLogger(name)
            self._levels[name] = logger.level
            logger.setLevel(logging.CRITICAL)

    def _unhush(self) -> None:
        for name, level in self._levels.items():
            logging.getLogger(name).setLevel(level)


class DroppedMail(NamedTuple):
    """One mail as it came in: the file it went to, and its content."""

    path: Path
    message: EmailMessage

    @property
    def text(self) -> str:
        """Its plain text, or nothing when it has none."""
        body = self.message.get_body(("plain",))
        return "" if body is None else str(body.get_content())


class MailDrop:
    """A context manager: inside it an SMTP server answers on `host` and `port`.

    Each mail is written to `folder` as NNN.eml and kept in `mails` before its sender gets the
    confirmation.
    """

    host = LOOPBACK

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.port = 0
        self.mails: list[DroppedMail] = []

    def __enter__(self) -> Self:
        """Make the folder, and answer from now on; OSError when it can't be made."""
        self.folder.mkdir(parents=True, exist_ok=True)
        self._thread = LoopThread("demo-mail")
        self.port = self._thread.listen(self._new_connection)
        return self

    def __exit__(self, *_: object) -> None:
        """Close every connection and stop; the files stay."""
        self._thread.stop()

    async def handle_DATA(  # noqa: N802 - the name that the SMTP library calls
        self, server: SMTP, session: Session, envelope: Envelope
    ) -> str:
        """Keep one mail and confirm it."""
        del server, session
        content = envelope.original_content or b""
        path = self.folder / f"{len(self.mails) + 1:03d}.eml"
        path.write_bytes(content)
        message = message_from_bytes(content, policy=policy.default)
        self.mails.append(DroppedMail(path, message))
        return "250 kept"

    def _new_connection(self) -> SMTP:
        return SMTP(self, hostname="maildrop.example", enable_SMTPUTF8=True)
