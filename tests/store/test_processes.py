"""Several processes on one file: a writer, onlookers, and people's commands."""

import os
import stat
import subprocess
from contextlib import suppress
from pathlib import Path

import pytest
from sqlalchemy import text

from cabinetwatch.store.migrate import migrate
from cabinetwatch.store.place import database_url
from cabinetwatch.store.store import Store
from cabinetwatch.text import StoreError
from tests.store.examples import T0, batch, reading, transition
from tests.support import forked
from tests.support.forked import Forked

PUT_COMMANDS = """
import sys
from cabinetwatch.store.store import Store
with Store.open(sys.argv[1], read_only=True) as store:
    for number in range(40):
        store.put_command({"command": "ack", "id": f"{sys.argv[2]}-{number}"}, 1000 + number)
"""

READ = """
import sys
from cabinetwatch.store.store import Store
with Store.open(sys.argv[1], read_only=True) as store:
    print(len(list(store.inputs())), store.heartbeat())
"""

OPEN_FOR_WRITING = """
import sys
from cabinetwatch.text import StoreError
from cabinetwatch.store.store import Store
try:
    Store.open(sys.argv[1])
except StoreError as error:
    print(error)
"""


def python(code: str, *arguments: str) -> str:
    done = forked.run("-c", code, *arguments)
    assert (done.returncode, done.stderr) == (0, "")
    return done.stdout


def test_commands_of_two_processes_arrive_while_the_daemon_commits(store: Store, url: str) -> None:
    with Path(os.devnull).open("r+b") as nothing:
        people = [
            Forked(["-c", PUT_COMMANDS, url, name], nothing, nothing, nothing)
            for name in ("ann", "bob")
        ]
    commits, taken = 0, []
    while any(person.poll() is None for person in people) or store.take_commands():
        waiting = store.take_commands()
        handled = [(row, {"ok": True, "text": command["id"]}) for row, command in waiting]
        store.commit(batch(reading(t=T0 + commits), handled=handled))
        commits += 1
        taken += [(row, command["id"]) for row, command in waiting]
        with suppress(subprocess.TimeoutExpired):  # a daemon rests between two commits
            people[0].wait(0.005)
    assert [person.wait() for person in people] == [0, 0]
    assert {name for _, name in taken} == {
        f"{who}-{n}" for who in ("ann", "bob") for n in range(40)
    }
    assert len(taken) == 80
    assert len(list(store.inputs())) == commits
    assert all(store.command_result(row) == {"ok": True, "text": name} for row, name in taken)


def test_another_process_reads_while_the_daemon_has_the_store_open(store: Store, url: str) -> None:
    store.commit(batch(reading(), advanced_to=T0 + 3))
    assert python(READ, url).split() == ["1", str(T0 + 3)]
    store.commit(batch(reading(), advanced_to=T0 + 9))
    assert python(READ, url).split() == ["2", str(T0 + 9)]


def test_a_store_is_readable_after_the_daemon_stopped_and_writable_after_that(url: str) -> None:
    for round_number in range(1, 3):
        with Store.open(url) as store:
            store.commit(batch(reading()))
        assert python(READ, url).split()[0] == str(round_number)


def test_a_second_writer_is_refused_by_a_sentence_that_names_file_and_process(
    store: Store, url: str, path: Path
) -> None:
    store.commit(batch(reading()))
    said = python(OPEN_FOR_WRITING, url)
    assert said.startswith(f"The store {path} is in use by another cabinetwatch (process ")
    with pytest.raises(StoreError, match="in use by another cabinetwatch"):
        Store.open(url)
    with pytest.raises(StoreError, match="in use by another cabinetwatch"):
        migrate(url)
    store.close()
    assert python(OPEN_FOR_WRITING, url) == ""


def test_an_onlooker_can_not_commit(onlooker: Store, path: Path) -> None:
    with pytest.raises(StoreError, match=f"{path} was opened for reading only"):
        onlooker.commit(batch(reading()))


def test_a_writer_that_holds_the_file_too_long_is_told_as_busy(
    store: Store, onlooker: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("cabinetwatch.store.database.BUSY_TIMEOUT_S", 0.05)
    with store._database.writing(), pytest.raises(StoreError, match="is busy"):
        onlooker.put_command({"command": "ack"}, T0)
    assert store.take_commands() == []


def test_reading_waits_for_no_writer_and_stops_none(store: Store, onlooker: Store) -> None:
    store.commit(batch(reading()))
    with onlooker._database.reading() as connection:
        count = text("SELECT count(*) FROM transition")
        assert connection.scalar(count) == 0  # from here on it sees this state
        store.commit(batch(reading(), transitions=[transition()]))
        assert connection.scalar(count) == 0
    with store._database.writing():
        assert len(list(onlooker.inputs())) == 2
        assert len(onlooker.standing()) == 1


def test_all_files_are_for_their_owner_alone(tmp_path: Path) -> None:
    path = tmp_path / "private.db"
    migrate(database_url(path))
    with Store.open(database_url(path)) as store:
        store.commit(batch(reading()))
        modes = {file.name: stat.S_IMODE(file.stat().st_mode) for file in tmp_path.iterdir()}
    names = ("private.db", "private.db-shm", "private.db-wal", "private.db.lock")
    assert modes == dict.fromkeys(names, 0o600)


def test_a_store_shared_with_a_group_on_purpose_stays_shared(path: Path, url: str) -> None:
    path.chmod(0o660)
    with Store.open(url) as store:
        store.commit(batch(reading()))
        log = path.with_name("cabinet.db-wal")
        assert [stat.S_IMODE(file.stat().st_mode) for file in (path, log)] == [0o660, 0o660]
