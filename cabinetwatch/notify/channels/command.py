"""The command channel: a program of the user's, run once for each transition."""

import json
import os
import resource
import selectors
import signal
import subprocess  # No shell: the argument list of the configuration is run as it stands.
import time
from contextlib import closing, suppress
from pathlib import Path

from cabinetwatch.config.notify import Command
from cabinetwatch.notify.attempt import Attempt, Refusal
from cabinetwatch.store.notice import Notice
from cabinetwatch.text import printable

RECIPIENT = "command"
MOST_DATA_BYTES = 256 * 2**20
"""Beside the watch's own 80 MB this stays below what its unit may have (MemoryMax=)."""

_SHOWN_OF_ERRORS = 300
_CHUNK = 65_536
_PIPE_CHUNKS = 16
_DEAD_WITHIN_S = 5.0
_SECRETS = ("CABINETWATCH_MQTT_PASSWORD", "CABINETWATCH_EMAIL_PASSWORD", "CREDENTIALS_DIRECTORY")


class CommandChannel:
    """Runs the program of `[notify.command]` with the transition as JSON on standard input."""

    recipients: tuple[str, ...] = (RECIPIENT,)

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
        return Attempt(refused={RECIPIENT: Refusal(f"program {self._argv[0]} {problem}")})

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
