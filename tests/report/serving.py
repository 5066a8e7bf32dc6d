"""The page's server as its users run it: a process of its own on a free port."""

import os
import signal
import subprocess
import sys
from pathlib import Path

from cabinetwatch.cli.main import main
from tests.support.house import House
from tests.support.patience import WITHIN_S

ROOT = Path(__file__).parents[2]
COMMAND = (sys.executable, "-m", "cabinetwatch", "page")


def write_page(house: House, folder: Path) -> None:
    """Write the page once, as files."""
    assert main(["page", "--out", str(folder), "--config", str(house.path)]) == 0


class Serving:
    """Processes of `cabinetwatch page --serve`; what they leave is in a folder."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self.processes: list[subprocess.Popen[str]] = []

    def start(self, house: House, port: int = 0) -> str:
        """Serve the page of a house, on any port or this; give its address once it answers."""
        with (self._folder / "serve.log").open("a") as log:
            process = subprocess.Popen(
                [*COMMAND, "--serve", f"127.0.0.1:{port}", "--config", str(house.path)],
                cwd=ROOT,
                env=dict(os.environ) | {"PYTHONUNBUFFERED": "1", "TMPDIR": str(self._folder)},
                stdout=subprocess.PIPE,
                stderr=log,
                text=True,
            )
        self.processes.append(process)
        assert process.stdout is not None
        said = process.stdout.readline()
        assert "http://" in said, self.log
        return said.split()[4]

    @property
    def log(self) -> str:
        """What the processes said on standard error."""
        return (self._folder / "serve.log").read_text()

    def stop(self) -> None:
        """End them all."""
        for process in self.processes:
            process.send_signal(signal.SIGTERM)
            try:
                process.wait(WITHIN_S)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
            assert process.stdout is not None
            process.stdout.close()
