"""The channels: e-mail, MQTT, and a program of the user's."""

import json
import logging
import os
import resource
import selectors
import signal
import subprocess  # No shell: the argument list of the configuration is run as it stands.
import threading
import time
from collections import deque
from collections.abc import Callable
from contextlib import closing, suppress
from pathlib import Path
from smtplib import SMTPDataError
from typing import Protocol

from pydantic import SecretStr

from cabinetwatch.config.model import Config
from cabinetwatch.config.services import Command, Email
from cabinetwatch.notify.mail import SystemMail, build_message, write
from cabinetwatch.notify.queue import Attempt, Refusal
from cabinetwatch.notify.smtp import (
    Login,
    Reply,
    SessionError,
    SmtpSession,
    Timeouts,
    explain,
    smtp_session,
)
from cabinetwatch.store.records import Notice
from cabinetwatch.text import ConfigError, printable
from cabinetwatch.watch.events import Transition

COMMAND_RECIPIENT = "command"
MOST_DATA_BYTES = 256 * 2**20
"""Beside the watch's own 80 MB this stays below what its unit may have (MemoryMax=)."""

_SHOWN_OF_ERRORS = 300
_CHUNK = 65_536
_PIPE_CHUNKS = 16
_DEAD_WITHIN_S = 5.0
_SECRETS = ("CABINETWATCH_MQTT_PASSWORD", "CABINETWATCH_EMAIL_PASSWORD", "CREDENTIALS_DIRECTORY")


class CommandChannel:
    """Runs the program of `[notify.command]` with the transition as JSON on standard input."""

    recipients: tuple[str, ...] = (COMMAND_RECIPIENT,)

    def __init__(self, command: Command) -> None:
        self._argv = list(command.argv)
        self._timeout_s = command.timeout_s

    def probe(self) -> Attempt:
        """A program can only be tried by running it."""
        return Attempt()

    def send(self, notice: Notice, recipients: tuple[str, ...]) -> Attempt:
        """Run the program once; exit status 0 confirms."""
        (transition,) = notice.transitions
        line = json.dumps(transition.public()) + "\n"
        try:
            problem = self._run(line.encode())
        except OSError as error:
            problem = f"can't be started: {error.strerror}"
        if problem is None:
            return Attempt(accepted=recipients)
        return Attempt(refused={COMMAND_RECIPIENT: Refusal(f"program {self._argv[0]} {problem}")})

    def _run(self, told: bytes) -> str | None:
        """Run the program; say what went wrong, None if nothing."""
        # What it is told lies in memory, for it need not read it, and the disk may be full. What it
        # says goes through a pipe, of which only the end is kept: a program that says the same for
        # ever fills neither memory nor card, and a child that it leaves behind holds nobody up.
        with os.fdopen(os.memfd_create("notice"), "r+b", buffering=0) as stdin:
            stdin.write(told)
            stdin.seek(0)
            reader, writer = os.pipe()
            with closing(_LastWords(reader)) as last_words:
                try:
                    process = subprocess.Popen(  # noqa: S603 - the owner's own program
                        self._argv,
                        stdin=stdin,
                        stdout=subprocess.DEVNULL,
                        stderr=writer,
                        env=_environment(),
                        start_new_session=True,
                    )
                finally:
                    os.close(writer)
                _keep_small(process.pid)
                try:
                    ended = last_words.until_the_end(process, self._timeout_s)
                finally:
                    if process.poll() is None:
                        _kill_group(process)
        if not ended:
            return f"was stopped after {self._timeout_s:zg} s{last_words}"
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
        end = os.pidfd_open(process.pid)
        with os.fdopen(end, "rb", buffering=0), selectors.DefaultSelector() as selector:
            selector.register(end, selectors.EVENT_READ)
            selector.register(self._said, selectors.EVENT_READ)
            while (left_s := until - time.monotonic()) > 0:
                ready = {key.fd for key, _ in selector.select(left_s)}
                if self._said in ready and self._listen() is False:
                    selector.unregister(self._said)
                if end in ready:
                    # More than a pipe holds; a child left behind may say on, and is not heard out.
                    for _ in range(_PIPE_CHUNKS):
                        if not self._listen():
                            break
                    return True
        return False

    def _listen(self) -> bool | None:
        """Take what has been said; None when that is nothing now, False when it can be no more."""
        try:
            said = os.read(self._said, _CHUNK)
        except BlockingIOError:
            return None
        self._tail = (self._tail + said)[-_SHOWN_OF_ERRORS:]
        return bool(said)

    def close(self) -> None:
        """Listen no longer."""
        os.close(self._said)

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


