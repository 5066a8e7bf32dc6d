"""A session with the mail server, and the way to it, all within bounds.

The standard library speaks the protocol. By itself it gathers a reply for as long and as far as it
goes, and words some of its own errors as a 500 of the server's; so here all that is read and sent
is bounded, an attempt has one deadline, and a no is final only if the server has said it. On the
way there, `socket.create_connection` would wait for the resolver for as long as that takes, and
give each address the whole time. Instants are of the monotonic clock, in seconds.
"""

import contextlib
import re
import smtplib
import socket
import ssl
import threading
import time
from collections.abc import Iterable, Iterator
from concurrent.futures import Future
from itertools import chain, zip_longest
from pathlib import Path
from typing import Any, NamedTuple

from pydantic import SecretStr

from cabinetwatch.config.services import Email
from cabinetwatch.mqtt.link import certificate_sentence
from cabinetwatch.text import printable

MOST_LINE_OCTETS = 12_288
"""The longest line that a mail server may say: a challenge, RFC 4954 section 4. A reply has 512
(RFC 5321 section 4.5.3.1.5)."""

MOST_OCTETS = 262_144
"""What is read from one connection: an ordinary one needs 2 KB, with a hundred recipients 50 KB."""

_CHUNK_OCTETS = 4096
_SENT_AT_ONCE = 16_384
# RFC 5321 section 4.2; the code may stand alone, and what follows is the server's own business.
_REPLY_LINE = re.compile(rb"([2-5][0-9]{2})(?:([ -])(.*))?", re.DOTALL)
_LONGEST_ANSWER = 300
_LONGEST_EXCERPT = 60


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


class Reply(NamedTuple):
    """A reply of the server: its three-digit code (RFC 5321 section 4.2) and its text."""

    code: int
    text: bytes

    @property
    def accepted(self) -> bool:
        """Whether it is a yes."""
        return 200 <= self.code < 300

    @property
    def permanent(self) -> bool:
        """Whether it is a no that will stay one."""
        return 500 <= self.code < 600

    def __str__(self) -> str:
        words = " ".join(self.text.decode("utf-8", "replace").split())
        return f"{self.code} {printable(words[:_LONGEST_ANSWER])}".strip()


_NONE_YET = Reply(0, b"")


class UnreadableError(OSError):
    """The server breaks the protocol: one sentence, to go on after its name."""


class _Utf8(str):
    """A text that is encoded as UTF-8 (RFC 4616) even where the library asks for ASCII."""

    __slots__ = ()

    def encode(self, *_: str) -> bytes:
        # What the environment holds need be no text; then it goes out as the bytes that it is.
        return super().encode("utf-8", "surrogateescape")


