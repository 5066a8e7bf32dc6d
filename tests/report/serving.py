"""The page's server as its users run it: a process of its own on a free port."""

import os
import signal
import subprocess
import sys
from pathlib import Path

from tests.support.house import House
from tests.support.patience import WITHIN_S

_ROOT = Path(__file__).parents[2]
_COMMAND = (sys.executable, "-m", "cabinetwatch", "page")


def environment() -> dict[str, str]:
    """Give the environment of a child: ours, and nothing that colours its output."""
    return dict(os.environ) | {"PYTHONUNBUFFERED": "1"}


def write_page(house: House, folder: Path) -> None:
    """Write the page once, as files."""
    command = [*_COMMAND, "--out", str(folder), "--config", str(house.path)]
    subprocess.run(command, cwd=_ROOT, check=True, capture_output=True, timeout=WITHIN_S)


class Serving:
    """Processes of `cabinetwatch page --serve`, ended at the end."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self.processes: list[subprocess.Popen[str]] = []

    def start(self, house: House, host: str = "127.0.0.1") -> str:
        """Serve the page of a house; give its address once it answers."""
        command = [*_COMMAND, "--serve", f"{host}:0", "--config", str(house.path)]
        log = (self._folder / "serve.log").open("a")
        process = subprocess.Popen(
            command, cwd=_ROOT, env=environment(), stdout=subprocess.PIPE, stderr=log, text=True
        )
        log.close()
        self.processes.append(process)
        assert process.stdout is not None
        said = process.stdout.readline()
        assert "http://" in said, (self._folder / "serve.log").read_text()
        return said.split()[4]

    @property
    def log(self) -> str:
        """What the processes said on standard error."""
        return (self._folder / "serve.log").read_text()

    def stop(self) -> None:
        """End them all."""
        for process in self.processes:
            if process.poll() is None:
                process.send_signal(signal.SIGTERM)
                try:
                    process.wait(WITHIN_S)
                except subprocess.TimeoutExpired:
                    process.kill()
                    process.wait()
            if process.stdout is not None:
                process.stdout.close()
