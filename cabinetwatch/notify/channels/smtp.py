"""A session with the mail server: connect, secure, log in, hand over one mail. Never falls back.

Of RFC 5321 just what a client needs that hands in its own mail. The standard library's client
gathers a reply for as long and as far as it goes, and words some of its own errors as a 500 of the
server's; here an attempt has one deadline, and a no is final only if the server has said it.
"""

import base64
import binascii
import contextlib
import hmac
import re
import socket
import ssl
import time
from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

from cabinetwatch.config.notify import Email
from cabinetwatch.intake.certificate import certificate_sentence
from cabinetwatch.notify.channels.wire import (
    NameTimeoutError,
    UnreadableError,
    Wire,
    client_context,
)
from cabinetwatch.text import printable

_LINE_START_DOT = re.compile(rb"^\.", re.MULTILINE)
# RFC 5321 section 4.2; the code may stand alone, and what follows is the server's own business.
_REPLY_LINE = re.compile(rb"([2-5][0-9]{2})(?:([ -])(.*))?", re.DOTALL)
_LONGEST_ANSWER = 300
_LONGEST_EXCERPT = 60

_MECHANISMS = ("PLAIN", "LOGIN", "CRAM-MD5")
_UNDER_NO_TLS = ("CRAM-MD5", "PLAIN", "LOGIN")
_MOST_CHALLENGES = 2
_CHALLENGE = 334
_LOGGED_IN = 235


class Timeouts(NamedTuple):
    """How long an attempt may take, in seconds: as a whole, and for each thing waited for.

    Shorter than RFC 5321 section 4.5.3.2 asks of relays (5 min an answer; 10 min after the final
    dot): somebody waits for an alarm, and a doubled mail costs less than a late one. The mail and
    its final answer get the most, since giving up on that is what doubles mails; so that time is
    set aside, and all that comes before must be over by then.
    """

    connect_s: float = 20.0
    answer_s: float = 30.0
    final_s: float = 120.0
    goodbye_s: float = 2.0
    attempt_s: float = 300.0


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
        return f"{self.code} {printable(' '.join(self.text.split())[:_LONGEST_ANSWER])}".strip()


@dataclass(frozen=True, slots=True)
class Login:
    """Name and password for the server."""

    username: str
    password: str


