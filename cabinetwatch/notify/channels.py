"""The channels: a program, an HTTP server, MQTT, e-mail; and the mails that tell of no alarm.

Each carries one notice at a time within its time limits, and says in an `Attempt` what became of
it.
"""

import json
import logging
import os
import re
import resource
import select
import signal
import socket
import ssl
import subprocess  # No shell: the argument list of the configuration is run as it stands.
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import replace
from http import HTTPStatus
from http.client import HTTPConnection, HTTPException
from pathlib import Path
from queue import Empty, SimpleQueue
from smtplib import SMTPDataError
from typing import IO, Any, cast
from urllib.parse import urlsplit, urlunsplit

from jinja2 import TemplateError
from jinja2.sandbox import SandboxedEnvironment
from pydantic import SecretStr

from cabinetwatch.config.model import Config
from cabinetwatch.config.services import Command, Email, Http
from cabinetwatch.config.values import read_plain_file
from cabinetwatch.mqtt.session import MqttSession
from cabinetwatch.notify.delivery import Attempt, ChannelQueue, Probe, Refusal, Send, carry_out
from cabinetwatch.notify.mail import SystemMail, build_message, build_system_mail
from cabinetwatch.notify.people import Told, addresses_now
from cabinetwatch.notify.plan import Present, sender_of
from cabinetwatch.notify.smtp import (
    Reply,
    SessionError,
    SmtpSession,
    Timeouts,
    connected,
    explain,
    left_s,
    smtp_session,
)
from cabinetwatch.store.records import Notice
from cabinetwatch.text import ConfigError, printable

_log = logging.getLogger(__name__)

MOST_DATA_BYTES = 256 * 2**20
"""Beside the watch's own 80 MB this stays below what its unit may have (MemoryMax=)."""

_SHOWN_OF_ERRORS = 300
_CHUNK = 65_536
_PIPE_CHUNKS = 16
_DEAD_WITHIN_S = 5.0
_CONFIRMED_WITHIN_S = 10.0
_SECRETS = ("CABINETWATCH_MQTT_PASSWORD", "CABINETWATCH_EMAIL_PASSWORD", "CREDENTIALS_DIRECTORY")


_WHY = {"raise": "opened", "return": "over", "repeat": "again"}
"""What a program reads as `message`, where that is not the kind of notice."""


def _for_programs(notice: Notice, present: Present | None) -> dict[str, Any]:
    """Give what programs are told: the newest transition, why, and the account of the incident.

    The account is as it is `present` now, else as it was when the notice was written.
    """
    told = notice.transitions[-1].public()
    told["message"] = _WHY.get(notice.kind, notice.kind)
    for account in notice.accounts:
        now = None if present is None else present(account.id)
        told["incident"] = (now or account).public()
    return told


class CommandChannel:
    """Runs the program of `[notify.command]`, with JSON on standard input (`_for_programs`)."""

    recipients: tuple[str, ...] = ("command",)

    def __init__(self, command: Command, present: Present | None = None) -> None:
        self._present = present
        self._command = command

    def probe(self) -> Attempt:
        """A program can only be tried by running it."""
        return Attempt()

    def send(self, notice: Notice, recipients: tuple[str, ...]) -> Attempt:
        """Run the program once; exit status 0 confirms."""
        line = json.dumps(_for_programs(notice, self._present)) + "\n"
        try:
            problem = self._run(line.encode())
        except OSError as error:
            problem = f"can't be started: {error.strerror}"
        if problem is None:
            return Attempt(accepted=recipients)
        return Attempt.refusing(recipients, f"program {self._command.argv[0]} {problem}")

    def _run(self, told: bytes) -> str | None:
        """Run the program; say what went wrong, None if nothing.

        What it is told lies in memory, for it need not read it, and the disk may be full. What it
        says goes through a pipe, of which only the end is kept: a program that says the same for
        ever fills neither memory nor card, and a child that it leaves behind holds nobody up.
        """
        with os.fdopen(os.memfd_create("notice"), "r+b", buffering=0) as stdin:
            stdin.write(told)
            stdin.seek(0)
            process = subprocess.Popen(  # noqa: S603 - the owner's own program
                self._command.argv,
                stdin=stdin,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.PIPE,
                bufsize=0,
                env={key: text for key, text in os.environ.items() if key not in _SECRETS},
                start_new_session=True,
            )
        with cast("IO[bytes]", process.stderr) as stderr:
            last_words = _LastWords(stderr.fileno())
            try:
                _keep_small(process.pid)
                ended = last_words.until_the_end(process, self._command.timeout_s)
            finally:
                if process.poll() is None:
                    # It leads a process group of its own, of all that it started.
                    os.killpg(process.pid, signal.SIGKILL)
                    # One that waits for a disk ends only with that; it is not waited for.
                    with suppress(subprocess.TimeoutExpired):
                        process.wait(_DEAD_WITHIN_S)
        if not ended:
            return f"was stopped after {self._command.timeout_s:zg} s{last_words}"
        status = process.wait()
        if status < 0:
            return f"was ended by signal {-status}{last_words}"
        return None if status == 0 else f"ended with status {status}{last_words}"


