"""The log of `run`, and what it refuses to run."""

import io
import logging
import re
from pathlib import Path

import pytest

from cabinetwatch.cli.main import main
from cabinetwatch.cli.terminal import LineFormatter, log_to_standard_error
from tests.support.empty_store import put_empty_store


def record(message: str, *arguments: str) -> logging.LogRecord:
    return logging.LogRecord("watch", logging.INFO, "", 0, message, arguments, None)


def test_a_message_of_the_log_is_one_line_whatever_somebody_wrote() -> None:
    formatter = LineFormatter("%(levelname)s %(name)s: %(message)s")
    line = formatter.format(record("%s", "warm\r\nERROR\x1b[2J\u2028\u202e"))
    assert line == "INFO watch: warm\\r\\nERROR\\x1b[2J\\u2028\\u202e"


def test_a_watch_without_a_sensor_is_refused_and_told_how_to_get_one(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "config.toml"
    path.write_text("")
    assert main(["run", "--config", str(path)]) == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert f"{path}: there is no table [sensors.ID]" in said
    assert "`cabinetwatch listen`" in said
    assert list(tmp_path.iterdir()) == [path]


def test_a_password_in_a_store_that_is_none_is_not_shown(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    for url in ("db://me:s3cr@host:nowhere/x", "sqlite:///x?password=s3cr"):
        assert main(["page", "--store", url, "--out", str(tmp_path)]) == 2
        said = capsys.readouterr().err
        assert "s3cr" not in said
        assert "***" in said


@pytest.mark.parametrize(
    "arguments",
    [
        ["note", ""],
        ["note", " \t"],
        ["shelve", "1", "--for", "1h", "--reason", ""],
        ["shelve", "1", "--for", "1h", "--reason", " "],
        ["service", "nas", "out", "--reason", ""],
        ["trial", "begin", "quiet", "--device", "nas", "--change", "..."],
    ],
)
def test_every_text_that_says_why_or_what_must_have_words(
    arguments: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "config.toml"
    path.write_text(
        '[sensors.air]\ntopic = "air"\nquantity = "temperature"\n'
        '[sensors.hall]\ntopic = "hall"\nquantity = "temperature"\n'
        '[devices.nas]\ntemperature = "air"\nambient = "hall"\n'
    )
    put_empty_store(f"sqlite:///{tmp_path}/cabinetwatch.db")
    assert main([*arguments, "--config", str(path)]) == 2
    assert "has no words in it; write a few" in capsys.readouterr().err


@pytest.mark.parametrize("terminal", [True, False])
def test_on_a_terminal_lines_of_the_log_have_times(
    terminal: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    written = io.StringIO()
    monkeypatch.setattr(written, "isatty", lambda: terminal)
    monkeypatch.setattr("sys.stderr", written)
    root = logging.Logger("of its own")
    monkeypatch.setattr(logging, "root", root)
    log_to_standard_error(logging.INFO)
    root.info("connected")
    time = r"\d{4}-\d\d-\d\d \d\d:\d\d:\d\d " if terminal else ""
    assert re.fullmatch(time + r"INFO of its own: connected\n", written.getvalue())
