"""The guard on a second computer, and the mail of a service that failed.

Both tell of a watch that can't tell of itself any more, so both mail by themselves, and need
nothing of the watch but its configuration.
"""

import fcntl
import json
import logging
import os
import queue
import secrets
import socket
import threading
import time
from collections.abc import Callable, Mapping
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, NamedTuple

from cabinetwatch.clock import SystemClock, WatchTime
from cabinetwatch.config.model import Config
from cabinetwatch.mqtt.link import ConnectionEvent, Incoming
from cabinetwatch.mqtt.session import MqttSession
from cabinetwatch.notify.channels import SystemMailer
from cabinetwatch.notify.mail import SystemMail
from cabinetwatch.service.parts import NETWORK_S, Notifier, Vital, Vitality
from cabinetwatch.text import CabinetwatchError, describe_duration

_log = logging.getLogger(__name__)

MOST_BYTES = 4096
"""A heartbeat has some hundred; what is longer is none, cut off or not."""

SHARED_FOR_S = 600.0
"""So long after the last sign of a second watch there is one alone: twenty heartbeats."""


@dataclass(frozen=True, slots=True)
class Liveness:
    """News of the watch, after `for_s` seconds, and why.

    It is `gone`, or `back`; it is `shared`, for there is a second one or another client under its
    name, or it is `alone` again.
    """

    kind: Literal["gone", "back", "shared", "alone"]
    for_s: float
    why: str = ""


class Heartbeat(NamedTuple):
    """What a message on PREFIX/watch says. `run` names the run of the watch that sent it."""

    online: bool
    run: str = ""
    session_taken: bool = False


def read_heartbeat(payload: bytes) -> Heartbeat | None:
    """Give what a message on PREFIX/watch says; None when it is none of the watch's."""
    if len(payload) > MOST_BYTES:
        return None
    try:
        said = json.loads(payload)
    except (ValueError, RecursionError):
        return None
    if not isinstance(said, dict) or not isinstance(said.get("online"), bool):
        return None
    run = said.get("run")
    return Heartbeat(
        said["online"], run if isinstance(run, str) else "", said.get("session_taken") is True
    )


class Judge:
    """Tells each absence of the watch once, and its return once.

    Only a heartbeat that comes by itself is a sign of life: the broker's retained copy may be of
    any age. All times are seconds of one clock that never steps and, so that a guard that sleeps
    blames nobody, stands still while the guard's machine does.

    Args:
        after_s: how long without a sign of life is reported.
        now_s: the time now; the watch has this long again to be heard for the first time.
    """

    def __init__(self, after_s: float, now_s: float) -> None:
        self._after_s = after_s
        self._alive_s = now_s
        self._ever_heard = False
        self._gone = False
        self._broker_trouble: str | None = "the broker has not answered"
        self._said_offline = False
        self._runs: list[str] = []
        self._shared_s: float | None = None
        self._shared_since_s = now_s

    def connection(self, *, up: bool, reason: str) -> None:
        """Take that the guard's own way to the broker is there, or why not."""
        self._broker_trouble = None if up else reason

    def heard(self, payload: bytes, *, retained: bool, now_s: float) -> Liveness | None:
        """Take a message on PREFIX/watch; give the news, if it is any."""
        beat = read_heartbeat(payload)
        if beat is None:
            return None
        self._said_offline = not beat.online
        if retained or not beat.online:
            return None
        away_s = now_s - self._alive_s
        was_gone, self._gone = self._gone, False
        self._alive_s, self._ever_heard = now_s, True
        if was_gone:
            return Liveness("back", away_s)
        return self._look_for_another(beat, now_s)

    def _look_for_another(self, beat: Heartbeat, now_s: float) -> Liveness | None:
        """Find a second watch: a run that is heard again after another was heard is still there.

        A restart changes the run once and for good.
        """
        why = _SESSION_TAKEN if beat.session_taken else ""
        if beat.run and self._runs[-1:] != [beat.run]:
            if beat.run in self._runs:
                why = why or _TWO_WATCHES
            # The last two suffice: it is heard by turns.
            self._runs = [*self._runs[-1:], beat.run]
        if not why:
            return None
        was_shared, self._shared_s = self._shared_s is not None, now_s
        if was_shared:
            return None
        self._shared_since_s = now_s
        return Liveness("shared", 0.0, why)

    def look(self, now_s: float) -> Liveness | None:
        """Let time pass; give the news that the watch is gone, or alone again, once."""
        if self._shared_s is not None and now_s - self._shared_s >= SHARED_FOR_S:
            self._shared_s = None
            return Liveness("alone", now_s - self._shared_since_s)
        away_s = now_s - self._alive_s
        if self._gone or away_s < self._after_s:
            return None
        self._gone = True
        return Liveness("gone", away_s, self._why())

    def _why(self) -> str:
        if self._broker_trouble is not None:
            return (
                f"The guard can't hear it, for it has no connection to the broker:"
                f" {self._broker_trouble}. Broker, network or power may be gone; whether the watch"
                f" itself runs can't be known from here."
            )
        if self._said_offline:
            return (
                "The broker says that it is offline: it was stopped, it has died, or its computer"
                " has lost its power or its network."
            )
        if not self._ever_heard:
            return (
                "The broker is there, but the watch has not been heard since the guard began to"
                " listen. Does it run, and do both use the same broker and publish_under?"
            )
        return (
            "The broker is there, but the watch has fallen silent: it hangs, or has lost its way"
            " to the broker."
        )


