"""The demonstration as a whole, and the care it takes of the folder it writes to."""

import io
import math
import sqlite3
import time
from contextlib import closing
from dataclasses import replace
from email import message_from_bytes, policy
from pathlib import Path

import pytest
from rich.console import Console

from cabinetwatch.cli import demo
from cabinetwatch.cli.demo import Screen, beginning
from cabinetwatch.cli.main import main
from cabinetwatch.demo import story
from cabinetwatch.demo.story import MARK, SIMULATED
from cabinetwatch.text import plain
from cabinetwatch.watch.conditions import named
from tests.service.watching import wait_until


def test_the_evening_tells_and_mails_what_it_should(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Up to the first of what is expected, however long a busy machine takes to tell it.
    monkeypatch.setattr(story, "EXPECTED", [replace(story.EXPECTED[0], by_s=math.inf)])
    monkeypatch.setattr(story, "END_S", story.ACTS[1].at_s)
    monkeypatch.setattr(story, "ACTS", story.ACTS[:2])
    out = io.StringIO()

    class Patient(demo._Show):
        def _judge(self) -> bool:
            def shown() -> bool:
                self._look()
                return bool(self._told) and ".eml" in out.getvalue()

            wait_until(shown, "the mail")
            return super()._judge()

    show = Patient(tmp_path, Console(file=out, width=200))
    assert show.play(), out.getvalue()
    shown = out.getvalue()
    assert all(act.says in shown for act in story.ACTS)
    mail = min((tmp_path / "mails").glob("*.eml"))
    subject = message_from_bytes(mail.read_bytes(), policy=policy.default)["Subject"]
    assert f"mail {mail.name}: {subject}" in shown
    assert (tmp_path / "config.toml").read_text().startswith(MARK)


def test_days_that_were_lived_through_leave_a_summary_and_a_page(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # From Sunday evening on, a reading every five minutes.
    monkeypatch.setattr(story, "fortnight_start_utc_ms", lambda end_ms: end_ms - 13 * 3_600_000)
    monkeypatch.setattr(story, "MOMENT_S", 300)
    demo._make(tmp_path, time.time_ns() // 1_000_000)
    check_past(tmp_path)


def check_past(folder: Path) -> str:
    """See that the past has left its summary, whose text it gives, and its page."""
    (text,) = (folder / "summary").glob("*.txt")
    said = text.read_text(encoding="utf-8")
    assert "What to do: " in " ".join(beginning(said))
    assert "(SIMULATED)" in said
    assert SIMULATED in " ".join(said.split())
    page = (folder / "page" / "index.html").read_text(encoding="utf-8")
    assert "Under the stairs (simulated)" in page
    assert "A record of that moment" in page
    assert 'http-equiv="refresh"' not in page
    assert len(list((folder / "page" / "charts").glob("*.svg"))) == 5 * 4
    return said


# Two weeks are lived through at low priority, after all else that the machine has to do.
@pytest.mark.long
@pytest.mark.timeout(3600)
def test_the_whole_demonstration_tells_everything_and_leaves_its_files(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "out"
    status = main(["demo", "--out", str(folder)])
    shown = capsys.readouterr().out

    assert status == 0, shown
    subjects = [
        str(message_from_bytes(path.read_bytes(), policy=policy.default)["Subject"])
        for path in sorted((folder / "mails").glob("*.eml"))
    ]
    degrees = [subject.partition("]")[0] for subject in subjects]
    assert degrees == ["[High", "[High, worse", "[Over", "[High", "[Over"]
    assert all(subject in shown for subject in subjects)
    assert "SIMULATED" in shown
    for sentence in (act.says for act in story.ACTS):
        assert sentence in shown
    assert f"alarms --config {folder / 'config.toml'}" in shown
    assert (folder / "config.toml").read_text().startswith(MARK)
    assert "VERDICT: reject" in shown
    assert "invented" in (folder / "trial-nas.csv").read_text().splitlines()[1]
    assert "<svg" in (folder / "trial-nas.html").read_text()
    said = check_past(folder / "fortnight")
    assert all(line in shown for line in beginning(said))
    # The worst of the fortnight is the first that is said.
    stalled = named("fan-slow")
    assert stalled is not None
    assert said.split("\n\n")[1].startswith(f"NAS: {stalled.predicate}")
    assert "Sensor ups-air: unreliable" in said
    with closing(sqlite3.connect(folder / "cabinetwatch.db")) as database:
        assert database.execute("PRAGMA integrity_check").fetchone() == ("ok",)


@pytest.mark.parametrize(
    ("name", "content", "sentence"),
    [
        ("out/thesis.txt", "precious", "name another folder with --out"),
        # A configuration of the user's own.
        ("out/config.toml", "[site]\n", "holds other files"),
        # A file in the place of the folder.
        ("out", "", "(File exists)"),
    ],
)
def test_what_is_the_users_own_is_left_alone(
    tmp_path: Path, name: str, content: str, sentence: str, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / name
    path.parent.mkdir(exist_ok=True)
    path.write_text(content)
    assert main(["demo", "--out", str(tmp_path / "out")]) == 2
    assert sentence in capsys.readouterr().err
    assert [each for each in tmp_path.rglob("*") if each.is_file()] == [path]
    assert path.read_text() == content


def test_a_folder_is_named_as_it_is_whatever_stands_in_its_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def interrupted(_: Path) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(demo, "_fortnight_made", interrupted)
    folder = tmp_path / "out[bold] :fire:"
    assert main(["demo", "--out", str(folder)]) == 130
    assert f"what there was by then is in {folder}." in capsys.readouterr().out


def test_an_earlier_demonstration_is_cleared_and_nothing_else(tmp_path: Path) -> None:
    (tmp_path / "config.toml").write_text(MARK)
    (tmp_path / "cabinetwatch.db").write_text("old")
    (tmp_path / "notes.txt").write_text("mine")
    (tmp_path / "mails").mkdir()
    (tmp_path / "mails" / "001.eml").write_text("old")
    (tmp_path / "mails" / "kept.eml").write_text("mine")
    demo._make_room(tmp_path)

    left = sorted(str(path.relative_to(tmp_path)) for path in tmp_path.rglob("*.*"))
    assert left == ["config.toml", "mails/kept.eml", "notes.txt"]


def test_without_a_terminal_devices_are_told_in_plain_lines_now_and_then() -> None:
    out = io.StringIO()
    figures = {"nas": {"temperature_c": 38.25, "rise_k": None}}
    with Screen(Console(file=out, width=60)) as screen:
        for at_s in range(0, 310, 10):
            screen.devices("19:40:00", at_s, figures)

    assert out.getvalue() == ("19:40:00    devices: nas 38.2 \N{DEGREE SIGN}C (rise unknown)\n" * 2)


def test_on_a_terminal_what_is_said_stays_and_the_table_goes() -> None:
    out = io.StringIO()
    console = Console(file=out, force_terminal=True, width=100)
    figures = {"nas": {"temperature_c": 55.0, "threshold_c": 48.0, "margin_k": -7.0}}
    with Screen(console) as screen:
        screen.devices("19:40:00", 0.0, figures)
        screen.say("The fan stalls.")
        screen.devices("19:45:00", 300.0, figures)

    shown = out.getvalue()
    assert "The fan stalls." in shown
    assert "-7.0 K" in plain(shown)
    assert shown.rstrip().endswith("\x1b[2K")
