"""What can be read of a damaged store is carried over, once, and what is missing is counted."""

import shutil
import sqlite3
import zlib
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from random import Random
from typing import Any

import pytest

from cabinetwatch.store import database
from cabinetwatch.store import salvage as salvaging
from cabinetwatch.store.backup import back_up
from cabinetwatch.store.database import PAGE_BYTES
from cabinetwatch.store.migrate import migrate
from cabinetwatch.store.place import (
    DamagedRecordError,
    database_url,
    end_salvage,
    finish_setting_aside,
    note_salvage,
    pending_salvage,
    set_aside,
)
from cabinetwatch.store.records import Repeatable
from cabinetwatch.store.salvage import Lost, Pages, Salvager
from cabinetwatch.store.store import Store
from cabinetwatch.store.upkeep import Now
from cabinetwatch.text import StoreError
from tests.store.examples import T0, batch, notice, reading, start, transition
from tests.support.empty_store import put_empty_store

COMMITS = 150
READINGS = 120

Rows = dict[str, list[str]]


@pytest.fixture(scope="module")
def lived(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store of 18,000 readings with journal, alarms, notices and a state, its log emptied."""
    path = put_empty_store(tmp_path_factory.mktemp("lived") / "cabinet.db")
    with Store.open(database_url(path)) as store:
        for n in range(COMMITS):
            t = T0 + n * 10_000
            rest: dict[str, Any] = {}
            if n % 10 == 0:
                rest = {"transitions": [transition(n, t=t)], "notices": [notice(n)]}
            store.commit(
                batch(
                    *([start(0, t)] if n % 50 == 0 else []),
                    *(reading(t=t + k * 80, value=(n * k + 0.1) ** 0.5) for k in range(READINGS)),
                    advanced_to=t + 9_900,
                    state=b"engine" * 50 if n == COMMITS - 5 else None,
                    **rest,
                )
            )
    return path


@pytest.fixture
def path(tmp_path: Path, lived: Path) -> Path:
    return Path(shutil.copy(lived, tmp_path / "cabinet.db"))


def rows_of(path: Path) -> Rows:
    """Give all rows of all tables of ours."""
    with closing(sqlite3.connect(path)) as connection:
        query = "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite%'"
        return {
            name: sorted(map(repr, connection.execute(f'SELECT * FROM "{name}"')))  # noqa: S608
            for (name,) in connection.execute(query).fetchall()
            if name not in {"alembic_version", "upkeep"}
        }


def begun(path: Path) -> None:
    """Set the store aside and begin a new one with what a watch goes on from."""
    set_aside(path, T0)
    migrate(database_url(path))
    salvage = pending_salvage(path)
    assert salvage is not None
    with closing(Salvager(path, salvage)) as salvager:
        note_salvage(path, salvage._replace(last_seq=salvager.begin()))


def finished(path: Path) -> Lost:
    """Carry the rest over; give what is missing."""
    salvage = pending_salvage(path)
    assert salvage is not None
    with closing(Salvager(path, salvage)) as salvager:
        salvager.rest()
        lost = salvager.lost()
    end_salvage(path)
    return lost


def spoil(path: Path, first: int, last: int) -> None:
    """Fill pages with what a worn card gives back."""
    whole = path.read_bytes()
    junk = Random(first).randbytes((last - first + 1) * PAGE_BYTES)
    path.write_bytes(whole[: (first - 1) * PAGE_BYTES] + junk + whole[last * PAGE_BYTES :])


def root_of(path: Path, table: str) -> int:
    with closing(Pages(path, PAGE_BYTES, with_log=False)) as pages:
        return pages.roots()[table]


def spoil_header(path: Path) -> None:
    """The first hundred bytes."""
    path.write_bytes(bytes(100) + path.read_bytes()[100:])


def spoil_first_page(path: Path) -> None:
    """The list of tables."""
    spoil(path, 1, 1)


def spoil_map(path: Path) -> None:
    """The first page of the pointer map."""
    spoil(path, 2, 2)


def spoil_root(path: Path) -> None:
    """The page from which all readings hang."""
    root = root_of(path, "block")
    spoil(path, root, root)


@pytest.mark.parametrize("damage", [spoil_header, spoil_first_page, spoil_map, spoil_root])
def test_damage_in_what_only_leads_to_the_rows_costs_none_of_them(
    damage: Callable[[Path], None], path: Path
) -> None:
    before = rows_of(path)
    damage(path)
    begun(path)
    assert finished(path) == Lost(0, None, None)
    assert rows_of(path) == before


def test_what_a_watch_goes_on_from_is_there_before_the_rest(path: Path) -> None:
    before = rows_of(path)
    spoil_root(path)
    begun(path)
    after = rows_of(path)
    large = {"block"}
    assert {name: rows for name, rows in after.items() if name not in large} == {
        name: rows for name, rows in before.items() if name not in large
    }
    with Store.open(database_url(path)) as store:
        assert store.last_seq() == COMMITS * READINGS + 3
        assert store.saved_state() is not None
        assert len(store.waiting()) == COMMITS // 10
        # All that came after the state was saved, which a warm start reads.
        newest = [item for _, item in store.inputs(store.last_seq() - 4 * READINGS)]
        assert len(newest) == 4 * READINGS
        # A watch goes on at once, under numbers of its own.
        store.commit(batch(reading("room", t=T0 + 10**8), advanced_to=T0 + 10**8))
        with pytest.raises(StoreError, match="still being carried over"):
            next(store.tidy(Now(T0 + 10**8, T0 + 10**8)))
    assert finished(path).inputs == 0
    with Store.open(database_url(path)) as store:
        assert len(list(store.readings("nas-air"))) == COMMITS * READINGS
        assert len(list(store.readings("room"))) == 1


@pytest.mark.parametrize(
    "spoilt",
    [
        "transition SET record = '{' WHERE id = (SELECT max(id) FROM transition)",
        "transition SET record = '{}' WHERE id = (SELECT max(id) FROM transition)",
        "transition SET record = json_set(record, '$.state', 'burning') WHERE id = 3",
        "notice SET transitions = '{\"' WHERE number = 2",
        "notice SET transitions = '[1]' WHERE number = 2",
        "notice SET status = 'waiting' WHERE number = 2",
        "repeat_window SET data = x'00'",
        f"repeat_window SET data = x'{zlib.compress(b'1').hex()}'",
    ],
)
def test_a_record_that_can_t_be_taken_apart_is_damage_and_all_others_are_carried_over(
    spoilt: str, path: Path
) -> None:
    """To SQLite the file is sound, so that nothing but the reader of the record finds out."""
    with Store.open(database_url(path)) as store:
        at = T0 + 10**7
        store.commit(batch(advanced_to=at, window=[Repeatable(7, b"digest")]))
    before = rows_of(path)
    with closing(sqlite3.connect(path)) as connection, connection:
        assert connection.execute(f"UPDATE {spoilt}").rowcount == 1
    with (
        Store.open(database_url(path)) as store,
        pytest.raises(DamagedRecordError, match="damaged"),
    ):
        _read_all(store)
    begun(path)
    with Store.open(database_url(path)) as store:
        _read_all(store)
    assert finished(path) == Lost(0, None, None)
    after = rows_of(path)
    missing = {name: len(rows) - len(after[name]) for name, rows in before.items()}
    table = spoilt.partition(" ")[0]
    assert {name: count for name, count in missing.items() if count} == {table: 1}


def _read_all(store: Store) -> None:
    """Read what a start reads, and the whole history."""
    list(store.window())
    store.waiting()
    store.notices()
    store.standing()
    store.transitions()


def test_readings_on_spoilt_pages_are_missing_and_counted_with_their_time(path: Path) -> None:
    middle = len(path.read_bytes()) // PAGE_BYTES // 2
    spoil(path, middle, middle + 5)
    begun(path)
    lost = finished(path)
    with Store.open(database_url(path)) as store:
        found = [utc_ms for _, utc_ms in store.readings()]
        assert len(found) + lost.inputs == COMMITS * READINGS
    assert 0 < lost.inputs < 30 * READINGS
    assert lost.from_utc_ms is not None
    assert lost.to_utc_ms is not None
    assert T0 < lost.from_utc_ms < lost.to_utc_ms < T0 + COMMITS * 10_000
    assert {lost.from_utc_ms, lost.to_utc_ms} <= set(found)


def test_of_a_store_cut_short_the_first_half_is_kept(path: Path) -> None:
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) // 2])
    begun(path)
    finished(path)
    with Store.open(database_url(path)) as store:
        assert len(list(store.readings())) > COMMITS * READINGS // 4
        assert store.waiting()


def test_garbage_gives_nothing_and_no_error(path: Path) -> None:
    path.write_bytes(Random(5).randbytes(len(path.read_bytes())))
    begun(path)
    finished(path)
    with Store.open(database_url(path)) as store:
        assert store.last_seq() == 0


def test_what_was_deleted_does_not_come_back(path: Path) -> None:
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("DELETE FROM block WHERE first_seq < 9000")
        connection.execute("DELETE FROM notice WHERE number < 9")
        connection.execute("UPDATE heartbeat SET seq = seq")
    before = rows_of(path)
    spoil_header(path)
    begun(path)
    finished(path)
    assert rows_of(path) == before


def test_the_log_belongs_to_it(path: Path, tmp_path: Path) -> None:
    with Store.open(database_url(path)) as store:
        # What was in the log before it began anew still stands behind what is in it since (4.1).
        for n in range(40):
            store.commit(batch(reading("early", t=T0 + n), advanced_to=T0 + n))
        with closing(sqlite3.connect(path)) as connection:
            connection.execute("PRAGMA wal_checkpoint(RESTART)")
        store.commit(batch(reading("late"), notices=[notice(4711)]))
        content, log = path.read_bytes(), path.with_name("cabinet.db-wal").read_bytes()
        before = rows_of(path)
    killed = tmp_path / "killed" / "cabinet.db"
    killed.parent.mkdir()
    killed.write_bytes(content)
    killed.with_name("cabinet.db-wal").write_bytes(log)
    spoil_root(killed)
    begun(killed)
    finished(killed)
    assert rows_of(killed) == before


def backup_over_a_killed_store(path: Path, backup: Path) -> None:
    """Copy a backup over a store by hand, that was killed and has its log beside it."""
    back_up(path, backup, replace=False)
    with Store.open(database_url(path)) as store:
        for n in range(60):
            store.commit(batch(*(reading(t=T0 + n, value=(n * k) ** 0.5) for k in range(90))))
            if n == 30:
                # From here on the log is written anew: it lacks what the backup does not have.
                with closing(sqlite3.connect(path)) as connection:
                    connection.execute("PRAGMA wal_checkpoint(RESTART)")
        log = path.with_name("cabinet.db-wal").read_bytes()
    path.with_name("cabinet.db-wal").write_bytes(log)
    path.write_bytes(backup.read_bytes())


def test_the_log_of_another_store_is_left_out(path: Path, tmp_path: Path) -> None:
    backup_over_a_killed_store(path, tmp_path / "backup.db")
    begun(path)
    finished(path)
    assert rows_of(path) == rows_of(tmp_path / "backup.db")


def opened(path: Path) -> None:
    Store.open(database_url(path)).close()


def given_a_command(path: Path) -> None:
    with Store.open(database_url(path), read_only=True) as store:
        store.put_command({"command": "ack", "all": True}, T0)


def brought_up_to_date(path: Path) -> None:
    migrate(database_url(path))


@pytest.mark.parametrize("first_used", [opened, given_a_command, brought_up_to_date])
def test_a_backup_copied_over_a_killed_store_is_used_as_it_is(
    path: Path,
    tmp_path: Path,
    caplog: pytest.LogCaptureFixture,
    first_used: Callable[[Path], None],
) -> None:
    backup = tmp_path / "backup.db"
    backup_over_a_killed_store(path, backup)
    before = rows_of(backup)
    first_used(path)
    with Store.open(database_url(path)) as store:
        store.commit(batch(reading(t=T0 + 1000)))
    (log,) = path.parent.glob("cabinet.db.other-log-*")
    assert log.name in caplog.text
    after = rows_of(path)
    assert len(after["block"]) == len(before["block"]) + 1
    assert after["transition"] == before["transition"]


def test_a_log_that_cant_be_looked_through_in_time_is_the_stores_own(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Store.open(database_url(path)) as store:
        store.commit(batch(reading(t=T0 + 1000)))
        monkeypatch.setattr(
            database, "_look_through", lambda _, __, mode: None if mode == "ro" else True
        )
        assert database.owns_log(path)


def test_a_killed_stores_own_log_is_taken_though_the_file_was_touched_since(path: Path) -> None:
    with Store.open(database_url(path)) as store:
        store.commit(batch(reading(t=T0 + 1000)))
        log, file = path.with_name("cabinet.db-wal").read_bytes(), path.read_bytes()
    path.with_name("cabinet.db-wal").write_bytes(log)
    path.write_bytes(file)
    with Store.open(database_url(path)) as store:
        assert T0 + 1000 in {each.t for each, _ in store.readings()}
    assert list(path.parent.glob("*other-log*")) == []


def test_a_kill_amid_it_loses_nothing_and_doubles_nothing(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = rows_of(path)
    spoil_root(path)
    begun(path)
    begun_rows = rows_of(path)
    monkeypatch.setattr(salvaging, "_ROWS_AT_ONCE", 20)

    def killed(*_: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as during:
        during.setattr("cabinetwatch.store.salvage.time.sleep", killed)
        with pytest.raises(KeyboardInterrupt):
            finished(path)
    amid = rows_of(path)
    assert len(begun_rows["block"]) < len(amid["block"]) < len(before["block"])
    # The first go, done again to a store that was begun, does nothing.
    salvage = pending_salvage(path)
    assert salvage is not None
    with closing(Salvager(path, salvage)) as salvager:
        assert salvager.begin() == salvage.last_seq
    assert rows_of(path) == amid
    assert finished(path) == Lost(0, None, None)
    assert rows_of(path) == before


def test_a_kill_amid_setting_aside_is_made_good(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    content = path.read_bytes()
    path.with_name("cabinet.db-wal").write_bytes(b"its log")
    rename = Path.rename

    def killed(self: Path, target: Path) -> Path:
        if not self.name.endswith("-wal"):
            raise KeyboardInterrupt
        return rename(self, target)

    with monkeypatch.context() as during:
        during.setattr(Path, "rename", killed)
        with pytest.raises(KeyboardInterrupt):
            set_aside(path, T0)
    assert path.exists()
    assert pending_salvage(path) is None
    finish_setting_aside(path)
    salvage = pending_salvage(path)
    assert salvage is not None
    assert not path.exists()
    assert salvage.aside.read_bytes() == content
    assert salvage.aside.with_name(f"{salvage.aside.name}-wal").read_bytes() == b"its log"


def test_without_room_for_the_readings_it_is_said_how_much_is_needed(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    spoil_root(path)
    begun(path)
    monkeypatch.setattr(salvaging, "_SPARE_BYTES", 10**18)
    with pytest.raises(StoreError, match=r"needs \d+ MB of room and there are \d+ MB"):
        finished(path)
    assert pending_salvage(path) is not None
