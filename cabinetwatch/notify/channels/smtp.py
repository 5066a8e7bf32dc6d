"""A session with the mail server: connect, secure, log in, hand over one mail. Never falls back."""

import contextlib
import re
import smtplib
import socket
import ssl
from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

from cabinetwatch.config.notify import Email
from cabinetwatch.intake.certificate import certificate_sentence
from cabinetwatch.notify.channels.tls import client_context
from cabinetwatch.text import printable

_LINE_START_DOT = re.compile(rb"^\.", re.MULTILINE)
_LONGEST_ANSWER = 300


class Timeouts(NamedTuple):
    """How long to wait for the server, in seconds, for each answer.

    Shorter than RFC 5321 section 4.5.3.2 asks of relays (5 min; 10 min after the final dot):
    somebody waits for an alarm, and a doubled mail costs less than a late one. The final answer
    gets the most, since giving up on it is what doubles mails.
    """

    connect_s: float = 20.0
    answer_s: float = 30.0
    final_s: float = 120.0
    goodbye_s: float = 2.0


class SessionError(Exception):
    """The session failed: one sentence; `permanent` when the server said no with a 5xx."""

    def __init__(self, sentence: str, *, permanent: bool = False) -> None:
        super().__init__(sentence)
        self.permanent = permanent


class Answer(NamedTuple):
    """A reply of the server: its three-digit code (RFC 5321 section 4.2) and its text."""

    code: int
    text: str

    @property
    def accepted(self) -> bool:
        """Whether it is a yes."""
        return 200 <= self.code < 300

    @property
    def permanent(self) -> bool:
        """Whether it is a no that will stay one."""
        return 500 <= self.code < 600

    def __str__(self) -> str:
        return f"{self.code} {self.text}".strip()


@dataclass(frozen=True, slots=True)
class Login:
    """Name and password for the server."""

    username: str
    password: str


class SmtpSession:
    """One connection to the server, ready to take a mail."""

    def __init__(self, smtp: smtplib.SMTP, timeouts: Timeouts) -> None:
        self._smtp = smtp
        self._timeouts = timeouts

    def mail_from(self, sender: str) -> Answer:
        """Begin a mail."""
        return _answer(self._smtp.mail(sender))

    def recipient(self, address: str) -> Answer:
        """Name one recipient."""
        return _answer(self._smtp.rcpt(address))

    def start_data(self) -> Answer:
        """Ask whether the mail may come; the answer is 354 if so."""
        return _answer(self._smtp.docmd("DATA"))

    def finish_data(self, content: bytes) -> Answer:
        """Send the mail and wait for the final answer. If this fails the mail may have arrived."""
        if self._smtp.sock is not None:
            self._smtp.sock.settimeout(self._timeouts.final_s)
        # RFC 5321 section 4.5.2: a dot at the start of a line is doubled.
        self._smtp.send(_LINE_START_DOT.sub(b"..", content) + b".\r\n")
        return _answer(self._smtp.getreply())


@contextlib.contextmanager
def smtp_session(email: Email, login: Login | None, timeouts: Timeouts) -> Iterator[SmtpSession]:
    """Open a session that is secured and logged in as configured.

    Raises:
        SessionError: it could not be opened. What goes wrong within it is an OSError.
    """
    smtp = _connected(email, timeouts)
    try:
        with _told_plainly(email):
            _greet(smtp)
            if email.security == "starttls":
                _start_tls(smtp, email)
                _greet(smtp)
            if login is not None:
                _log_in(smtp, login)
        yield SmtpSession(smtp, timeouts)
    finally:
        _say_goodbye(smtp, timeouts)


def _connected(email: Email, timeouts: Timeouts) -> smtplib.SMTP:
    with _told_plainly(email):
        # A name of our own given here spares the library a look-up of ours, which can hang.
        if email.security == "tls":
            smtp: smtplib.SMTP = smtplib.SMTP_SSL(
                email.host,
                email.port,
                local_hostname="localhost",
                timeout=timeouts.connect_s,
                context=_context(email),
            )
        else:
            smtp = smtplib.SMTP(
                email.host, email.port, local_hostname="localhost", timeout=timeouts.connect_s
            )
    if smtp.sock is not None:
        smtp.local_hostname = _address_literal(smtp.sock)
        smtp.sock.settimeout(timeouts.answer_s)
    return smtp