class SmtpSession:
    """One connection to the server; what it does raises an OSError when the connection fails."""

    def __init__(self, email: Email, timeouts: Timeouts) -> None:
        self._timeouts = timeouts
        began = time.monotonic()
        # What is left then is for the mail itself, its answer, and the leave.
        before_mail_s = timeouts.attempt_s - timeouts.final_s - timeouts.goodbye_s
        self._short_from = began + before_mail_s / 2
        self._wire = Wire(email.host, email.port, began + before_mail_s, timeouts.connect_s)
        self._extensions: list[str] = []

    @property
    def heard(self) -> bool:
        """Whether the server has ever said anything."""
        return self._wire.heard

    @property
    def time_is_short(self) -> bool:
        """Whether who is slow has used up half of the time there is before the mail."""
        return time.monotonic() > self._short_from

    def secure(self, context: ssl.SSLContext) -> None:
        """Put what follows under TLS."""
        self._wire.secure(context, self._wire.until(self._timeouts.answer_s))

    def greeting(self) -> Answer:
        """Wait for the server's first word."""
        return self._answer(self._timeouts.answer_s)

    def hello(self) -> Answer:
        """Name ourselves, and note what the server offers.

        By our address, RFC 5321 section 4.1.3: a house has no domain name.
        """
        address = self._wire.own_address
        answer = self.ask(f"EHLO [IPv6:{address}]" if ":" in address else f"EHLO [{address}]")
        self._extensions = answer.text.upper().splitlines()[1:] if answer.accepted else []
        return answer

    @property
    def offers_starttls(self) -> bool:
        """Whether the server would go over to TLS."""
        return any(line.split() == ["STARTTLS"] for line in self._extensions)

    @property
    def mechanisms(self) -> list[str]:
        """How the server lets people log in, out of what is known here, best first."""
        offered = {
            word
            for line in self._extensions
            # The sign of equality is of old servers, from before RFC 2554.
            if (words := line.replace("=", " ").split()) and words[0] == "AUTH"
            for word in words[1:]
        }
        known = _MECHANISMS if self._wire.secured else _UNDER_NO_TLS
        return [mechanism for mechanism in known if mechanism in offered]

    def log_in(self, mechanism: str, login: Login) -> Answer:
        """Go through one of the mechanisms (RFC 4954); all of them speak UTF-8."""
        # What the environment holds need be no text; then it goes out as the bytes that it is.
        name, password = (
            word.encode("utf-8", "surrogateescape") for word in (login.username, login.password)
        )
        if mechanism == "PLAIN":  # RFC 4616
            told = base64.b64encode(b"\0" + name + b"\0" + password).decode()
            answer = self.ask(f"AUTH PLAIN {told}")
        else:
            answer = self.ask(f"AUTH {mechanism}")
        for number in range(_MOST_CHALLENGES):
            if answer.code != _CHALLENGE:
                return answer
            if mechanism == "CRAM-MD5":  # RFC 2195
                digest = hmac.new(password, _decoded(answer.text), "md5").hexdigest()
                response = name + b" " + digest.encode()
            elif mechanism == "LOGIN":
                response = (name, password)[number]
            else:
                response = b"\0" + name + b"\0" + password
            answer = self.ask(base64.b64encode(response).decode())
        if answer.code == _CHALLENGE:
            raise UnreadableError("it asks for the login again and again")
        return answer

    def mail_from(self, sender: str) -> Answer:
        """Begin a mail."""
        return self.ask(f"MAIL FROM:<{sender}>")

    def recipient(self, address: str) -> Answer:
        """Name one recipient."""
        return self.ask(f"RCPT TO:<{address}>")

    def start_data(self) -> Answer:
        """Ask whether the mail may come; the answer is 354 if so."""
        return self.ask("DATA")

    def finish_data(self, content: bytes) -> Answer:
        """Send the mail and wait for the final answer. If this fails the mail may have arrived."""
        self._wire.deadline = time.monotonic() + self._timeouts.final_s
        # RFC 5321 section 4.5.2: a dot at the start of a line is doubled.
        self._wire.send(_LINE_START_DOT.sub(b"..", content) + b".\r\n", self._wire.deadline)
        return self._answer(self._timeouts.final_s)

    def ask(self, command: str) -> Answer:
        """Say a command and wait for its answer."""
        self._wire.send(command.encode() + b"\r\n", self._wire.until(self._timeouts.answer_s))
        return self._answer(self._timeouts.answer_s)

    def leave(self) -> None:
        """Leave politely if the server listens, and in any case."""
        try:
            if not self._wire.broken:
                self._wire.deadline = time.monotonic() + self._timeouts.goodbye_s
                self.ask("QUIT")
        except OSError:
            return  # Whatever was to be sent has been answered by now.
        finally:
            self._wire.close()

    def _answer(self, limit_s: float) -> Answer:
        """Read a reply, all its lines within the limit."""
        until = self._wire.until(limit_s)
        code: bytes | None = None
        text = bytearray()
        while True:
            line = self._wire.line(until)
            match = _REPLY_LINE.fullmatch(line)
            if match is None or code not in (None, match[1]):
                self._wire.broken = True
                said = printable(line.decode("utf-8", "replace")[:_LONGEST_EXCERPT])
                raise UnreadableError(f'it answers "{said}", which is no answer of a mail server')
            code = match[1]
            text += (match[3] or b"") + b"\n"
            if match[2] != b"-":
                return Answer(int(code), text.decode("utf-8", "replace"))


@contextlib.contextmanager
def smtp_session(email: Email, login: Login | None, timeouts: Timeouts) -> Iterator[SmtpSession]:
    """Open a session that is secured and logged in as configured.

    Raises:
        SessionError: it could not be opened. What goes wrong within it is an OSError.
    """
    with _told_plainly(email):
        session = SmtpSession(email, timeouts)
    try:
        with _told_plainly(email):
            _open(session, email)
            if login is not None:
                _log_in(session, login)
        yield session
    finally:
        session.leave()