class _LastWords:
    """What a program says on standard error: the end of it, however much it is."""

    def __init__(self, reader: int) -> None:
        self._said = reader
        os.set_blocking(reader, False)
        self._tail = b""

    def until_the_end(self, process: subprocess.Popen[bytes], within_s: float) -> bool:
        """Listen until the program ends; False when it does not in time."""
        until = time.monotonic() + within_s
        with os.fdopen(os.pidfd_open(process.pid), "rb", buffering=0) as end:
            watched = [end.fileno(), self._said]
            while (left_s := until - time.monotonic()) > 0:
                ready, _, _ = select.select(watched, [], [], left_s)
                if end.fileno() in ready:
                    # More than a pipe holds; a child left behind may say on, and is not heard out.
                    for _ in range(_PIPE_CHUNKS):
                        if not self._listen():
                            break
                    return True
                if ready and not self._listen():
                    watched.remove(self._said)
        return False

    def _listen(self) -> bool:
        """Take what has been said; False when nothing has, or no more can be."""
        try:
            said = os.read(self._said, _CHUNK)
        except BlockingIOError:
            return False
        self._tail = (self._tail + said)[-_SHOWN_OF_ERRORS:]
        return bool(said)

    def __str__(self) -> str:
        text = printable(" ".join(self._tail.decode("utf-8", "replace").split()))
        return f": {text}" if text else ""


def _keep_small(pid: int) -> None:
    """Let a program fail before the watch does when memory runs out. Its children inherit it.

    Best effort: one that has ended already, or a kernel that does not let us, changes nothing.
    """
    with suppress(OSError, ValueError):
        _, hard = resource.prlimit(pid, resource.RLIMIT_DATA)
        resource.prlimit(pid, resource.RLIMIT_DATA, (MOST_DATA_BYTES, hard))
    with suppress(OSError):
        Path(f"/proc/{pid}/oom_score_adj").write_text("500")


_MOST_HEADERS_BYTES = 16 * 1024
_HEADER_NAME = re.compile(r"[!#$%&'*+.^_`|~0-9A-Za-z-]+")
"""A token of RFC 9110, section 5.6.2."""
_CONTROL = re.compile(r"[\x00-\x08\x0a-\x1f\x7f]")
_FINAL = {400, 405, 410, 411, 413, 414, 415, 422, 431, 451}
"""Answers after which the same is never accepted (RFC 9110, section 15.5; 6585; 7725). A token can
be renewed, and a gateway that has just been started knows no path yet: that is tried again."""


