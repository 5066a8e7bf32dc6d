"""Running the watch: as a process of its own, or as threads of the test."""

import io
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, redirect_stderr, redirect_stdout
from pathlib import Path
from typing import ClassVar, NamedTuple

from cabinetwatch.cli.main import main
from cabinetwatch.clock import Clock
from cabinetwatch.config.model import Config
from cabinetwatch.service.daemon import Daemon
from tests.support.forked import ROOT, Forked
from tests.support.patience import WITHIN_S


def wait_until(holds: Callable[[], bool], what: str) -> None:
    """Probe until something holds, for a fifth of the time at most: others need the processor.

    Raises:
        TimeoutError: it does not hold in time.
    """
    until = time.monotonic() + WITHIN_S
    began = time.monotonic()
    while not holds():
        now = time.monotonic()
        if now > until:
            raise TimeoutError(f"waited for {what}")
        time.sleep(max(0.005, 4 * (now - began)))
        began = time.monotonic()


class Done(NamedTuple):
    """What became of a command."""

    returncode: int
    stdout: str
    stderr: str


def cabinetwatch(config: Path, name: str, *rest: str) -> Done:
    """Run a command as a person would, but in this process: a new one takes seconds to begin."""
    out, err = io.StringIO(), io.StringIO()
    with redirect_stdout(out), redirect_stderr(err):
        status = main([name, "--config", str(config), *rest])
    return Done(status, out.getvalue(), err.getvalue())


class WatchProcess:
    """The daemon as its users run it. `module` and `arguments` may name a broken variant of it."""

    real: ClassVar[bool] = False
    """Whether it is started as a new program, in place of forked from one that waits."""

    def __init__(
        self, config: Path, *arguments: str, module: str = "cabinetwatch", log: Path | None = None
    ) -> None:
        self.log_path = log or config.with_name("watch.log")
        self._start([module, *arguments, "run", "--config", str(config)])

    def _start(self, command: list[str]) -> None:
        self._process: subprocess.Popen[bytes] | Forked
        with self.log_path.open("ab") as out, Path(os.devnull).open("rb") as nothing:
            if self.real:
                self._process = subprocess.Popen(
                    [sys.executable, "-m", *command],
                    stdin=nothing,
                    stdout=out,
                    stderr=out,
                    cwd=ROOT,
                )
            else:
                self._process = Forked(command, nothing, out, out)

    @property
    def log(self) -> str:
        """What it, and those before it with the same log, have written."""
        return self.log_path.read_text(errors="replace")

    @property
    def pid(self) -> int:
        """Its process."""
        return self._process.pid

    @property
    def running(self) -> bool:
        """Whether the process is alive."""
        return self._process.poll() is None

    def send(self, number: signal.Signals) -> None:
        """Send it a signal."""
        self._process.send_signal(number)

    def kill(self) -> None:
        """End it as a power cut would."""
        self._process.kill()
        self._process.wait(WITHIN_S)

    def stop(self, within_s: float = WITHIN_S) -> int:
        """Ask it to end and give its exit status."""
        self._process.send_signal(signal.SIGTERM)
        return self._process.wait(within_s)

    def wait(self) -> int:
        """Wait until it ends by itself and give its exit status."""
        return self._process.wait(WITHIN_S)

    def wait_log(self, text: str) -> None:
        """Wait until it has logged a text."""
        wait_until(lambda: text in self.log or not self.running, f"{text!r} in the log")
        assert text in self.log, self.log[-3000:]


@contextmanager
def running(
    config: Path, *arguments: str, module: str = "cabinetwatch", log: Path | None = None
) -> Iterator[WatchProcess]:
    """A process of the daemon, ended at the end whatever happens."""
    process = WatchProcess(config, *arguments, module=module, log=log)
    try:
        yield process
    finally:
        if process.running:
            process.kill()


@contextmanager
def watching(config: Config, clock: Clock | None = None) -> Iterator[Daemon]:
    """A daemon as threads of this process, stopped in good order at the end."""
    daemon = Daemon(config, clock)
    daemon.start()
    try:
        yield daemon
        assert daemon.failure is None, daemon.failure
    finally:
        # No part is left behind because the machine is busy: the test reads what it has written.
        daemon.stop(WITHIN_S)
