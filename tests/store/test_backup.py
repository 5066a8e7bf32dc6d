"""A backup is whole, of one instant, private and checked; or it isn't there."""

import resource
import sqlite3
import threading
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from cabinetwatch.store import backup as copying
from cabinetwatch.store.backup import back_up, restore
from cabinetwatch.store.codecs import DAY_MS
from cabinetwatch.store.place import database_url
from cabinetwatch.store.store import Store
from cabinetwatch.text import StoreError
from tests.store.examples import T0, batch, notice, reading, start, transition
from tests.store.test_durability import no_file_larger_than


def contents(store: Store) -> list[object]:
    return [list(store.inputs()), store.transitions(), store.notices(), store.saved_state()]


@pytest.fixture
def full(store: Store) -> Store:
    store.commit(batch(start(0), reading(), reading("room"), transitions=[transition()]))
    store.commit(batch(notices=[notice()], state=b"engine", advanced_to=T0 + 5))
    return store


def test_a_copy_can_be_used_as_a_store(full: Store, path: Path, tmp_path: Path) -> None:
    target = tmp_path / "copy.db"
    backup = back_up(path, target, replace=False)
    assert backup == (target.stat().st_size, 2)
    assert target.stat().st_mode & 0o777 == 0o600
    with Store.open(database_url(target)) as copy:
        assert contents(copy) == contents(full)
        copy.commit(batch(reading()))
    assert sorted(each.name for each in tmp_path.glob(".*")) == []


def test_a_copy_made_while_the_watch_writes_is_of_one_instant(
    store: Store, path: Path, tmp_path: Path
) -> None:
    halt = threading.Event()
    committed = threading.Semaphore(0)

    def write() -> None:
        for n in range(10**6):
            store.commit(batch(*(reading(name, t=T0 + n, value=float(n)) for name in "abc")))
            committed.release()
            if halt.is_set():
                return

    writer = threading.Thread(target=write)
    writer.start()
    try:
        for number in range(5):
            for _ in range(10):
                committed.acquire()
            target = tmp_path / f"copy-{number}.db"
            backup = back_up(path, target, replace=False)
            assert backup.readings % 3 == 0
            assert backup.readings >= 30 * (number + 1)
            with Store.open(database_url(target), read_only=True) as copy:
                assert len(list(copy.readings())) == backup.readings
    finally:
        halt.set()
        writer.join()


def test_what_is_committed_amid_the_copy_is_not_in_it(
    full: Store, path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    count = copying._rows

    def count_then_commit(connection: sqlite3.Connection) -> dict[str, int]:
        rows = count(connection)
        if connection.execute("PRAGMA database_list").fetchone()[2] == str(path):
            full.commit(batch(reading("late")))
        return rows

    monkeypatch.setattr(copying, "_rows", count_then_commit)
    assert back_up(path, tmp_path / "copy.db", replace=False).readings == 2
    assert "late" in full.sensors()


def test_what_lies_there_is_replaced_only_when_asked(
    full: Store, path: Path, tmp_path: Path
) -> None:
    del full
    target = tmp_path / "letter.txt"
    target.write_text("Dear neighbour")
    with pytest.raises(StoreError, match=r"letter\.txt is there already.*--force"):
        back_up(path, target, replace=False)
    assert target.read_text() == "Dear neighbour"
    older = tmp_path / "older.db"
    for replace in (False, True):
        assert back_up(path, older, replace=replace).readings == 2


@pytest.mark.parametrize("content", [b"", b"[site]\nname = 'Under the stairs'\n", bytes(5000)])
def test_nothing_but_a_store_is_replaced_also_when_asked(
    full: Store, path: Path, tmp_path: Path, content: bytes
) -> None:
    del full
    target = tmp_path / "config.toml"
    target.write_bytes(content)
    with pytest.raises(StoreError, match=r"config\.toml is no store of cabinetwatch.*untouched"):
        back_up(path, target, replace=True)
    assert target.read_bytes() == content


def test_the_store_itself_is_never_the_target(full: Store, path: Path, tmp_path: Path) -> None:
    before = contents(full)
    link = tmp_path / "link.db"
    link.symlink_to(path)
    for target in (path, link):
        with pytest.raises(StoreError, match="is the store itself"):
            back_up(path, target, replace=True)
    assert contents(full) == before


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda folder: folder, "is a folder"),
        (lambda folder: folder / "none" / "copy.db", "can't be written: No such file"),
    ],
)
def test_a_target_that_can_not_be_is_told(
    full: Store, path: Path, tmp_path: Path, make: Callable[[Path], Path], says: str
) -> None:
    del full
    with pytest.raises(StoreError, match=says):
        back_up(path, make(tmp_path), replace=False)


def test_without_a_store_there_is_nothing_to_copy(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="no store at"):
        back_up(tmp_path / "none.db", tmp_path / "copy.db", replace=False)