class HttpChannel:
    """POSTs to the server of `[notify.http]`: JSON (`_for_programs`), or what a template makes.

    Any 2xx confirms. Nothing is sent on to where an answer may redirect: what headers_file holds is
    for this server alone. Each notice has its own Idempotency-Key, by which a server can tell
    that it has had it.

    Raises:
        ConfigError: the template is none.
    """

    recipients: tuple[str, ...] = ("http",)

    def __init__(self, http: Http, present: Present | None = None) -> None:
        self._http = http
        self._server = "HTTP server {}:{}".format(*http.server)
        self._present = present
        self._template = None
        if http.template is not None:
            try:
                source = http.template.read_text(encoding="utf-8")
                self._template = SandboxedEnvironment(autoescape=False).from_string(source)
            except (OSError, UnicodeDecodeError, TemplateError) as error:
                raise ConfigError([f"[notify.http] template {http.template}: {error}"]) from None

    def probe(self) -> Attempt:
        """Connect and check the certificate, and send nothing."""
        try:
            with self._connection():
                return Attempt()
        except (OSError, UnicodeError) as error:
            return Attempt(unreachable=self._sentence(error))

    def send(self, notice: Notice, recipients: tuple[str, ...]) -> Attempt:
        """Try once to have the server take a notice."""
        try:
            headers = self._headers(notice)
        except ConfigError as error:
            return Attempt.refusing(recipients, str(error))
        body = self._body(notice)
        parts = urlsplit(self._http.url)
        target = urlunsplit(("", "", parts.path or "/", parts.query, ""))
        is_sent = False
        try:
            with self._connection() as connection:
                is_sent = True
                connection.request("POST", target, body, headers)
                status = connection.getresponse().status
        except (OSError, UnicodeError, HTTPException) as error:
            sentence = self._sentence(error)
            if not is_sent:
                return Attempt(unreachable=sentence)
            refusing = Attempt.refusing(recipients, sentence)
            return replace(refusing, in_doubt=True, connection_lost=True)
        return self._answered(status, recipients)

    def _answered(self, status: int, recipients: tuple[str, ...]) -> Attempt:
        """Say what an answer means (RFC 9110, section 15)."""
        if HTTPStatus.OK <= status < HTTPStatus.MULTIPLE_CHOICES:
            return Attempt(accepted=recipients)
        sentence = f"{self._server} answers {status}"
        moved = HTTPStatus.MULTIPLE_CHOICES <= status < HTTPStatus.BAD_REQUEST
        if moved:
            sentence += ", which sends us elsewhere; set the url that it should be"
        return Attempt.refusing(recipients, sentence, permanent=moved or status in _FINAL)

    @contextmanager
    def _connection(self) -> Iterator[HTTPConnection]:
        """Open a connection; whatever the server does, it is over when the time is up."""
        host, port = self._http.server
        until = time.monotonic() + self._http.timeout_s
        connection = HTTPConnection(host, port)
        connection.sock = connected(host, port, until, self._http.timeout_s)
        over = threading.Timer(max(0.0, until - time.monotonic()), _cut, [connection])
        over.daemon = True
        over.start()
        try:
            connection.sock.settimeout(left_s(until))
            if urlsplit(self._http.url).scheme == "https":
                context = ssl.create_default_context(cafile=self._http.ca_file)
                secured = context.wrap_socket(
                    connection.sock, server_hostname=host, do_handshake_on_connect=False
                )
                connection.sock = secured
                secured.do_handshake()
            yield connection
        except (OSError, HTTPException) as error:
            if time.monotonic() >= until:
                raise TimeoutError from error
            raise
        finally:
            over.cancel()
            connection.close()

    def _headers(self, notice: Notice) -> dict[str, str]:
        """Give the headers, ours but where the file has its own.

        Raises:
            ConfigError: the file can't be read, or has what is no header.
        """
        kind = "text/plain; charset=utf-8" if self._template else "application/json"
        headers = {
            "Content-Type": kind,
            "User-Agent": "cabinetwatch",
            "Connection": "close",
            "Idempotency-Key": json.dumps(notice.id),
        }
        ours = {name.lower(): name for name in headers}
        file = self._http.headers_file
        if file is None:
            return headers
        where = f"[notify.http] headers_file {file}"
        try:
            lines = read_plain_file(file, _MOST_HEADERS_BYTES).decode("latin-1").split("\n")
        except ValueError as error:
            raise ConfigError([f"{where} {error}"]) from None
        for number, line in enumerate(lines, 1):
            name, colon, value = line.partition(":")
            if not line.strip():
                continue
            if not colon or not _HEADER_NAME.fullmatch(name) or _CONTROL.search(value.strip()):
                raise ConfigError([f"{where}: line {number} is no header; write Name: value"])
            # Names are the same in small letters (RFC 9110, section 5.1).
            headers[ours.get(name.lower(), name)] = value.strip()
        return headers

    def _body(self, notice: Notice) -> bytes:
        told = _for_programs(notice, self._present)
        if self._template is not None:
            try:
                return self._template.render(told).encode("utf-8", "replace")
            except Exception as error:  # noqa: BLE001 - the user's template; the alarm goes out anyway
                _log.warning("[notify.http] template failed, JSON is sent in its place: %s", error)
        return json.dumps(told).encode()

    def _sentence(self, error: Exception) -> str:
        if isinstance(error, HTTPException):
            return f"{self._server}: it does not answer as an HTTP server does"
        return f"{self._server}: {explain(error, self._http.ca_file)}"


def _cut(connection: HTTPConnection) -> None:
    """End a connection from another thread: whoever reads or writes is told so at once."""
    # Not that of TLS, which would leave a socket that sends in plain text for an instant.
    with suppress(OSError, TypeError):
        socket.socket.shutdown(connection.sock, socket.SHUT_RDWR)


