"""The command channel: a program of the user's, run once for each transition."""

import json
import os
import signal
import subprocess  # No shell: the argument list of the configuration is run as it stands.
import tempfile
from typing import IO

from cabinetwatch.config.notify import Command
from cabinetwatch.notify.attempt import Attempt, Refusal
from cabinetwatch.store.notice import Notice
from cabinetwatch.text import printable

RECIPIENT = "command"
_SHOWN_OF_ERRORS = 300
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
        # Files, not pipes: a program that reads nothing, or leaves a child behind that holds its
        # error output open, can't hold us up.
        with tempfile.TemporaryFile() as told, tempfile.TemporaryFile() as errors:
            told.write(line.encode())
            told.seek(0)
            problem = self._run(told, errors)
            if problem is None:
                return Attempt(accepted=recipients)
            sentence = f"program {self._argv[0]} {problem}{_tail(errors)}"
        return Attempt(refused={RECIPIENT: Refusal(sentence)})

    def _run(self, told: IO[bytes], errors: IO[bytes]) -> str | None:
        """Run the program; say what went wrong, None if nothing."""
        try:
            process = subprocess.Popen(  # noqa: S603 - the owner's own program
                self._argv,
                stdin=told,
                stdout=subprocess.DEVNULL,
                stderr=errors,
                env=_environment(),
                start_new_session=True,
            )
        except OSError as error:
            return f"can't be started: {error.strerror}"
        try:
            status = process.wait(self._timeout_s)
        except subprocess.TimeoutExpired:
            return f"was stopped after {self._timeout_s:zg} s"
        finally:
            if process.returncode is None:
                _kill_group(process)
        if status < 0:
            return f"was ended by signal {-status}"
        return None if status == 0 else f"ended with status {status}"


def _kill_group(process: subprocess.Popen[bytes]) -> None:
    """End a program and all that it started; it leads a process group of its own."""
    os.killpg(process.pid, signal.SIGKILL)
    process.wait()


def _environment() -> dict[str, str]:
    """Give our environment without our secrets."""
    return {name: value for name, value in os.environ.items() if name not in _SECRETS}


def _tail(errors: IO[bytes]) -> str:
    """Give the end of what the program said on standard error, to go on in a sentence."""
    length = errors.seek(0, os.SEEK_END)
    errors.seek(max(0, length - _SHOWN_OF_ERRORS))
    text = printable(" ".join(errors.read().decode("utf-8", "replace").split()))
    return f": {text}" if text else ""
