"""A real SMTP server on a free port of 127.0.0.1 that keeps its mail and can misbehave."""

import asyncio
import email
import email.policy
import ssl
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from email.message import EmailMessage
from typing import Any, Literal

from aiosmtpd.smtp import SMTP, AuthResult, Envelope, LoginPassword, Session

from tests.support.certificates import Certificate
from tests.support.patience import WITHIN_S
from tests.support.ports import free_port

Stage = Literal["connect", "mail", "recipient", "data"]


@dataclass(frozen=True)
class Delivered:
    """One mail the server took: its envelope, its bytes, and those bytes parsed."""

    sender: str
    recipients: list[str]
    content: bytes
    message: EmailMessage


@dataclass
class Behaviour:
    """How the server answers from now on; every field may be changed while it runs.

    `replies` maps a stage to the whole reply given there instead of the usual one, such as
    {"data": "451 4.3.0 try later"}. `recipients` maps one address to the reply its RCPT gets.
    `hang` names the stage at which it falls silent. `lose_reply` keeps the mail and closes the
    connection instead of saying 250. `slow_s` passes before each answer; `pause` holds every answer
    back until it is set.
    """

    replies: dict[Stage, str] = field(default_factory=dict)
    recipients: dict[str, str] = field(default_factory=dict)
    hang: Stage | None = None
    lose_reply: bool = False
    slow_s: float = 0.0
    pause: threading.Event | None = None