def _context(email: Email) -> ssl.SSLContext:
    try:
        return client_context(email.ca_file)
    except OSError as error:
        reason = error.strerror or error
        raise SessionError(f"its ca_file {email.ca_file} can't be used: {reason}") from error


def _address_literal(sock: socket.socket) -> str:
    """Name ourselves by our address, RFC 5321 section 4.1.3: a house has no domain name."""
    address = sock.getsockname()[0]
    return f"[IPv6:{address}]" if ":" in address else f"[{address}]"


def _greet(smtp: smtplib.SMTP) -> None:
    answer = _answer(smtp.ehlo())
    if not answer.accepted:
        raise SessionError(f"it answers EHLO with {answer}", permanent=answer.permanent)


def _start_tls(smtp: smtplib.SMTP, email: Email) -> None:
    if not smtp.has_extn("starttls"):
        raise SessionError(
            'it offers no STARTTLS, and nothing is sent unprotected; security = "tls" is for'
            " servers that are protected from the first byte, mostly on port 465"
        )
    smtp.starttls(context=_context(email))


def _log_in(smtp: smtplib.SMTP, login: Login) -> None:
    try:
        smtp.login(login.username, login.password)
    except smtplib.SMTPAuthenticationError as error:
        answer = _answer((error.smtp_code, error.smtp_error))
        raise SessionError(
            f"it refuses the login of {login.username}: {answer}", permanent=answer.permanent
        ) from None
    except smtplib.SMTPNotSupportedError:
        raise SessionError("it offers no login, but a username is configured") from None
    except UnicodeError:
        # The text of this error would hold the password.
        raise SessionError("name and password must be ASCII to log in", permanent=True) from None


@contextlib.contextmanager
def _told_plainly(email: Email) -> Iterator[None]:
    """Turn whatever goes wrong into one sentence that names the server."""
    server = f"mail server {email.host}:{email.port}"
    try:
        yield
    except SessionError as error:
        raise SessionError(f"{server}: {error}", permanent=error.permanent) from None
    except (OSError, UnicodeError) as error:
        sentence, permanent = explain(error, email)
        raise SessionError(f"{server}: {sentence}", permanent=permanent) from error


def explain(error: Exception, email: Email) -> tuple[str, bool]:
    """Say in words what an error of the socket or the library means, and whether it is final."""
    if isinstance(error, ssl.SSLCertVerificationError):
        return certificate_sentence(error, email.ca_file), False
    if isinstance(error, smtplib.SMTPResponseException):
        answer = _answer((error.smtp_code, error.smtp_error))
        return f"it answers {answer}", answer.permanent
    return _network_sentence(error, email), False


def _network_sentence(error: Exception, email: Email) -> str:
    # The library hides a time-out within "Connection unexpectedly closed: timed out".
    if isinstance(error, TimeoutError) or "timed out" in str(error):
        return "it does not answer in time"
    if isinstance(error, ConnectionRefusedError):
        return "it refuses the connection; check that it runs, and host and port"
    if isinstance(error, socket.gaierror):
        return f"its name can't be resolved ({error.strerror})"
    if isinstance(error, smtplib.SMTPServerDisconnected | ConnectionError):
        return "it closed the connection"
    if isinstance(error, ssl.SSLError):
        hint = ' (is security = "starttls" meant?)' if email.security == "tls" else ""
        return f"TLS failed: {error.reason or error}{hint}"
    return str(error) or type(error).__name__


def _answer(reply: tuple[int, bytes | str]) -> Answer:
    code, text = reply
    if isinstance(text, bytes):
        text = text.decode("utf-8", "replace")
    return Answer(code, printable(" ".join(text.split())[:_LONGEST_ANSWER]))


def _say_goodbye(smtp: smtplib.SMTP, timeouts: Timeouts) -> None:
    """Leave politely if the server listens, and in any case."""
    try:
        if smtp.sock is not None:
            smtp.sock.settimeout(timeouts.goodbye_s)
            smtp.docmd("QUIT")
    except OSError:
        return  # Whatever was to be sent has been answered by now.
    finally:
        smtp.close()
