"""What the parts of the daemon are made of.

A part is a thread that owns one thing and hands a `Batch` to the store; what takes long, or should
leave neither its memory nor its faults in this process, is done by a child. `Vitality` looks
whether the parts make progress, and `Notifier` says so to systemd: one datagram to the socket that
$NOTIFY_SOCKET names (sd_notify(3)) needs no library.
"""

import logging
import os
import socket
import subprocess
import sys
import tempfile
import threading
import time
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from typing import Any, NamedTuple

from cabinetwatch.clock import Clock, WatchTime
from cabinetwatch.config.model import Config
from cabinetwatch.store.place import kind_of_status
from cabinetwatch.text import StoreError

_log = logging.getLogger(__name__)

OnFailure = Callable[[str, BaseException], None]
"""Takes the name of a part that has died, and its error."""


class Part(ABC):
    """A named thread. An error that ends it is kept and reported, so that the whole can stop."""

    def __init__(self, name: str, on_failure: OnFailure) -> None:
        self.name = name
        self._on_failure = on_failure
        self._thread = threading.Thread(target=self._guarded, name=name, daemon=True)

    @abstractmethod
    def run(self) -> None:
        """Do the part's work until told to stop."""

    @abstractmethod
    def stop(self) -> None:
        """Ask the thread to end; whoever asks may then wait for it with `join`."""

    def start(self) -> None:
        """Start the thread."""
        self._thread.start()

    def join(self, timeout_s: float) -> bool:
        """Wait for the thread to end; say whether it did."""
        if self._thread.is_alive():
            self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def _guarded(self) -> None:
        try:
            self.run()
        except BaseException as error:  # noqa: BLE001 - whatever ends a part must end the daemon
            _log.critical("the %s thread has died: %r", self.name, error, exc_info=error)
            self._on_failure(self.name, error)


class Frame(NamedTuple):
    """What every part of one daemon works with."""

    config: Config
    watch: WatchTime
    clock: Clock
    on_failure: OnFailure


class WatchedPart(Part):
    """A part that lives on watch time, and that the watchdog judges by its progress."""

    def __init__(self, name: str, frame: Frame) -> None:
        super().__init__(name, frame.on_failure)
        self._watch, self._clock = frame.watch, frame.clock
        self._stopping = False
        self.progress_t = frame.watch.now_ms()
        """Watch time of the last sign of life, for the watchdog."""


_LOOK_EVERY_S = 0.05


@contextmanager
def child(
    module: str, *arguments: str, last_words_s: float = 0.0, **streams: Any
) -> Iterator["subprocess.Popen[bytes]"]:
    """Run `python -m MODULE ARGUMENTS` as a child, which ends with the block at the latest.

    It has `last_words_s` to end in good order before it is killed; `streams` are those of
    `subprocess.Popen`.

    Raises:
        OSError: it can't be started.
    """
    process = subprocess.Popen(  # noqa: S603 - our own program
        [sys.executable, "-P", "-m", module, *arguments],
        stdin=subprocess.DEVNULL,
        # A session of its own: Ctrl-C is for the watch, which then ends the child in its turn.
        start_new_session=True,
        **streams,
    )
    try:
        yield process
    finally:
        if last_words_s:
            process.terminate()
            with suppress(subprocess.TimeoutExpired):
                process.wait(last_words_s)
        process.kill()
        process.wait()


def outlives(process: "subprocess.Popen[bytes]", stop: threading.Event, within_s: float) -> bool:
    """Wait for a child's end; say whether it was stopped, or took too long, before that."""
    until = time.monotonic() + within_s
    while process.poll() is None:
        if time.monotonic() > until or stop.wait(_LOOK_EVERY_S):
            return True
    return False


class ChildEndedError(StoreError):
    """A child took too long, or was told to stop, before it was done."""


def run_child(
    module: str, *arguments: str, within_s: float, stop: threading.Event | None = None
) -> bytes:
    """Run a module of ours to its end; give what it writes.

    Raises:
        ChildEndedError: it was ended after `within_s`, or once `stop` was set.
        StoreError: it can't be started, or refused: of the kind that its exit status tells, with
            the last line that it wrote of it.
    """
    with tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as errors:
        try:
            with child(module, *arguments, stdout=out, stderr=errors) as process:
                if outlives(process, stop or threading.Event(), within_s):
                    raise ChildEndedError(f"{module} was ended before it was done")
        except OSError as error:
            raise StoreError(f"{module} can't be started: {error}") from error
        out.seek(0)
        errors.seek(0)
        status = process.returncode
        if status != 0:
            lines = errors.read().decode("utf-8", "replace").strip().splitlines()
            sentence = lines[-1] if lines else f"{module}: exit status {status}"
            raise kind_of_status(status)(sentence)
        return out.read()


