"""The page's server as its users run it: a process of its own on a free port."""

import os
import signal
import socket
import subprocess
import sys
from pathlib import Path

from cabinetwatch.cli.main import main
from tests.support.forked import Forked
from tests.support.house import House
from tests.support.patience import WITHIN_S

COMMAND = (sys.executable, "-m", "cabinetwatch", "page")

# Where no picture is looked at: a process that draws takes longer to begin than all the rest.
_WITHOUT_PICTURES = """
from cabinetwatch.cli.main import entry
from cabinetwatch.report import page_server

page_server.can_draw = lambda: False
entry()
"""


def write_page(house: House, folder: Path) -> None:
    """Write the page once, as files."""
    assert main(["page", "--out", str(folder), "--config", str(house.path)]) == 0


class Serving:
    """Processes of `cabinetwatch page --serve`; what they leave is in a folder."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self.processes: list[Forked] = []
        self._ears: list[socket.socket] = []

    def start(self, house: House, port: int = 0, *, draws: bool = False) -> str:
        """Serve the page of a house, on any port or this; give its address once it answers."""
        program = ["cabinetwatch"] if draws else ["-c", _WITHOUT_PICTURES]
        command = [*program, "page", "--serve", f"127.0.0.1:{port}"]
        ear, theirs = socket.socketpair()
        self._ears.append(ear)
        environment = dict(os.environ) | {"TMPDIR": str(self._folder)}
        with theirs, (self._folder / "serve.log").open("a") as log:
            command = [*command, "--config", str(house.path)]
            self.processes.append(Forked(command, theirs, theirs, log, environment))
        with ear.makefile() as said_file:
            said = said_file.readline()
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
        for ear in self._ears:
            ear.close()