def _open(session: SmtpSession, email: Email) -> None:
    """Come as far as a greeted server, under TLS if that is configured."""
    if email.security == "tls":
        try:
            session.secure(_context(email))
        except ssl.SSLCertVerificationError:
            raise
        except ssl.SSLError as error:
            raise SessionError(
                f"TLS failed ({error.reason or error}); if it begins without TLS, as on port 587"
                ' or 25, set security = "starttls"'
            ) from error
    try:
        _expect(session.greeting(), "it greets with")
    except OSError as error:
        raise SessionError(_greeting_sentence(error, session, email)) from error
    _expect(session.hello(), "it answers EHLO with")
    if email.security == "starttls":
        if not session.offers_starttls:
            raise SessionError(
                'it offers no STARTTLS, and nothing is sent unprotected; security = "tls" is for'
                " servers that are protected from the first byte, mostly on port 465"
            )
        _expect(session.ask("STARTTLS"), "it answers STARTTLS with")
        session.secure(_context(email))
        # RFC 3207 section 4.2: what was said before counts no longer.
        _expect(session.hello(), "it answers EHLO with")


def _greeting_sentence(error: OSError, session: SmtpSession, email: Email) -> str:
    """Say why there is no greeting; a server that waits for TLS to begin says nothing."""
    sentence = explain(error, email)
    if email.security != "tls" and not session.heard:
        return (
            f"{sentence}; if it expects TLS from the first byte, as on port 465, set"
            ' security = "tls"'
        )
    return sentence


def _expect(answer: Answer, words: str) -> None:
    if not answer.accepted:
        raise SessionError(f"{words} {answer}", permanent=answer.permanent)


def _context(email: Email) -> ssl.SSLContext:
    try:
        return client_context(email.ca_file)
    except OSError as error:
        reason = error.strerror or error
        raise SessionError(f"its ca_file {email.ca_file} can't be used: {reason}") from error


def _log_in(session: SmtpSession, login: Login) -> None:
    """Try what the server offers until it is content; a 4xx is its word for all of them."""
    mechanisms = session.mechanisms
    if not mechanisms:
        known = ", ".join(_MECHANISMS)
        raise SessionError(
            f"it offers no login that is known here ({known}), but a username is configured"
        )
    for mechanism in mechanisms:
        answer = session.log_in(mechanism, login)
        if answer.code == _LOGGED_IN:
            return
        if not answer.permanent:
            break
    sentence = f"it refuses the login of {login.username}: {answer}"
    if answer.permanent and not (login.username + login.password).isascii():
        sentence += (
            "; name or password hold letters beyond ASCII, which some mail servers can't read: if"
            " they are right, set a password of ASCII characters there"
        )
    raise SessionError(sentence, permanent=answer.permanent)


def _decoded(challenge: str) -> bytes:
    try:
        return base64.b64decode(challenge, validate=False)
    except (binascii.Error, ValueError):
        raise UnreadableError("its challenge at the login is no base64") from None


@contextlib.contextmanager
def _told_plainly(email: Email) -> Iterator[None]:
    """Turn whatever goes wrong into one sentence that names the server."""
    server = f"mail server {email.host}:{email.port}"
    try:
        yield
    except SessionError as error:
        raise SessionError(f"{server}: {error}", permanent=error.permanent) from None
    except (OSError, UnicodeError) as error:
        raise SessionError(f"{server}: {explain(error, email)}") from error


_MEANINGS: tuple[tuple[type[Exception], str], ...] = (
    (NameTimeoutError, "its name can't be resolved: the resolver does not answer in time"),
    (TimeoutError, "it does not answer in time"),
    (ConnectionRefusedError, "it refuses the connection; check that it runs, and host and port"),
    # TLS that ends without its farewell is a connection that was closed.
    (ssl.SSLEOFError, "it closed the connection"),
    (ConnectionError, "it closed the connection"),
)


def explain(error: Exception, email: Email) -> str:
    """Say in words what an error of the connection means."""
    if isinstance(error, ssl.SSLCertVerificationError):
        return certificate_sentence(error, email.ca_file)
    if isinstance(error, socket.gaierror):
        return f"its name can't be resolved ({error.strerror})"
    for kind, meaning in _MEANINGS:
        if isinstance(error, kind):
            return meaning
    if isinstance(error, ssl.SSLError):
        return f"TLS failed: {error.reason or error}"
    return str(error) or type(error).__name__
