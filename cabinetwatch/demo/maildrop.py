"""A mail server inside this process, on a free loopback port, that keeps each mail as a file."""

import asyncio
import threading
from collections.abc import Callable
from email import message_from_bytes, policy
from email.message import EmailMessage
from pathlib import Path
from types import TracebackType
from typing import NamedTuple, Self

from aiosmtpd.smtp import SMTP, Envelope, Session

from cabinetwatch.demo.broker import LOOPBACK
from cabinetwatch.demo.loop_thread import LoopThread


class DroppedMail(NamedTuple):
    """One mail as it came in: its number from 1, the file it went to, and its content."""

    number: int
    path: Path
    message: EmailMessage


class MailDrop:
    """A context manager: inside it an SMTP server answers on `host` and `port`.

    Each mail is written to `folder` as NNN.eml, kept in `mails`, and handed to `on_mail`, which is
    called on the server's thread before the sender gets its confirmation.
    """

    host = LOOPBACK

    def __init__(self, folder: Path, on_mail: Callable[[DroppedMail], None] | None = None) -> None:
        self.folder = folder
        self.port = 0
        self.mails: list[DroppedMail] = []
        self._on_mail = on_mail
        self._changed = threading.Condition()

    def __enter__(self) -> Self:
        """Make the folder, start, and wait until the server greets.

        Raises:
            OSError: the folder can't be made or no loopback port could be had.
        """
        self.folder.mkdir(parents=True, exist_ok=True)
        self._thread = LoopThread("demo-mail")
        try:
            self.port = self._thread.call(self._start())
            self._thread.call(self._probe())
        except BaseException:
            self._thread.stop()
            raise
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Stop; the files stay."""
        try:
            self._thread.call(self._stop())
        finally:
            self._thread.stop()

    def wait_for(self, count: int, timeout_s: float) -> bool:
        """Wait until `count` mails have come in all; False when they don't in time."""
        with self._changed:
            return self._changed.wait_for(lambda: len(self.mails) >= count, timeout_s)

    async def handle_DATA(  # noqa: N802 - the name that the SMTP library calls
        self, server: SMTP, session: Session, envelope: Envelope
    ) -> str:
        """Keep one mail and confirm it."""
        del server, session
        content = envelope.original_content or b""
        with self._changed:
            number = len(self.mails) + 1
            path = self.folder / f"{number:03d}.eml"
            path.write_bytes(content)
            mail = DroppedMail(number, path, message_from_bytes(content, policy=policy.default))
            self.mails.append(mail)
            self._changed.notify_all()
        if self._on_mail is not None:
            self._on_mail(mail)
        return "250 kept"

    async def _start(self) -> int:
        loop = asyncio.get_running_loop()
        self._server = await loop.create_server(
            lambda: SMTP(self, hostname="maildrop.example", enable_SMTPUTF8=True, loop=loop),
            self.host,
            0,
        )
        port: int = self._server.sockets[0].getsockname()[1]
        return port

    async def _probe(self) -> None:
        reader, writer = await asyncio.open_connection(self.host, self.port)
        greeting = await reader.readline()
        writer.close()
        await writer.wait_closed()
        if not greeting.startswith(b"220"):
            raise OSError(f"the mail drop on {self.host}:{self.port} greeted with {greeting!r}")

    async def _stop(self) -> None:
        self._server.close()


def text_of(mail: DroppedMail) -> str:
    """Give the plain-text part of a mail, or nothing when it has none."""
    body = mail.message.get_body(("plain",))
    return "" if body is None else str(body.get_content())