_SESSION_TAKEN = (
    "The watch says that another client uses its client ID: each throws the other off the broker,"
    " so that the watch hears only part of what is sent."
)
_TWO_WATCHES = (
    "Two watches publish under the same topics, by turns. If they share a client ID, each hears"
    " only part of what is sent; if not, nobody can hear from here when one of them is gone."
)

_TURN_S = 1.0
_MOST_WAITING = 1_000

Heard = tuple[float, Incoming | ConnectionEvent]


class Guard:
    """Listens to one watch. It keeps nothing on disk: after its own restart it reports anew.

    A watch that has not been heard for `after_s` is gone.

    Raises:
        ConfigError: a table is missing, or a secret or TLS file can't be used.
    """

    def __init__(self, config: Config, after_s: float) -> None:
        self._config = config
        self._mailer = SystemMailer(config)
        self._items: queue.SimpleQueue[Heard] = queue.SimpleQueue()
        self._judge = Judge(after_s, time.monotonic())
        self._session = MqttSession(
            config.mqtt,
            config.secret("mqtt-password"),
            [f"{config.mqtt.publish_under}/watch"],
            watch=WatchTime(SystemClock()),
            deliver=self._deliver,
            # Not the configured name: that is the watch's own, which would be thrown out.
            client_id=f"cabinetwatchguard{secrets.token_hex(3)}",
            clean=True,
            full=lambda: self._items.qsize() >= _MOST_WAITING,
        )

    def run(self, stop: threading.Event, notifier: Notifier) -> None:
        """Listen until told to stop.

        Raises:
            CabinetwatchError: the network thread has died.
        """
        self._session.start()
        try:
            notifier.ready()
            session = self._session
            vital = Vital("network", lambda: session.progress_t, NETWORK_S)
            vitality = Vitality([vital], time.monotonic())
            while not stop.is_set():
                self._turn()
                if not vitality.stalls(time.monotonic()):
                    notifier.alive()
        finally:
            notifier.stopping()
            self._session.stop(1.0)

    def _deliver(self, item: Incoming | ConnectionEvent) -> None:
        # The arrival counts, however long a mail server holds up the one who looks at it.
        if isinstance(item, Incoming):
            item = item._replace(payload=item.payload[:MOST_BYTES])
        self._items.put((time.monotonic(), item))

    def _turn(self) -> None:
        """Take what has come, judge, and mail what there is to report."""
        if self._session.failure is not None:
            raise CabinetwatchError(f"listening has failed: {self._session.failure}")
        wait: Callable[[], Heard] = lambda: self._items.get(timeout=_TURN_S)  # noqa: E731
        try:
            while True:
                self._take(*wait())
                wait = self._items.get_nowait
        except queue.Empty:
            self._tell(self._judge.look(time.monotonic()))
        self._mailer.step(time.monotonic())

    def _take(self, now_s: float, item: Incoming | ConnectionEvent) -> None:
        if isinstance(item, ConnectionEvent):
            _log.info("%s", item.reason)
            self._judge.connection(up=item.up, reason=item.reason)
        else:
            self._tell(self._judge.heard(item.payload, retained=item.retain, now_s=now_s))

    def _tell(self, verdict: Liveness | None) -> None:
        if verdict is not None:
            mail = _mail_of(verdict, self._config.site.name)
            _log.warning("%s", mail.subject)
            self._mailer.add(mail)


def _mail_of(news: Liveness, site: str) -> SystemMail:
    """Say in a mail what the guard has found."""
    for_how_long = describe_duration(news.for_s)
    subject, *paragraphs = {
        "gone": (
            "THE WATCH IS GONE",
            f"The watch over {site} has not been heard for {for_how_long}. {_UNTIL_THEN}",
            news.why,
            _WHAT_TO_DO,
        ),
        "back": (
            "the watch is back",
            f"The watch over {site} is heard again, after {for_how_long}.",
        ),
        "shared": (
            "THE WATCH IS NOT ALONE",
            f"The watch over {site} is unreliable: alarms may come late or not at all.",
            news.why,
            _WHO_ELSE,
        ),
        "alone": (
            "the watch is alone again",
            f"There was no sign of a second watch for 10 min; it began {for_how_long} ago.",
        ),
    }[news.kind]
    return SystemMail(f"{site}: {subject}", (*paragraphs, _SIGNATURE), SystemClock().utc_ms())