ENGINE_S = 60.0
"""It turns at least once a second and waits for nobody."""
NETWORK_S = 180.0
"""It turns once a second but while it connects. A resolver that hangs holds that up: by default 5 s
and two tries for each of at most three name servers (resolv.conf(5)), for each kind of address."""
STORE_S = 600.0
"""A disk that hangs is no reason to end a watch that still sees: after 10 s it is reported as a
`store-fault`, and everything goes on from memory. The kernel ends a disk's silence with an error
within some minutes. What stands still for longer than this is a deadlock, and only a new start can
help; all that is reported from memory is out by then."""
ATTEMPT_S = 600.0
"""An attempt at a mail server ends after 5 min at the latest, whatever the server does; before it
and after it the store is waited for, 5 s each. The rest is for a machine that is busy."""


class Vital(NamedTuple):
    """A part: `sign` gives a value that changes as long as the part makes progress."""

    name: str
    sign: Callable[[], int]
    limit_s: float


class Stall(NamedTuple):
    """A part that makes no progress, and for how long."""

    name: str
    for_s: float


class Vitality:
    """Looks after parts on the clock of whoever looks.

    That clock should stand still while the machine is suspended, as CLOCK_MONOTONIC does: nobody
    makes progress then.
    """

    def __init__(self, vitals: Iterable[Vital], now_s: float) -> None:
        self._vitals = list(vitals)
        self._seen = {vital.name: (vital.sign(), now_s) for vital in self._vitals}

    def stalls(self, now_s: float) -> list[Stall]:
        """Look at every part and give those that have stood still for longer than they may."""
        found = []
        for name, sign_of, limit_s in self._vitals:
            sign, (before, since_s) = sign_of(), self._seen[name]
            if sign != before:
                since_s = now_s
            self._seen[name] = (sign, since_s)
            if now_s - since_s > limit_s:
                found.append(Stall(name, now_s - since_s))
        return found


_LONGEST_STATUS = 200
_FEED_EVERY_S = 5.0


class Notifier:
    """The service's end of systemd's socket; where nobody listens every call does nothing.

    The variables are taken out of the environment, so that no child speaks for the service.
    """

    def __init__(self) -> None:
        address = os.environ.pop("NOTIFY_SOCKET", "")
        # A name in the abstract name space is written with an @ for its leading NUL.
        self._address = f"\0{address[1:]}" if address.startswith("@") else address
        watchdog_us = os.environ.pop("WATCHDOG_USEC", "")
        is_ours = os.environ.pop("WATCHDOG_PID", "") in {"", str(os.getpid())}
        self.watchdog_s: float | None = None
        """Within how many seconds systemd wants to hear `alive`; None when it doesn't ask."""
        if is_ours and watchdog_us.isdecimal() and int(watchdog_us) > 0:
            self.watchdog_s = int(watchdog_us) / 1_000_000

    def ready(self) -> None:
        """Say that the service does its work: after a start, and after a reload."""
        self._send("READY=1")

    def reloading(self) -> None:
        """Say that the configuration is read anew; `ready` ends it."""
        self._send(f"RELOADING=1\nMONOTONIC_USEC={time.monotonic_ns() // 1000}")

    def stopping(self) -> None:
        """Say that the service is about to end."""
        self._send("STOPPING=1")

    def alive(self) -> None:
        """Feed the watchdog."""
        self._send("WATCHDOG=1")

    def status(self, text: str) -> None:
        """Give the line that `systemctl status` shows."""
        self._send(f"STATUS={text[:_LONGEST_STATUS]}")

    @contextmanager
    def kept_alive(self, most_s: float) -> Iterator[None]:
        """Feed the watchdog beside something that has time limits of its own, not for longer."""
        done = threading.Event()

        def feed() -> None:
            until = time.monotonic() + most_s
            while time.monotonic() < until and not done.wait(_FEED_EVERY_S):
                self.alive()

        feeder = threading.Thread(target=feed, name="watchdog", daemon=True)
        feeder.start()
        try:
            yield
        finally:
            done.set()
            feeder.join()

    def _send(self, message: str) -> None:
        if not self._address:
            return
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sender:
                sender.setblocking(False)
                sender.sendto(message.encode("utf-8", "replace"), self._address)
        except OSError as error:
            # A systemd that is being replaced or is busy; the next message is seconds away.
            _log.debug("systemd can't be told: %s", error)
