"""Runs a program of ours in a process of its own, and gives what it writes."""

import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Sequence

from cabinetwatch.errors import CabinetwatchError

_LOOK_EVERY_S = 0.1


class ChildError(CabinetwatchError):
    """It could not be started, took too long, was stopped, or refused: one sentence."""


def output_of(
    module: str, arguments: Sequence[str], timeout_s: float, stop: threading.Event
) -> bytes:
    """Run `python -m MODULE ARGUMENTS` to its end.

    Args:
        module: of this package.
        arguments: for it.
        timeout_s: after which it is ended.
        stop: when it is set the child is ended at once.

    Raises:
        ChildError: there is no output.
    """
    command = [sys.executable, "-P", "-m", module, *arguments]
    with tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as errors:
        try:
            # A session of its own: Ctrl-C is for the watch, which then ends the child in its turn.
            child = subprocess.Popen(  # noqa: S603 - our own program
                command, stdin=subprocess.DEVNULL, stdout=out, stderr=errors, start_new_session=True
            )
        except OSError as error:
            raise ChildError(f"{module} can't be started: {error}") from error
        ended = _wait(child, timeout_s, stop)
        out.seek(0)
        errors.seek(0)
        if not ended:
            raise ChildError(f"{module} was ended before it was done")
        if child.returncode != 0:
            lines = errors.read().decode("utf-8", "replace").strip().splitlines()
            raise ChildError(lines[-1] if lines else f"{module}: exit status {child.returncode}")
        return out.read()


def _wait(child: "subprocess.Popen[bytes]", timeout_s: float, stop: threading.Event) -> bool:
    """Wait for the child's end; end it when it is time. Say whether it ended by itself."""
    until = time.monotonic() + timeout_s
    try:
        while child.poll() is None:
            if time.monotonic() > until or stop.wait(_LOOK_EVERY_S):
                return False
    finally:
        if child.poll() is None:
            child.kill()
            child.wait()
    return True