def _kill_group(process: subprocess.Popen[bytes]) -> None:
    """End a program and all that it started; it leads a process group of its own."""
    os.killpg(process.pid, signal.SIGKILL)
    # One that waits for a disk ends only with that; it is not waited for.
    with suppress(subprocess.TimeoutExpired):
        process.wait(_DEAD_WITHIN_S)


def _environment() -> dict[str, str]:
    """Give our environment without our secrets."""
    return {name: value for name, value in os.environ.items() if name not in _SECRETS}


MQTT_RECIPIENT = "mqtt"
_CONFIRMED_WITHIN_S = 10.0


class Publish(Protocol):
    """How the connection to the broker publishes."""

    def __call__(
        self,
        topic: str,
        payload: bytes,
        *,
        retain: bool,
        qos: int,
        on_done: Callable[[bool], None],
    ) -> None:
        """Publish, and call `on_done` once, from any thread, with whether the broker took it."""
        ...


class MqttChannel:
    """Publishes transitions with QoS 1 and waits for the broker's confirmation."""

    recipients: tuple[str, ...] = (MQTT_RECIPIENT,)

    def __init__(
        self,
        publish: Publish,
        connected: Callable[[], bool],
        prefix: str,
        confirmed_within_s: float = _CONFIRMED_WITHIN_S,
    ) -> None:
        self._publish = publish
        self._connected = connected
        self._prefix = prefix
        self._confirmed_within_s = confirmed_within_s

    def probe(self) -> Attempt:
        """Look whether there is a connection; that there is none is told by `broker-lost`."""
        if self._connected():
            return Attempt()
        return Attempt(unreachable="there is no connection to the broker", told_elsewhere=True)

    def send(self, notice: Notice, recipients: tuple[str, ...]) -> Attempt:
        """Publish the transition of a notice once."""
        absent = self.probe()
        if absent.unreachable is not None:
            return absent
        (transition,) = notice.transitions
        confirmed = self._published(transition, retain=notice.kind != "test")
        if confirmed:
            return Attempt(accepted=recipients)
        if not self._connected():
            return self.probe()
        topic = self._topic(transition)
        how = "has not confirmed" if confirmed is None else "does not take"
        return Attempt(
            refused={MQTT_RECIPIENT: Refusal(f"the broker {how} what is sent to {topic}")}
        )

    def _published(self, transition: Transition, *, retain: bool) -> bool | None:
        """Publish and wait; None when no word came in time."""
        answered = threading.Event()
        answers: list[bool] = []

        def on_done(taken: bool) -> None:
            answers.append(taken)
            answered.set()

        payload = json.dumps(transition.public(), ensure_ascii=False).encode("utf-8", "replace")
        self._publish(self._topic(transition), payload, retain=retain, qos=1, on_done=on_done)
        answered.wait(self._confirmed_within_s)
        return answers[0] if answers else None

    def _topic(self, transition: Transition) -> str:
        return f"{self._prefix}/alarm/{transition.subject}/{transition.condition}"


class NotComposedError(Exception):
    """A summary's mail is not ready: one sentence; `in_the_making` when it will be soon."""

    def __init__(self, sentence: str, *, in_the_making: bool = False) -> None:
        super().__init__(sentence)
        self.in_the_making = in_the_making