class MqttChannel:
    """Publishes transitions under a prefix, QoS 1, and waits for the broker's confirmation."""

    recipients: tuple[str, ...] = ("mqtt",)

    def __init__(self, session: MqttSession, prefix: str) -> None:
        self._session = session
        self._prefix = prefix

    def probe(self) -> Attempt:
        """Look whether there is a connection; that there is none is told by `broker-lost`."""
        if self._session.connected:
            return Attempt()
        return Attempt(unreachable="there is no connection to the broker", told_elsewhere=True)

    def send(self, notice: Notice, recipients: tuple[str, ...]) -> Attempt:
        """Publish the transition of a notice once; a test leaves nothing behind."""
        absent = self.probe()
        if absent.unreachable is not None:
            return absent
        (transition,) = notice.transitions
        topic = f"{self._prefix}/alarm/{transition.subject}/{transition.condition}"
        payload = json.dumps(transition.public(), ensure_ascii=False).encode("utf-8", "replace")
        retain = notice.kind != "test"
        answers: SimpleQueue[bool] = SimpleQueue()
        self._session.publish(topic, payload, retain=retain, qos=1, on_done=answers.put)
        try:
            confirmed = answers.get(timeout=_CONFIRMED_WITHIN_S)
        except Empty:
            confirmed = None
        if confirmed:
            return Attempt(accepted=recipients)
        if not self._session.connected:
            return self.probe()
        how = "has not confirmed" if confirmed is None else "does not take"
        return Attempt.refusing(recipients, f"the broker {how} what is sent to {topic}")


class NotComposedError(Exception):
    """A summary's mail is not ready: one sentence; `in_the_making` when it will be soon."""

    def __init__(self, sentence: str, *, in_the_making: bool = False) -> None:
        super().__init__(sentence)
        self.in_the_making = in_the_making


class EmailChannel:
    """Sends notices by way of `[notify.email]`: `to` these, else to those of that table.

    `told` knows who was notified of what by any channel, `present` an incident as it is now.
    `compose` makes the mail of a notice that tells of no alarm, or raises NotComposedError.
    """

    def __init__(
        self,
        config: Config,
        email: Email,
        password: SecretStr | None,
        timeouts: Timeouts | None = None,
        *,
        to: tuple[str, ...] | None = None,
        told: Told | None = None,
        compose: Callable[[Notice], bytes] | None = None,
        present: Present | None = None,
    ) -> None:
        self._config = config
        self._email = email
        self._password = password
        self._timeouts = timeouts or Timeouts()
        self._silent_at: set[str] = set()
        self.recipients = email.addresses if to is None else to
        """Whom it mails what names no others."""
        self._told = told or Told()
        self._compose = compose
        self._present = present

    def probe(self) -> Attempt:
        """Connect, secure and log in, and send nothing.

        A server that answers, be it with a 5xx, counts as reached: it will say the same to a mail,
        and then that is the end of that mail.
        """
        try:
            with smtp_session(self._email, self._password, self._timeouts):
                return Attempt()
        except SessionError as error:
            return Attempt() if error.permanent else Attempt(unreachable=str(error))

    def send(self, notice: Notice, recipients: tuple[str, ...]) -> Attempt:
        """Try once to mail a notice to these recipients.

        An address at which the server fell silent would keep the mail from all the others again;
        so it is left to an attempt of its own.
        """
        try:
            content = self._content(notice)
        except NotComposedError as error:
            refusing = Attempt.refusing(recipients, str(error))
            return replace(refusing, told_elsewhere=error.in_the_making)
        now = tuple(each for each in recipients if each not in self._silent_at) or recipients
        transaction = _Transaction(self._email, now)
        transaction.put_off(each for each in recipients if each not in now)
        try:
            with smtp_session(self._email, self._password, self._timeouts) as session:
                attempt = transaction.run(session, content)
        except SessionError as error:
            if error.permanent:
                return Attempt.refusing(recipients, str(error), permanent=True)
            return Attempt(unreachable=str(error))
        self._silent_at -= set(now)
        if transaction.silent_at is not None and len({*self.recipients, *recipients}) > 1:
            self._silent_at.add(transaction.silent_at)
        return attempt

    def _content(self, notice: Notice) -> bytes:
        if notice.kind not in ("summary", "system"):
            return build_message(
                *(notice, self._config, self._email, self._present),
                to=self.recipients,
                before=self._told.before(notice, self._config, self._present),
                written_ms=self._told.written_ms(notice, self._config),
            ).as_bytes()
        if self._compose is None:
            raise NotComposedError("nothing here makes the mail of a weekly summary")
        return self._compose(notice)


