"""What the tests rest on: a database that nobody closes is told, a fork ends as a program does."""

import gc
import signal
import socket
import sqlite3
from pathlib import Path

import pytest

from tests.support.forked import Forked
from tests.support.patience import WITHIN_S


def test_a_database_that_nobody_closes_is_told() -> None:
    def leave_open() -> None:
        sqlite3.connect(":memory:").execute("SELECT 1")
        gc.collect()

    with pytest.warns(ResourceWarning, match="unclosed database"):
        leave_open()


def test_a_fork_has_the_status_output_and_end_of_a_program_of_its_own(tmp_path: Path) -> None:
    said = tmp_path / "said"
    mute, ear = socket.socketpair()
    with mute, ear, said.open("wb") as out:
        wrong = Forked(["cabinetwatch", "guards"], ear, out, out, {"COLUMNS": "80"})
        assert wrong.wait(WITHIN_S) == wrong.poll() == 2
        # Reads on until it is killed.
        endless = Forked(["json.tool"], ear, out, out)
        assert endless.poll() is None
        endless.kill()
        assert endless.wait(WITHIN_S) == -signal.SIGKILL
    assert said.read_text() == "cabinetwatch: there is no command guards; the nearest is guard\n"