class EmailChannel:
    """Sends notices to the addresses of `[notify.email]`.

    Args:
        config: in force.
        email: its table of that name.
        password: to log in with.
        timeouts: of the server's answers.
        compose: gives the mail of a notice that tells of a week; raises NotComposedError.
    """

    def __init__(
        self,
        config: Config,
        email: Email,
        password: SecretStr | None,
        timeouts: Timeouts | None = None,
        compose: Callable[[Notice], bytes] | None = None,
    ) -> None:
        self._config = config
        self._email = email
        self._timeouts = timeouts or Timeouts()
        self._silent_at: set[str] = set()
        self._compose = compose
        self._login = None
        if email.username is not None:
            secret = "" if password is None else password.get_secret_value()
            self._login = Login(email.username, secret)

    @property
    def recipients(self) -> tuple[str, ...]:
        """The addresses of `to`."""
        return self._email.to

    def probe(self) -> Attempt:
        """Connect, secure and log in, and send nothing.

        A server that answers, be it with a 5xx, counts as reached: it will say the same to a mail,
        and then that is the end of that mail.
        """
        try:
            with smtp_session(self._email, self._login, self._timeouts):
                return Attempt()
        except SessionError as error:
            return Attempt() if error.permanent else Attempt(unreachable=str(error))

    def send(self, notice: Notice, recipients: tuple[str, ...]) -> Attempt:
        """Try once to mail a notice to these recipients."""
        try:
            content = self._content(notice)
        except NotComposedError as error:
            reason = dict.fromkeys(recipients, Refusal(str(error)))
            return Attempt(refused=reason, told_elsewhere=error.in_the_making)
        return self.post(content, recipients)

    def post(self, content: bytes, recipients: tuple[str, ...]) -> Attempt:
        """Try once to hand a finished mail to the server for these recipients.

        An address at which the server fell silent would keep the mail from all the others again;
        so it is left to an attempt of its own.
        """
        now = tuple(each for each in recipients if each not in self._silent_at) or recipients
        try:
            with smtp_session(self._email, self._login, self._timeouts) as session:
                handover = self._hand_over(session, content, now)
        except SessionError as error:
            if error.permanent:
                return _refused(recipients, str(error), permanent=True)
            return Attempt(unreachable=str(error))
        self._silent_at -= set(now)
        if handover.silent_at is not None and len(self._email.to) > 1:
            self._silent_at.add(handover.silent_at)
        for left in [each for each in recipients if each not in now]:
            sentence = f"{self._server()}: it fell silent at {left}, whose turn comes by itself"
            handover.leave(left, sentence)
        return handover.attempt()

    def _content(self, notice: Notice) -> bytes:
        if notice.kind != "summary":
            return build_message(notice, self._config, self._email).as_bytes()
        if self._compose is None:
            raise NotComposedError("nothing here makes the mail of a weekly summary")
        return self._compose(notice)

    def _hand_over(
        self, session: SmtpSession, content: bytes, recipients: tuple[str, ...]
    ) -> "_Handover":
        """Do one mail transaction (RFC 5321 section 3.3)."""
        handover = _Handover(recipients)
        try:
            handover.run(session, self._sender(), content)
        except OSError as error:
            handover.refuse_rest(explain(error, self._email), permanent=False)
            handover.connection_lost = True
        handover.name_server(self._server())
        return handover

    def _sender(self) -> str:
        return self._email.from_.rpartition("<")[2].rstrip(">")

    def _server(self) -> str:
        return f"mail server {self._email.host}:{self._email.port}"