_UNTIL_THEN = "Until it is back nobody is notified when something there runs hot."
_WHAT_TO_DO = (
    "Check that its computer has power and answers; then look at systemctl status cabinetwatch"
    " there. If there was a power cut, check that every fan is turning again. Open nothing that"
    " holds mains. You get one more mail when the watch is back."
)
_WHO_ELSE = (
    "Stop the second watch, or give it a client_id and a publish_under of its own (in [mqtt])."
    " cabinetwatch status says more, on the watch's own computer. You are mailed once more when"
    " there was no sign of it for 10 min."
)
_SIGNATURE = "This mail comes from the guard on another computer, not from the watch itself."


TOLD_EVERY_S = 3600.0
_LOOK_EVERY_S = 0.2
_FLAGS = os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW | os.O_NONBLOCK

_RESULTS = {
    "exit-code": "it ended with an error",
    "watchdog": "a part of it hung and systemd has ended it",
    "signal": "it was killed",
    "core-dump": "it crashed",
    "oom-kill": "it was killed because memory ran out",
    "timeout": "it did not start or stop in time",
    "resources": "the system had no resources for it",
}


class Stamp:
    """A file whose age says when the failure was last reported; locked while it is looked at.

    It belongs in a folder that is there when the disk is full or read-only, such as one below /run.
    Where it can't be kept the mail goes out all the same.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._file: int | None = None
        try:
            self._file = os.open(path, _FLAGS, 0o600)
            fcntl.flock(self._file, fcntl.LOCK_EX)
        except OSError as error:
            self._tell_lost(error)

    def is_fresh(self) -> bool:
        """Whether the failure was told within the last hour; one from the future counts as old."""
        if self._file is None:
            return False
        state = os.fstat(self._file)
        # An empty file is one just made: only a mail that was delivered writes into it.
        return state.st_size > 0 and 0 <= time.time() - state.st_mtime < TOLD_EVERY_S

    def renew(self) -> None:
        """Note that the failure has been reported now."""
        if self._file is None:
            return
        try:
            os.pwrite(self._file, b"told\n", 0)
            os.utime(self._file)
        except OSError as error:
            self._tell_lost(error)

    def _tell_lost(self, error: OSError) -> None:
        reason = error.strerror
        _log.error("%s can't be kept (%s): this may be told too often", self._path, reason)

    def close(self) -> None:
        """Let others look at the file."""
        if self._file is not None:
            os.close(self._file)


def tell_failure(config: Config, unit: str, stamp: Path, for_s: float) -> bool:
    """Mail the failure of a unit; say whether that was delivered, or not due.

    It is not within an hour after the last, which the file `stamp` remembers. `for_s` is how long
    to go on trying.

    Raises:
        ConfigError: the configuration says not whom to mail.
    """
    with closing(Stamp(stamp)) as kept:
        if kept.is_fresh():
            _log.info("%s has failed again; that was told less than an hour ago", unit)
            return True
        mailer = SystemMailer(config)
        mailer.add(failure_mail(config, unit, os.environ, SystemClock().utc_ms()))
        until = time.monotonic() + for_s
        while mailer.pending and time.monotonic() < until:
            mailer.step(time.monotonic())
            if mailer.pending:
                time.sleep(_LOOK_EVERY_S)
        told = mailer.delivered > 0
        if told:
            kept.renew()
        return told


def failure_mail(
    config: Config, unit: str, environment: Mapping[str, str], utc_ms: int
) -> SystemMail:
    """Say in a mail that a unit has failed.

    systemd gives its result in $MONITOR_SERVICE_RESULT (systemd.exec(5), from version 251) to a
    unit that OnFailure= starts.
    """
    site, host = config.site.name, socket.gethostname()
    result = environment.get("MONITOR_SERVICE_RESULT", "")
    why = _RESULTS.get(result, f"systemd calls it {result}") if result else ""
    what = (
        f"The watch over {site}, {unit} on the computer {host}, has failed"
        f"{': ' + why if why else ''}. systemd starts it again and again; between two starts nobody"
        " is notified when something runs hot."
    )
    look = (
        f"On that computer, systemctl status {unit} says whether it runs by now, and"
        f" journalctl -e -u {unit} why it failed. cabinetwatch check says what is"
        " wrong with a configuration."
    )
    end = "This is mailed at most once an hour, by systemd and not by the watch itself."
    return SystemMail(f"{site}: THE WATCH HAS FAILED", (what, look, end), utc_ms)