class _Transaction:
    """One mail transaction (RFC 5321 section 3.3), and how far it came.

    `silent_at` is the address whose answer did not come.
    """

    def __init__(self, email: Email, recipients: tuple[str, ...]) -> None:
        self._email = email
        self._recipients = recipients
        self._refused: dict[str, Refusal] = {}
        self.silent_at: str | None = None

    def put_off(self, recipients: Iterable[str]) -> None:
        """Leave out those at whom the server fell silent before."""
        for each in recipients:
            self._refuse([each], f"it fell silent at {each}, whose turn comes by itself")

    def run(self, session: SmtpSession, content: bytes) -> Attempt:
        """Go through the transaction, as far as the connection lets us."""
        connection_lost = False
        try:
            self._run(session, sender_of(self._email.from_).addr_spec, content)
        except OSError as error:
            self._refuse(self._open, explain(error, self._email.ca_file))
            connection_lost = True
        return Attempt(
            accepted=self._open,
            refused=self._refused,
            in_doubt=session.in_doubt,
            connection_lost=connection_lost,
        )

    def _run(self, session: SmtpSession, sender: str, content: bytes) -> None:
        """Go on to the end, or until nobody is left; who is not refused by then has the mail."""
        session.mail(sender)
        if not session.answer.accepted:
            self._refuse_rest(session.answer, f"it answers MAIL FROM {sender} with")
        for number, recipient in enumerate(self._open):
            if session.time_is_short and {*self._recipients[:number]} - self._refused.keys():
                # Those who are through should get it now, however slow the server is.
                sentence = "it is slow, and the time of this attempt is for those before"
                self._refuse(self._recipients[number:], sentence)
                break
            self.silent_at = recipient
            session.rcpt(recipient)
            self.silent_at = None
            answer = session.answer
            if not answer.accepted:
                sentence = f"it refuses {recipient} with {answer}"
                self._refuse([recipient], sentence, permanent=answer.permanent)
        if not self._open:
            return
        try:
            session.data(content)
        except SMTPDataError:
            self._refuse_rest(session.answer, "it answers DATA with")
        if not session.answer.accepted:
            self._refuse_rest(session.answer, "it refuses the mail with")

    def _refuse_rest(self, answer: Reply, words: str) -> None:
        self._refuse(self._open, f"{words} {answer}", permanent=answer.permanent)

    def _refuse(self, recipients: Iterable[str], sentence: str, *, permanent: bool = False) -> None:
        server = f"mail server {self._email.host}:{self._email.port}"
        refusal = Refusal(f"{server}: {sentence}", permanent)
        self._refused |= dict.fromkeys(recipients, refusal)

    @property
    def _open(self) -> tuple[str, ...]:
        """Those whom the server has not refused."""
        return tuple(each for each in self._recipients if each not in self._refused)


class SystemMailer:
    """System mails under way, in memory, one after the other. Each recipient gets each once.

    Raises:
        ConfigError: there is no table [notify.email], or its password can't be read.
    """

    def __init__(self, config: Config) -> None:
        email = config.notify.email
        if email is None:
            raise ConfigError(["a table [notify.email] is needed: it says whom to mail, and how"])
        self._config = config
        self._email: Email = email
        self._mails: dict[str, tuple[str, bytes]] = {}
        self._channel = EmailChannel(
            config,
            email,
            config.secret("email-password"),
            compose=lambda notice: self._mails[notice.id][1],
        )
        self._queue = ChannelQueue((), in_order=True)
        self.delivered = 0
        """Mails that the server has taken for at least one recipient."""

    @property
    def pending(self) -> bool:
        """Whether a mail waits."""
        return len(self._queue) > 0

    def add(self, mail: SystemMail) -> None:
        """Take a mail; it stays the same at each attempt."""
        to = addresses_now(self._config, mail.utc_ms)
        message = build_system_mail(mail, self._config, self._email, to)
        notice = Notice(
            str(message["Message-ID"]),
            "email",
            "system",
            mail.utc_ms,
            mail.utc_ms,
            (),
            recipients=to,
        )
        self._mails[notice.id] = mail.subject, message.as_bytes()
        self._queue.add(notice, 0)

    def step(self, now_s: float) -> None:
        """Try the oldest mail, if one waits and it is time (on any clock that never steps)."""
        t = round(now_s * 1000)
        while isinstance(job := self._queue.next_job(t, t), Send | Probe):
            attempt = carry_out(job, self._queue, self._channel, t)
            if attempt.unreachable:
                _log.error("not mailed yet: %s", attempt.unreachable)
            if isinstance(job, Send):
                if attempt.accepted:
                    _log.info("mailed: %s", self._mails[job.notice.id][0])
                for address, refusal in attempt.refused.items():
                    _log.error("%s was not told: %s", address, refusal.error)
                self.delivered += bool(attempt.accepted)
                if not self.pending:
                    self._mails.clear()
                return