class _Handover:
    """One mail transaction, and how far it came."""

    def __init__(self, recipients: tuple[str, ...]) -> None:
        self._recipients = recipients
        self._refused: dict[str, Refusal] = {}
        self._accepted: tuple[str, ...] = ()
        self._in_doubt = False
        self.connection_lost = False
        self.silent_at: str | None = None
        """The address whose answer did not come."""

    def run(self, session: SmtpSession, sender: str, content: bytes) -> None:
        """Go through the transaction; an OSError leaves what is known so far."""
        session.mail(sender)
        if not session.answer.accepted:
            self._refuse_all(session.answer, f"it answers MAIL FROM {sender} with")
            return
        for number, recipient in enumerate(self._recipients):
            if session.time_is_short and number > len(self._refused):
                # Those who are through should get it now, however slow the server is.
                sentence = "it is slow, and the time of this attempt is for those before"
                self._refused |= dict.fromkeys(self._recipients[number:], Refusal(sentence))
                break
            self.silent_at = recipient
            session.rcpt(recipient)
            answer = session.answer
            self.silent_at = None
            if not answer.accepted:
                sentence = f"it refuses {recipient} with {answer}"
                self._refused[recipient] = Refusal(sentence, answer.permanent)
        if not self._open():
            return
        try:
            session.data(content)
        except SMTPDataError:
            self._refuse_all(session.answer, "it answers DATA with")
            return
        finally:
            self._in_doubt = session.in_doubt
        if session.answer.accepted:
            self._accepted = self._open()
        else:
            self._refuse_all(session.answer, "it refuses the mail with")

    def refuse_rest(self, sentence: str, *, permanent: bool) -> None:
        """Note the same reason for everybody who has no answer yet."""
        self._refused |= dict.fromkeys(self._open(), Refusal(sentence, permanent))

    def leave(self, recipient: str, sentence: str) -> None:
        """Note why somebody was left out of this transaction."""
        self._refused[recipient] = Refusal(sentence)

    def name_server(self, server: str) -> None:
        """Put the server's name before each reason."""
        self._refused = {
            recipient: refusal._replace(error=f"{server}: {refusal.error}")
            for recipient, refusal in self._refused.items()
        }

    def attempt(self) -> Attempt:
        """Give the result."""
        return Attempt(
            accepted=self._accepted,
            refused=self._refused,
            in_doubt=self._in_doubt,
            connection_lost=self.connection_lost,
        )

    def _open(self) -> tuple[str, ...]:
        return tuple(each for each in self._recipients if each not in self._refused)

    def _refuse_all(self, answer: Reply, words: str) -> None:
        self.refuse_rest(f"{words} {answer}", permanent=answer.permanent)


def _refused(recipients: tuple[str, ...], sentence: str, *, permanent: bool) -> Attempt:
    return Attempt(refused=dict.fromkeys(recipients, Refusal(sentence, permanent)))


_log = logging.getLogger(__name__)

_FIRST_PAUSE_S = 10.0
_LONGEST_PAUSE_S = 300.0


class SystemMailer:
    """Letters under way, in memory. Each recipient is told once.

    Args:
        config: with a table [notify.email].
        timeouts: of the mail server's answers.

    Raises:
        ConfigError: there is no such table, or its password can't be read.
    """

    def __init__(self, config: Config, timeouts: Timeouts | None = None) -> None:
        email = config.notify.email
        if email is None:
            raise ConfigError(["a table [notify.email] is needed: it says whom to mail, and how"])
        self._config = config
        self._email: Email = email
        self._channel = EmailChannel(config, email, config.secret("email-password"), timeouts)
        self._waiting: deque[tuple[bytes, str]] = deque()
        self._recipients = email.to
        self._pause_s = _FIRST_PAUSE_S
        self._next_s = 0.0
        self.delivered = 0
        """Letters that the server has taken for at least one recipient."""

    @property
    def pending(self) -> bool:
        """Whether a letter waits."""
        return bool(self._waiting)

    def add(self, letter: SystemMail) -> None:
        """Take a letter; its mail stays the same at each attempt."""
        self._waiting.append((write(letter, self._config, self._email), letter.subject))

    def step(self, now_s: float) -> None:
        """Try the oldest letter, if one waits and it is time (on any clock that never steps)."""
        if not self._waiting or now_s < self._next_s:
            return
        content, subject = self._waiting[0]
        attempt = self._channel.post(content, self._recipients)
        if attempt.accepted:
            _log.info("mailed: %s", subject)
        for address, refusal in attempt.refused.items():
            _log.error("%s was not told: %s", address, refusal.error)
        if attempt.unreachable:
            _log.error("not mailed yet: %s", attempt.unreachable)
        left = tuple(
            address
            for address in self._recipients
            if attempt.unreachable
            or (address in attempt.refused and not attempt.refused[address].permanent)
        )
        self.delivered += bool(attempt.accepted)
        self._go_on(left, now_s)

    def _go_on(self, left: tuple[str, ...], now_s: float) -> None:
        if left:
            self._recipients = left
            self._next_s = now_s + self._pause_s
            self._pause_s = min(2 * self._pause_s, _LONGEST_PAUSE_S)
            return
        self._waiting.popleft()
        self._recipients = self._email.to
        self._pause_s, self._next_s = _FIRST_PAUSE_S, now_s