class MailDrop:
    """An SMTP server in a thread; `port` stays the same over `stop` and `start`.

    `security` is "none", "starttls" (required before MAIL) or "tls" (from the first byte on).
    With `login` (user, password) it takes mail only from who has logged in.
    """

    host = "127.0.0.1"

    def __init__(
        self,
        *,
        security: Literal["none", "starttls", "tls"] = "none",
        certificate: Certificate | None = None,
        login: tuple[str, str] | None = None,
    ) -> None:
        self.port = free_port()
        self.behaviour = Behaviour()
        self.messages: list[Delivered] = []
        self.connections = 0
        self._open: set[_Server] = set()
        self._security = security
        self._login = login
        self._tls = _server_context(certificate) if certificate else None
        self._arrived = threading.Condition()
        self._loop: asyncio.AbstractEventLoop | None = None
        self._thread: threading.Thread | None = None

    def start(self) -> "MailDrop":
        """Listen; returns once connections are accepted."""
        if self._thread is not None:
            raise RuntimeError("the mail server is running already")
        listening = threading.Event()
        failures: list[BaseException] = []
        self._thread = threading.Thread(
            target=self._run, args=(listening, failures), name="mail-drop", daemon=True
        )
        self._thread.start()
        listening.wait(WITHIN_S)
        if failures:
            self._thread = None
            raise failures[0]
        return self

    def stop(self) -> None:
        """Close the port and every connection; who connects now is refused."""
        if self._thread is None or self._loop is None:
            return
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(WITHIN_S)
        self._thread = None

    def refuse(self, reply: str, at: Stage = "data") -> None:
        """Answer with this reply at a stage, e.g. "451 4.3.0 try later" or "554 5.7.1 no"."""
        self.behaviour.replies[at] = reply

    def refuse_recipient(self, address: str, reply: str = "550 5.1.1 no such mailbox") -> None:
        """Refuse one recipient with this reply and take the others."""
        self.behaviour.recipients[address] = reply

    def hang(self, at: Stage = "data") -> None:
        """Fall silent at a stage, for connections that reach it from now on."""
        self.behaviour.hang = at

    def behave(self) -> None:
        """Be an ordinary mail server again. Connections that hang go on hanging."""
        self.behaviour = Behaviour()

    def wait_for(self, count: int, timeout_s: float = WITHIN_S) -> list[Delivered]:
        """Wait until at least `count` mails have come and give all that have.

        Raises:
            TimeoutError: fewer came in time; says which.
        """
        with self._arrived:
            if not self._arrived.wait_for(lambda: len(self.messages) >= count, timeout_s):
                subjects = [mail.message["Subject"] for mail in self.messages]
                raise TimeoutError(f"waited for {count} mails, got {len(subjects)}: {subjects}")
            return list(self.messages)

    def _run(self, listening: threading.Event, failures: list[BaseException]) -> None:
        loop = self._loop = asyncio.new_event_loop()
        try:
            server = loop.run_until_complete(
                loop.create_server(
                    self._new_connection,
                    self.host,
                    self.port,
                    ssl=self._tls if self._security == "tls" else None,
                )
            )
        except OSError as error:
            failures.append(error)
            loop.close()
            return
        finally:
            listening.set()
        loop.run_forever()
        loop.run_until_complete(self._close(server))
        loop.close()

    async def _close(self, server: asyncio.Server) -> None:
        """Stop accepting, reset what is open, and let the event loop take leave of it."""
        # A connection just accepted is set up over some rounds, and fails if the server is closed.
        for listener in server.sockets:
            asyncio.get_running_loop().remove_reader(listener.fileno())
        await _let_rounds_pass()
        server.close()
        for connection in list(self._open):
            if isinstance(connection.transport, asyncio.WriteTransport):
                connection.transport.abort()
        tasks = [task for task in asyncio.all_tasks() if task is not asyncio.current_task()]
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        await _let_rounds_pass()

    def _new_connection(self) -> SMTP:
        self.connections += 1
        offer_starttls = self._security == "starttls"
        server = _Server(
            self,
            hostname="mail.under-stairs.example",
            tls_context=self._tls if offer_starttls else None,
            require_starttls=offer_starttls,
            authenticator=self._authenticate if self._login else None,
            auth_require_tls=self._security != "none",
            loop=self._loop,
        )
        self._open.add(server)
        return server

    def forget(self, server: "_Server") -> None:
        """Note that a connection is closed."""
        self._open.discard(server)

    def _authenticate(
        self, server: SMTP, session: Session, envelope: Envelope, mechanism: str, data: Any
    ) -> AuthResult:
        """Judge a login; the signature is aiosmtpd's."""
        assert self._login is not None
        user, password = (word.encode() for word in self._login)
        known = isinstance(data, LoginPassword) and data.login == user and data.password == password
        return AuthResult(success=known, handled=False, auth_data=data if known else None)

    # The hooks below are found by aiosmtpd under these names.

    async def handle_MAIL(  # noqa: N802
        self, server: SMTP, session: Session, envelope: Envelope, address: str, options: list[str]
    ) -> str:
        """Answer MAIL FROM."""
        if self._login and not session.authenticated:
            return "530 5.7.0 authentication required"
        reply = await self.answer("mail", "250 OK")
        if reply.startswith("2"):
            envelope.mail_from = address
        return reply

    async def handle_RCPT(  # noqa: N802
        self, server: SMTP, session: Session, envelope: Envelope, address: str, options: list[str]
    ) -> str:
        """Answer RCPT TO."""
        reply = await self.answer("recipient", self.behaviour.recipients.get(address, "250 OK"))
        if reply.startswith("2"):
            envelope.rcpt_tos.append(address)
        return reply

    async def handle_DATA(  # noqa: N802
        self, server: SMTP, session: Session, envelope: Envelope
    ) -> str:
        """Answer the end of a mail, and keep the mail when the answer is yes."""
        reply = await self.answer("data", "250 OK: kept")
        if reply.startswith("2"):
            self._keep(envelope)
        if self.behaviour.lose_reply and isinstance(server.transport, asyncio.WriteTransport):
            server.transport.abort()
        return reply

    async def answer(self, stage: Stage, usual: str) -> str:
        """Give the reply for a stage, or never return if the server is to hang there."""
        await asyncio.sleep(self.behaviour.slow_s)
        while self.behaviour.pause is not None and not self.behaviour.pause.is_set():
            await asyncio.sleep(0.01)
        if self.behaviour.hang == stage:
            await asyncio.Event().wait()
        return self.behaviour.replies.get(stage, usual)

    def _keep(self, envelope: Envelope) -> None:
        content = envelope.content
        assert isinstance(content, bytes)
        message = email.message_from_bytes(content, policy=email.policy.default)
        assert isinstance(message, EmailMessage)
        with self._arrived:
            self.messages.append(
                Delivered(str(envelope.mail_from), list(envelope.rcpt_tos), content, message)
            )
            self._arrived.notify_all()


class _Server(SMTP):
    """aiosmtpd's server, which can also refuse or hang in place of its greeting."""

    async def _handle_client(self) -> None:
        drop: MailDrop = self.event_handler
        refusal = await drop.answer("connect", "")
        if refusal and self.transport is not None:
            await self.push(refusal)
            self.transport.close()
            return
        await super()._handle_client()

    def connection_lost(self, error: Exception | None) -> None:
        super().connection_lost(error)
        self.event_handler.forget(self)


def _server_context(certificate: Certificate) -> ssl.SSLContext:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(certificate.cert_file, certificate.key_file)
    return context


async def _let_rounds_pass() -> None:
    """Let what the event loop has begun come to its end."""
    for _ in range(10):
        await asyncio.sleep(0)


MailDropFactory = Callable[..., MailDrop]