def test_a_copy_that_misses_a_row_is_dropped(
    full: Store, path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    del full
    whole = copying._copy

    def spoilt(path: Path, growing: Path, target: Path) -> dict[str, int]:
        rows = whole(path, growing, target)
        with closing(sqlite3.connect(growing, isolation_level=None)) as connection:
            connection.execute("DELETE FROM notice")
        return rows

    monkeypatch.setattr(copying, "_copy", spoilt)
    target = tmp_path / "copy.db"
    with pytest.raises(StoreError, match="does not check out"):
        back_up(path, target, replace=False)
    assert [each.name for each in tmp_path.iterdir() if "copy" in each.name] == []


def test_a_full_disk_leaves_no_half_copy_and_the_old_one_as_it_was(
    full: Store, path: Path, tmp_path: Path
) -> None:
    target = tmp_path / "copy.db"
    older = back_up(path, target, replace=False)
    week_old = target.read_bytes()
    assert older.bytes == len(week_old)
    full.commit(batch(*(reading(t=T0 + n, value=n**0.3) for n in range(5000))))
    limit = resource.getrlimit(resource.RLIMIT_FSIZE)
    with no_file_larger_than(60_000), pytest.raises(StoreError, match=r"copy\.db can't"):
        back_up(path, target, replace=True)
    assert resource.getrlimit(resource.RLIMIT_FSIZE) == limit
    assert target.read_bytes() == week_old
    assert [each.name for each in tmp_path.iterdir() if "copy" in each.name] == ["copy.db"]


class TestRestoring:
    @pytest.fixture
    def backup(self, full: Store, path: Path, tmp_path: Path) -> Path:
        """A backup, and two commits that came after it."""
        target = tmp_path / "backup.db"
        back_up(path, target, replace=False)
        for n in (1000, 2000):
            full.commit(batch(reading(t=T0 + n), advanced_to=T0 + n))
        return target

    def test_it_is_in_place_and_what_was_there_is_kept_with_its_log(
        self, full: Store, path: Path, backup: Path
    ) -> None:
        log = path.with_name("cabinet.db-wal").read_bytes()
        content = path.read_bytes()
        full.close()
        # As a kill leaves it.
        path.write_bytes(content)
        path.with_name("cabinet.db-wal").write_bytes(log)
        path.chmod(0o640)

        done = restore(backup, path, T0)
        assert done.aside == path.with_name("cabinet.db.replaced-20260701T100000Z")
        assert (done.newest_utc_ms, done.before_utc_ms) == (T0 + 5, T0 + 2000)
        assert path.stat().st_mode & 0o777 == 0o640
        with Store.open(database_url(path)) as store:
            assert len(list(store.readings())) == 2
        with Store.open(database_url(done.aside), read_only=True) as store:
            assert len(list(store.readings())) == 4
        assert backup.exists()
        assert list(path.parent.glob(".*")) == []

    def test_it_is_put_where_nothing_lies(self, full: Store, backup: Path, tmp_path: Path) -> None:
        del full
        done = restore(backup, tmp_path / "new.db", T0)
        assert done == (T0 + 5, None, None, [])
        assert (tmp_path / "new.db").stat().st_mode & 0o777 == 0o600

    def test_stores_kept_long_ago_go_but_for_the_newest_three(
        self, full: Store, path: Path, backup: Path
    ) -> None:
        full.close()
        first = restore(backup, path, T0).aside
        # Of one second with it.
        second, third = (restore(backup, path, T0).aside for _ in range(2))
        assert first is not None
        assert second is not None
        assert third is not None
        first.with_name(first.name + "-wal").write_bytes(b"its log")
        others = [path.with_name(path.name + each) for each in (".replaced-", ".replaced-mine")]
        for each in others:
            each.touch()
        assert restore(backup, path, T0 + 29 * DAY_MS).removed == []
        # A restored one is a backup, and stays where it is.
        assert restore(first, path, T0 + 40 * DAY_MS).removed == [second]
        assert restore(backup, path, T0 + 41 * DAY_MS).removed == [first, third]
        assert list(path.parent.glob(f"{first.name}*")) == []
        assert restore(backup, path, T0 + 42 * DAY_MS).removed == []
        kept = set(path.parent.glob("cabinet.db.replaced-2*Z"))
        assert len(kept) == 4
        assert all(each.exists() for each in others)

    def test_a_store_in_use_stays(self, full: Store, path: Path, backup: Path) -> None:
        with pytest.raises(StoreError, match="in use by another"):
            restore(backup, path, T0)
        assert len(list(full.readings())) == 4

    @pytest.mark.parametrize("what", ["letter", "spoilt", "newer", "none", "itself"])
    def test_what_is_no_sound_backup_is_refused_and_the_store_stays(
        self, full: Store, path: Path, backup: Path, what: str
    ) -> None:
        full.close()
        before = path.read_bytes()
        says = _SPOIL[what](backup, path)
        with pytest.raises(StoreError, match=says):
            restore(path if what == "itself" else backup, path, T0)
        assert path.read_bytes() == before
        assert {each.name for each in path.parent.glob("*replaced*")} == set()


def _letter(backup: Path, path: Path) -> str:
    del path
    backup.write_text("Dear neighbour")
    return "is no backup of a store"


def _spoilt(backup: Path, path: Path) -> str:
    del path
    whole = backup.read_bytes()
    backup.write_bytes(whole[:20480] + b"\xa5" * 8192 + whole[28672:])
    return "damaged"


def _newer(backup: Path, path: Path) -> str:
    del path
    with closing(sqlite3.connect(backup, isolation_level=None)) as connection:
        connection.execute("UPDATE alembic_version SET version_num = 'v9999'")
    return "newer cabinetwatch"


def _none(backup: Path, path: Path) -> str:
    del path
    backup.unlink()
    return "There is no backup at"


def _itself(backup: Path, path: Path) -> str:
    del backup, path
    return "is the store itself"


_SPOIL: dict[str, Callable[[Path, Path], str]] = {
    "letter": _letter,
    "spoilt": _spoilt,
    "newer": _newer,
    "none": _none,
    "itself": _itself,
}
