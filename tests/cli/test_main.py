"""The program itself: commands are found, errors become sentences, statuses are right."""

import argparse
import os
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace

import pytest

from cabinetwatch import __version__
from cabinetwatch.cli import main as program
from cabinetwatch.cli.commands import COMMANDS
from cabinetwatch.cli.terminal import function_of
from cabinetwatch.text import ConfigError


def run(*arguments: str) -> int:
    return program.main(arguments)


def raising(error: BaseException) -> SimpleNamespace:
    """Give a command that ends with this error."""

    def fail(args: argparse.Namespace) -> int:
        raise error

    return SimpleNamespace(run=fail)


def runs() -> list[str]:
    """MODULE:FUNCTION of every command and deed."""
    whole = [
        each for one in COMMANDS.values() for each in (one.deeds or ("", {"": one}))[1].values()
    ]
    return sorted({each.run for each in whole})


@pytest.mark.parametrize("path", runs())
def test_every_command_has_its_function(path: str) -> None:
    assert callable(function_of(path))


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_its_help(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        run(name, "--help")
    assert ended.value.code == 0
    shown = capsys.readouterr().out
    assert COMMANDS[name].help[1:20] in shown
    assert ("--config FILE" in shown) == (COMMANDS[name].config != "none")


def test_help_names_every_command(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        run("--help")
    assert ended.value.code == 0
    shown = capsys.readouterr().out
    assert all(f"  {name} " in shown for name in COMMANDS)


def test_the_version_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        run("--version")
    assert capsys.readouterr().out == f"cabinetwatch {__version__}\n"


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (["chek"], "cabinetwatch: there is no command chek; the nearest is check"),
        (["--confg"], "cabinetwatch: unrecognized arguments: --confg"),
        (["check", "--sned"], "cabinetwatch check: unrecognized arguments: --sned"),
        (["check", "--sen"], "cabinetwatch check: unrecognized arguments: --sen"),
        (["check", "--config"], "cabinetwatch check: argument --config: expected one argument"),
        (["guard", "--after", "-3m"], "--after: '-3m' is no duration; write a number with s, m"),
        (["check", "--listen", "200000d"], "--listen: '200000d' is too long; give at most 3650d"),
        (["check", "--listen", "9" * 400 + "s"], f"--listen: '{'9' * 400}s' is too long; give"),
        (["guard", "--after", "59s"], "--after: 59s is less than two heartbeats of the watch"),
        (["calc", "life", "--from", "-300", "--to", "50"], "cabinetwatch calc life: argument --fr"),
        (["check", "--config", "/nowhere.toml"], "/nowhere.toml: can't be read (No such file"),
    ],
)
def test_wrong_use_is_one_sentence_and_status_2(
    arguments: list[str], sentence: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(*arguments) == 2
    shown = capsys.readouterr()
    assert shown.out == ""
    (line,) = shown.err.splitlines()
    assert line.startswith(sentence)


def test_a_negative_number_is_a_value_like_others(capsys: pytest.CaptureFixture[str]) -> None:
    assert run("calc", "sound", "--add", "-3", "5") == 0
    assert "source 2" in capsys.readouterr().out


def test_no_command_shows_the_help_and_is_wrong_use(capsys: pytest.CaptureFixture[str]) -> None:
    assert run() == 2
    shown = capsys.readouterr()
    # What asked for nothing gets no answer on its standard output.
    assert shown.out == ""
    assert "commands:" in shown.err


def test_every_fault_of_a_configuration_is_a_line_of_standard_error(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "config.toml"
    path.write_text('[site]\nname = 3\n[mqtt]\nport = "\\u001b[2J"\n')
    assert run("check", "--config", str(path)) == 2
    name, port, *more = capsys.readouterr().err.splitlines()
    assert name.startswith(f"{path}: [site] name = 3 is no text in quotes")
    assert '[mqtt] port = "\\u001b[2J" is no whole number' in port
    assert [line.split()[2] for line in more] == ["install`", "sensors`"]


@pytest.mark.parametrize(
    ("error", "status", "told"),
    [(ConfigError(["warm\x1b[2J\x07"]), 2, "warm\\x1b[2J\\x07\n"), (KeyboardInterrupt(), 130, "")],
)
def test_what_ends_a_command_is_told_or_quiet(
    error: BaseException,
    status: int,
    told: str,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setitem(sys.modules, "cabinetwatch.cli.services", raising(error))
    assert run("run") == status
    assert capsys.readouterr().err == told


def test_a_reader_that_has_seen_enough_gets_no_traceback() -> None:
    reader, writer = os.pipe()
    os.close(reader)
    try:
        ended = subprocess.run(
            [sys.executable, "-m", "cabinetwatch", "--help"],
            stdout=writer,
            stderr=subprocess.PIPE,
            check=False,
            timeout=300,
        )
    finally:
        os.close(writer)
    assert ended.stderr == b""


def test_a_terminal_without_the_letters_gets_escapes(tmp_path: Path) -> None:
    path = tmp_path / "Ω.toml"
    ended = subprocess.run(
        [sys.executable, "-m", "cabinetwatch", "check", "--config", str(path)],
        env={**os.environ, "PYTHONIOENCODING": "ascii:strict"},
        capture_output=True,
        check=False,
        timeout=300,
    )
    assert ended.returncode == 2
    assert b"\\u03a9.toml: can't be read" in ended.stderr


@pytest.mark.parametrize(
    ("arguments", "ours", "others"),
    [
        (["check", "--config", "/nowhere.toml"], {"main", "commands", "terminal"}, set()),
        (
            ["status", "--config", "{config}"],
            {"main", "commands", "terminal", "look"},
            {"pydantic", "sqlalchemy"},
        ),
    ],
)
def test_only_what_a_command_needs_is_imported(
    arguments: list[str], ours: set[str], others: set[str], tmp_path: Path
) -> None:
    (tmp_path / "config.toml").write_text("")
    filled = [each.format(config=tmp_path / "config.toml") for each in arguments]
    heavy = ("pydantic", "sqlalchemy", "numpy", "scipy", "matplotlib", "rich", "paho")
    code = (
        "import sys\nfrom cabinetwatch.cli.main import main\n"
        f"try: main({filled!r})\nexcept SystemExit: pass\n"
        "print(*(n for n in sys.modules if n.startswith('cabinetwatch.cli.')))\n"
        f"print(*(n for n in {heavy!r} if n in sys.modules))"
    )
    ended = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=300
    )
    *_, loaded, libraries = ended.stdout.splitlines()
    assert {name.removeprefix("cabinetwatch.cli.") for name in loaded.split()} == ours
    assert others == set(libraries.split()) - ({"pydantic"} - others)


def test_what_fits_draws_and_migrates_never_enters_what_runs_for_long() -> None:
    code = "import sys"
    for each in ("cli.services", "cli.reports", "service.daemon", "report.page_server"):
        code += f", cabinetwatch.{each}"
    code += "; print(*sys.modules)"
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=300
    )
    loaded = {name.partition(".")[0] for name in done.stdout.split()}
    assert loaded >= {"apscheduler", "sqlalchemy"}
    heavy = {"numpy", "scipy", "matplotlib", "PIL", "tomlkit", "alembic", "mako"}
    assert heavy.isdisjoint(loaded)


def test_output_that_has_no_room_is_a_sentence_and_status_1() -> None:
    with Path("/dev/full").open("wb") as full:
        ended = subprocess.run(
            [sys.executable, "-c", _SPEAKS], stdout=full, stderr=subprocess.PIPE, check=False
        )
    assert ended.returncode == 1
    assert ended.stderr == b"the output can't be written: No space left on device\n"


def test_a_closed_output_is_no_reason_to_fall_over() -> None:
    ended = subprocess.run(
        ["/bin/sh", "-c", f'"{sys.executable}" -c "$1" >&-', "sh", _SPEAKS],
        stderr=subprocess.PIPE,
        check=False,
    )
    assert (ended.returncode, ended.stderr) == (0, b"")


# A command that has a lot to say.
_SPEAKS = """
import sys, types
import cabinetwatch.cli.main as program
speak = lambda args: print('warm ' * 100_000) or 0
sys.modules['cabinetwatch.cli.services'] = types.SimpleNamespace(run=speak)
sys.argv = ['cabinetwatch', 'run']
program.entry()
"""

_PLANTED = ("base64", "json", "logging", "sqlite3", "tempfile", "sqlalchemy", "alembic", "tomllib")


# The folder of the script comes first for the one, the current one for the other.
@pytest.mark.parametrize("program_name", [pytest.param("script", marks=pytest.mark.long), "module"])
def test_a_module_planted_in_the_current_folder_never_runs(
    program_name: str, tmp_path: Path
) -> None:
    """Neither in the command itself nor in its child, which makes the store."""
    for name in _PLANTED:
        (tmp_path / f"{name}.py").write_text(f"open('ran-{name}', 'w').close()\n")
    (tmp_path / "config.toml").write_text(
        '[store]\nurl = "sqlite:///readings.db"\n'
        '[sensors.hall]\ntopic = "hall/air"\nquantity = "temperature"\n'
    )
    (tmp_path / "day.csv").write_text("time,sensor,value\n2026-07-01T10:00:00Z,hall,21.5\n")
    own = Path(sys.executable).with_name("cabinetwatch")
    command = [own] if program_name == "script" else [sys.executable, "-m", "cabinetwatch"]
    ended = subprocess.run(
        [*command, "import", "day.csv"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
        timeout=300,
    )
    assert ended.stdout == "1 reading taken.\n", ended.stderr
    assert not list(tmp_path.glob("ran-*"))


def test_every_python_that_the_package_starts_leaves_the_current_folder_out() -> None:
    package = Path(program.__file__).parents[1]
    started = [
        line.partition("sys.executable,")[2].split(",")[0].strip()
        for path in package.rglob("*.py")
        for line in path.read_text().splitlines()
        if "sys.executable," in line
    ]
    assert len(started) >= 4
    assert set(started) == {'"-P"'}