class SmtpSession(smtplib.SMTP):
    """The library's session, bounded; what it does raises an OSError when the connection fails."""

    def __init__(self, email: Email, timeouts: Timeouts) -> None:
        # With a name, if an empty one: without it the library looks up our own.
        super().__init__(local_hostname="")
        self._email = email
        self._timeouts = timeouts
        began = time.monotonic()
        # What is left then is for the mail itself, its answer, and the leave.
        before_mail_s = timeouts.attempt_s - timeouts.final_s - timeouts.goodbye_s
        self._short_from = began + before_mail_s / 2
        self._deadline = began + before_mail_s
        self._step_s = timeouts.answer_s
        self._buffer = bytearray()
        self._received = 0
        self.answer = _NONE_YET
        """What the server has said to the last command."""
        self.in_doubt = False
        """Whether the mail is on its way without an answer yet: it may have arrived."""

    @property
    def time_is_short(self) -> bool:
        """Whether who is slow has used up half of the time there is before the mail."""
        return time.monotonic() > self._short_from

    def open(self, password: SecretStr | None) -> None:
        """Come as far as is configured; raises a SessionError that names the server."""
        server = f"mail server {self._email.host}:{self._email.port}"
        try:
            self._open()
            if self._email.username is not None:
                secret = "" if password is None else password.get_secret_value()
                self._log_in(self._email.username, secret)
        except SessionError as error:
            raise SessionError(f"{server}: {error}", permanent=error.permanent) from None
        except (OSError, UnicodeError) as error:
            sentence = f"{server}: {explain(error, self._email.ca_file)}"
            if isinstance(error, ssl.SSLError) and self._email.security == "tls":
                sentence += _IF_LATE_TLS
            if self.sock is not None and not self._received and self._email.security != "tls":
                sentence += (
                    '; if it expects TLS from the first byte, as on port 465, set security = "tls"'
                )
            raise SessionError(sentence) from error

    def _open(self) -> None:
        host, port, security = self._email.host, self._email.port, self._email.security
        self.sock = connected(host, port, self._deadline, self._timeouts.connect_s)
        # Our name is our address, RFC 5321 section 4.1.3: a house has no domain name.
        address = str(self.sock.getsockname()[0]).partition("%")[0]
        self.local_hostname = f"[IPv6:{address}]" if ":" in address else f"[{address}]"
        if security == "tls":
            self._secure()
        self.getreply()
        self._expect_yes("it greets with")
        self._greet()
        if security == "starttls":
            if not self.has_extn("starttls"):
                raise SessionError(
                    'it offers no STARTTLS, and nothing is sent unprotected; security = "tls" is'
                    " for servers that are protected from the first byte, mostly on port 465"
                )
            self.docmd("STARTTLS")
            self._expect_yes("it answers STARTTLS with")
            self._secure()
            # RFC 3207 section 4.2: what was said before counts no longer.
            self._greet()

    def _log_in(self, username: str, password: str) -> None:
        """Try what the server offers until it is content."""
        try:
            self.login(username, _Utf8(password))
        except smtplib.SMTPAuthenticationError:
            sentence = f"it refuses the login of {username}: {self.answer}"
            if not (username + password).isascii():
                sentence += (
                    "; name or password hold letters beyond ASCII, which some mail servers can't"
                    " read: if they are right, set a password of ASCII characters there"
                )
            raise SessionError(sentence, permanent=True) from None
        except smtplib.SMTPException:
            raise SessionError(
                "it offers no login that is known here (CRAM-MD5, PLAIN, LOGIN), but a username is"
                " configured"
            ) from None

    def auth(self, mechanism: str, authobject: Any, **_: bool) -> tuple[int, bytes]:
        """Go through one mechanism in UTF-8; only after a 5xx may the library try the next."""
        try:
            return super().auth(
                mechanism,
                lambda challenge=None: _Utf8(authobject(challenge)),
                # Not every server takes that of LOGIN; CRAM-MD5 has none.
                initial_response_ok=mechanism == "PLAIN",
            )
        except smtplib.SMTPAuthenticationError:
            if self.answer.permanent:
                raise
            sentence = f"it refuses the login of {self.user}: {self.answer}"
            raise SessionError(sentence) from None
        except smtplib.SMTPException:
            raise UnreadableError("it asks for the login again and again") from None
        except ValueError:
            raise UnreadableError("its challenge at the login is no base64") from None

    def send(self, s: Any) -> None:
        """Send all of this, a command or, as bytes, the mail."""
        self._expect_silence()
        if isinstance(s, bytes):
            self.in_doubt = True
            self._step_s = self._timeouts.final_s
            self._deadline = time.monotonic() + self._step_s
        until = self._until()
        rest = memoryview(s if isinstance(s, bytes) else s.encode())
        while rest:
            rest = rest[self._ready(until).send(rest[:_SENT_AT_ONCE]) :]

    def getreply(self) -> tuple[int, bytes]:
        """Read a reply, all its lines in time."""
        until = self._until()
        code: bytes | None = None
        text: list[bytes] = []
        while True:
            line = self._line(until)
            match = _REPLY_LINE.fullmatch(line)
            if match is None or code not in (None, match[1]):
                said = printable(line.decode("utf-8", "replace")[:_LONGEST_EXCERPT])
                raise UnreadableError(f'it answers "{said}", which is no answer of a mail server')
            code = match[1]
            text.append(match[3] or b"")
            if match[2] != b"-":
                self.answer = Reply(int(code), b"\n".join(text))
                self.in_doubt = False
                return self.answer

    def leave(self) -> None:
        """Leave politely if the server listens, and in any case."""
        self._deadline = time.monotonic() + self._timeouts.goodbye_s
        # Whatever was to be sent has been answered by now.
        with contextlib.suppress(OSError):
            if self.answer.code:
                self.quit()
        self.close()

    def _greet(self) -> None:
        self.ehlo()
        self._expect_yes("it answers EHLO with")

    def _expect_yes(self, words: str) -> None:
        if not self.answer.accepted:
            raise SessionError(f"{words} {self.answer}", permanent=self.answer.permanent)

    def _secure(self) -> None:
        """Put what follows under TLS; the handshake as a whole ends in time."""
        context = _context(self._email)
        self._expect_silence()
        sock = self._ready(self._until())
        self.sock = context.wrap_socket(sock, server_hostname=self._email.host)

    def _line(self, until: float) -> bytes:
        while (end := self._buffer.find(b"\n")) < 0 and len(self._buffer) <= MOST_LINE_OCTETS:
            chunk = self._ready(until).recv(_CHUNK_OCTETS)
            if not chunk:
                raise ConnectionResetError
            self._received += len(chunk)
            if self._received > MOST_OCTETS:
                raise UnreadableError(f"it says over {MOST_OCTETS // 1024} KB, and no end to it")
            self._buffer += chunk
        if not 0 <= end <= MOST_LINE_OCTETS:
            raise UnreadableError(f"it says a line of over {MOST_LINE_OCTETS} octets")
        line = bytes(self._buffer[:end])
        del self._buffer[: end + 1]
        return line.removesuffix(b"\r")

    def _expect_silence(self) -> None:
        """Take no answer that came before its question.

        It could be taken for that of the next command; and what came ahead of TLS, for something
        said under its protection (RFC 3207 section 6).
        """
        self.answer = _NONE_YET
        if self._buffer:
            raise UnreadableError("it answers before it is asked")

    def _until(self) -> float:
        """Give the instant at which a step ends that begins now."""
        return min(self._deadline, time.monotonic() + self._step_s)

    def _ready(self, until: float) -> socket.socket:
        """Give the socket, for one call that is over by then."""
        if self.sock is None:
            raise ConnectionResetError
        self.sock.settimeout(left_s(until))
        return self.sock


