"""`status`, `alarms` and whoever asks the watch for something, without a watch that runs."""

import getpass
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from cabinetwatch.cli.main import main
from cabinetwatch.clock import SystemClock
from cabinetwatch.store.place import WriterLock
from cabinetwatch.store.records import Batch
from cabinetwatch.store.store import Store
from cabinetwatch.watch.conditions import load_config
from cabinetwatch.watch.events import AlarmState, Entry, EntryKind, Priority, Transition
from tests.support.empty_store import put_empty_store

HOUR_MS = 3_600_000
Commit = Callable[..., None]


@pytest.fixture
def config_file(tmp_path: Path) -> Path:
    path = tmp_path / "config.toml"
    path.write_text('[sensors.nas-air]\ntopic = "a"\nquantity = "temperature"\n')
    return path


@pytest.fixture
def now_ms() -> int:
    return SystemClock().utc_ms()


@pytest.fixture
def commit(config_file: Path, now_ms: int) -> Commit:
    """Write what a watch would have written just now."""
    url = load_config(config_file).store.url
    put_empty_store(url)

    def commit(*entries: Entry, transitions: tuple[Transition, ...] = ()) -> None:
        with Store.open(url) as store:
            store.commit(
                Batch(
                    advanced_to=now_ms,
                    offset_ms=0,
                    inputs=list(entries),
                    transitions=list(transitions),
                )
            )

    return commit


def start(config_file: Path, t: int) -> list[Entry]:
    data: dict[str, Any] = {"offset_ms": 0, "boot_ms": t, "ran_until_ms": None, "version": "0"}
    config = Entry(t, EntryKind.CONFIG, {"config": load_config(config_file).as_json()})
    return [config, Entry(t, EntryKind.START, data)]


def acknowledged(utc_ms: int, since: str) -> Transition:
    return Transition(
        t=utc_ms,
        utc_ms=utc_ms,
        id="abcd1234",
        site="home",
        subject="nas-air",
        condition="silent",
        state=AlarmState.ACKNOWLEDGED,
        previous=AlarmState.UNACKNOWLEDGED,
        priority=Priority.HIGH,
        text="Acknowledged.",
        values={"since": since},
        cause="nas-air/silent",
    )


def test_the_status_of_a_watch_that_never_ran_is_bad_news(
    config_file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["status", "--config", str(config_file)]) == 1
    shown = capsys.readouterr()
    assert shown.out == ""
    assert shown.err.startswith("There is no store at ")


def test_a_watch_that_was_stopped_is_not_running_however_lately_it_was(
    config_file: Path, commit: Commit, now_ms: int, capsys: pytest.CaptureFixture[str]
) -> None:
    commit(*start(config_file, now_ms - 1000))
    with WriterLock(load_config(config_file).store_path(), watch=True):
        main(["status", "--json", "--config", str(config_file)])
    assert json.loads(capsys.readouterr().out)["watch"]["running"] is True
    commit(Entry(now_ms, EntryKind.STOP))
    assert main(["status", "--config", str(config_file)]) == 1
    assert "THE WATCH IS NOT RUNNING" in capsys.readouterr().out


def test_who_has_no_name_asks_by_number(
    config_file: Path,
    commit: Commit,
    now_ms: int,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    def nobody() -> str:
        raise KeyError("uid not found")

    monkeypatch.setattr(getpass, "getuser", nobody)
    commit(*start(config_file, now_ms - HOUR_MS), Entry(now_ms, EntryKind.STOP))
    assert main(["service", "site", "out", "--config", str(config_file)]) == 0
    assert "takes effect when it starts" in capsys.readouterr().out
    with Store.open(load_config(config_file).store.url, read_only=True) as store:
        ((_, command),) = store.take_commands()
    assert command["by"].startswith("user ")


@pytest.mark.parametrize("span", ["9999999d", "9" * 400 + "d"])
def test_nothing_is_out_of_service_for_longer_than_ten_years(
    span: str, config_file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["service", "site", "out", "--for", span, "--config", str(config_file)]) == 2
    assert "is too long; give at most 3650d" in capsys.readouterr().err


@pytest.mark.parametrize("limit", ["0", "-1", "9" * 30])
def test_a_limit_must_be_one_that_a_store_can_have(
    limit: str, config_file: Path, commit: Commit, capsys: pytest.CaptureFixture[str]
) -> None:
    commit()
    assert main(["alarms", f"--limit={limit}", "--config", str(config_file)]) == 2
    assert "is not from 1 to" in capsys.readouterr().err


def test_what_stands_is_shown_with_when_it_began_and_not_when_it_last_moved(
    config_file: Path, commit: Commit, now_ms: int, capsys: pytest.CaptureFixture[str]
) -> None:
    commit(transitions=(acknowledged(now_ms, "2026-07-01T10:00:03.000Z"),))
    main(["alarms", "--config", str(config_file)])
    shown = capsys.readouterr().out.partition("Time")[0]
    assert "Since:       Wed 1 Jul 10:00 (for " in shown
