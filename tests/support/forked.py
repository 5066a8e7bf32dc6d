"""Processes of the watch, forked from one that has imported it: to import it is most of a start.

A forked one is a process of its own, with its own signals, status, environment and streams, and
ends as any program does. What is all its own doing is tried with real ones: the installed script
(`tests/cli/test_main.py`, `test_readme.py`), and with --long watches and children of commands.
"""

import gc
import json
import os
import runpy
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from typing import IO, Any, Protocol

from tests.support.patience import WITHIN_S

ROOT = Path(__file__).parents[2]
_MOST_BYTES = 1 << 20


class HasFileno(Protocol):
    """A file or a socket."""

    def fileno(self) -> int:
        """Its descriptor."""


class Forked:
    """A process that runs a module with arguments, or a text after "-c", as Python would.

    It does what tests and the watch use of `subprocess.Popen`.
    """

    def __init__(
        self,
        command: list[str],
        stdin: HasFileno,
        stdout: HasFileno,
        stderr: HasFileno,
        env: Mapping[str, str] = os.environ,
    ) -> None:
        self.returncode: int | None = None
        self._end, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        with theirs:
            files = [each.fileno() for each in (stdin, stdout, stderr, theirs)]
            socket.send_fds(_server()[1], [json.dumps([dict(env), *command]).encode()], files)
        self.pid = self._hear()

    def poll(self) -> int | None:
        """Give its exit status; None while it runs."""
        try:
            return self.wait(0.0)
        except subprocess.TimeoutExpired:
            return None

    def wait(self, timeout: float | None = None) -> int:
        """Wait for its end and give its exit status.

        Raises:
            subprocess.TimeoutExpired: it is still running.
        """
        if self.returncode is None:
            self._end.settimeout(timeout)
            try:
                self.returncode = self._hear()
            except (BlockingIOError, TimeoutError):
                raise subprocess.TimeoutExpired("cabinetwatch", timeout or 0.0) from None
            self._end.close()
        return self.returncode

    def send_signal(self, number: int) -> None:
        """Send it a signal, while it runs."""
        if self.poll() is None:
            os.kill(self.pid, number)

    def terminate(self) -> None:
        """Ask it to end."""
        self.send_signal(signal.SIGTERM)

    def kill(self) -> None:
        """End it as a power cut would."""
        self.send_signal(signal.SIGKILL)

    def _hear(self) -> int:
        return int(self._end.recv(16))


def run(*command: str, env: Mapping[str, str] = os.environ) -> subprocess.CompletedProcess[str]:
    """Run a module, or a text after "-c", to its end; give its status and what it wrote."""
    with (
        Path(os.devnull).open("rb") as nothing,
        tempfile.TemporaryFile("w+") as out,
        tempfile.TemporaryFile("w+") as errors,
    ):
        status = Forked([*command], nothing, out, errors, env).wait(WITHIN_S)
        out.seek(0)
        errors.seek(0)
        return subprocess.CompletedProcess(command, status, out.read(), errors.read())


@contextmanager
def speaking(*command: str) -> Iterator[tuple[Forked, IO[str]]]:
    """One whose words can be read as it says them, ended at the end."""
    reader, writer = os.pipe()
    with os.fdopen(reader) as said, Path(os.devnull).open("rb") as nothing:
        with os.fdopen(writer, "wb") as out:
            process = Forked([*command], nothing, out, sys.__stderr__ or out)
        try:
            yield process, said
        finally:
            process.kill()
            process.wait(WITHIN_S)


def popen(
    command: list[str], *, stdout: IO[Any] | None = None, stderr: IO[Any] | None = None, **_: Any
) -> Forked:
    """Stand in for `subprocess.Popen` of `service.parts`: python -P -m MODULE ARGUMENTS."""
    with Path(os.devnull).open("r+b") as nothing:
        out, errors = stdout or sys.__stdout__ or nothing, stderr or sys.__stderr__ or nothing
        return Forked(command[3:], nothing, out, errors)


@cache
def _server() -> tuple["subprocess.Popen[bytes]", socket.socket]:
    """Start the process that forks, once for all tests of this one, and give the line to it."""
    ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    nothing = subprocess.DEVNULL
    # By "run" among its arguments is known who runs the watch.
    command = [sys.executable, "-m", __name__, str(theirs.fileno()), "run"]
    with theirs:
        files = [theirs.fileno()]
        server = subprocess.Popen(command, stdin=nothing, stdout=nothing, cwd=ROOT, pass_fds=files)
    return server, ours


def end() -> None:
    """End the process that forks."""
    if _server.cache_info().currsize:
        server, line = _server()
        line.close()
        server.wait(WITHIN_S)


def _next_program(requests: socket.socket) -> str:
    """Fork whenever asked to; returns in each process that is to be a program, with its module."""
    began: set[int] = set()
    while True:
        request, files, _, _ = socket.recv_fds(requests, _MOST_BYTES, 4)
        began -= {each for each in began if os.waitpid(each, 0 if not request else os.WNOHANG)[0]}
        if not request:
            sys.exit(0)
        parent = os.fork()
        if not parent:
            requests.close()
            return _program(request, files)
        began.add(parent)
        for each in files:
            os.close(each)


def _program(request: bytes, files: list[int]) -> str:
    """Be the parent of the program, which tells what becomes of it; or the program."""
    *streams, end = files
    program = os.fork()
    if program:
        with socket.socket(fileno=end) as told:
            told.send(str(program).encode())
            # What the program holds open, nobody else may.
            os.closerange(0, end)
            status = os.waitstatus_to_exitcode(os.waitpid(program, 0)[1])
            told.send(str(status).encode())
        os._exit(0)
    for number, each in enumerate(streams):
        os.dup2(each, number)
    os.closerange(3, max(files) + 1)
    sys.stdin = open(0, closefd=False)  # noqa: SIM115
    sys.stdout, sys.stderr = (open(each, "w", 1, closefd=False) for each in (1, 2))  # noqa: SIM115
    environment, *sys.argv = json.loads(request)
    os.environ.clear()
    os.environ.update(environment)
    time.tzset()
    return sys.argv[0]


if __name__ == "__main__":
    import alembic.command  # noqa: F401

    import cabinetwatch.cli.look
    import cabinetwatch.cli.reports
    import cabinetwatch.cli.services
    import cabinetwatch.report.page_server  # noqa: F401

    # What is imported here is nothing that a fork's garbage collection need look at, and so copy.
    gc.collect()
    gc.freeze()
    name = _next_program(socket.socket(fileno=int(sys.argv[1])))
    if name == "-c":
        exec(sys.argv.pop(1), {"__name__": "__main__"})  # noqa: S102 - a test's own text
    else:
        runpy.run_module(name, run_name="__main__", alter_sys=True)