@contextlib.contextmanager
def smtp_session(
    email: Email, password: SecretStr | None, timeouts: Timeouts
) -> Iterator[SmtpSession]:
    """Open a session that is secured and logged in as configured.

    Raises:
        SessionError: it could not be opened. What goes wrong within it is an OSError.
    """
    session = SmtpSession(email, timeouts)
    try:
        session.open(password)
        yield session
    finally:
        session.leave()


def _context(email: Email) -> ssl.SSLContext:
    """Make a context that checks certificate and name, against `ca_file` or the system's CAs."""
    try:
        return ssl.create_default_context(cafile=email.ca_file)
    except OSError as error:
        reason = error.strerror or error
        raise SessionError(f"its ca_file {email.ca_file} can't be used: {reason}") from error


# -- the way to the server ------------------------------------------------------------------------

_MOST_ADDRESSES = 8

_Address = tuple[int, int, int, Any]

_look_ups: dict[tuple[str, int], "Future[list[_Address]]"] = {}
_lock = threading.Lock()


def connected(host: str, port: int, deadline: float, step_s: float) -> socket.socket:
    """Connect to a server; looking up its name takes `step_s` at most, and so does connecting.

    Raises:
        OSError: no connection came about.
        UnicodeError: the name is none.
    """
    addresses = _looked_up(host, port, min(deadline, time.monotonic() + step_s))
    until = min(deadline, time.monotonic() + step_s)
    problem = OSError("its name has no address")
    for number, (family, kind, protocol, address) in enumerate(addresses):
        sock = socket.socket(family, kind, protocol)
        try:
            # Each gets its share of the time that is left.
            sock.settimeout(left_s(until) / (len(addresses) - number))
            sock.connect(address)
        except OSError as error:
            sock.close()
            problem = error
        else:
            return sock
    raise problem


def left_s(until: float) -> float:
    """Give how long it is until then; raises TimeoutError when that is past."""
    left = until - time.monotonic()
    if left <= 0:
        raise TimeoutError
    return left


def _looked_up(host: str, port: int, until: float) -> list[_Address]:
    """Give the addresses of a server, those of IPv6 and IPv4 in turns (RFC 8305 section 4)."""
    families: dict[int, list[_Address]] = {}
    for address in _resolved(host, port, until):
        families.setdefault(address[0], []).append(address)
    in_turns: Iterable[_Address | None] = chain.from_iterable(zip_longest(*families.values()))
    return [address for address in in_turns if address is not None][:_MOST_ADDRESSES]


def _resolved(host: str, port: int, until: float) -> list[_Address]:
    """Ask the resolver in a thread of its own: nothing can interrupt it.

    A look-up that hangs is left behind, and whoever asks for the name again waits for the same one:
    so there is one thread for a name at most, and an answer that came late serves the next to ask.
    """
    with _lock:
        look_up = _look_ups.get((host, port))
        if look_up is None:
            look_up = Future()
            thread = threading.Thread(target=_resolve, args=(host, port, look_up), daemon=True)
            try:
                thread.start()
            except RuntimeError as error:
                raise OSError("no thread can be started to look up its name") from error
            _look_ups[host, port] = look_up
    try:
        return look_up.result(left_s(until))
    except TimeoutError:
        raise NameTimeoutError from None
    finally:
        with _lock:
            if look_up.done() and _look_ups.get((host, port)) is look_up:
                del _look_ups[host, port]


def _resolve(host: str, port: int, look_up: "Future[list[_Address]]") -> None:
    try:
        found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
        look_up.set_result([(*each[:3], each[4]) for each in found])
    except (OSError, UnicodeError) as error:
        look_up.set_exception(error)


class NameTimeoutError(TimeoutError):
    """The resolver gave no answer in time."""


_MEANINGS: tuple[tuple[type[Exception], str], ...] = (
    (NameTimeoutError, "its name can't be resolved: the resolver does not answer in time"),
    (TimeoutError, "it does not answer in time"),
    (ConnectionRefusedError, "it refuses the connection; check that it runs, and host and port"),
    # TLS that ends without its farewell is a connection that was closed.
    (ssl.SSLEOFError, "it closed the connection"),
    (ConnectionError, "it closed the connection"),
)


_IF_LATE_TLS = '; if it begins without TLS, as on port 587 or 25, set security = "starttls"'


def explain(error: Exception, ca_file: Path | None) -> str:
    """Say in words what an error of the connection to a server means."""
    if isinstance(error, ssl.SSLCertVerificationError):
        return certificate_sentence(error, ca_file)
    if isinstance(error, socket.gaierror):
        return f"its name can't be resolved ({error.strerror})"
    for kind, meaning in _MEANINGS:
        if isinstance(error, kind):
            return meaning
    if isinstance(error, ssl.SSLError):
        return f"TLS failed: {error.reason or error}"
    return str(error) or type(error).__name__
