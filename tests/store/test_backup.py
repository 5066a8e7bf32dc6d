"""A backup is whole, of one instant, private and checked; or it isn't there."""

import resource
import sqlite3
import threading
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from cabinetwatch.errors import StoreError
from cabinetwatch.store import backup as copying
from cabinetwatch.store.backup import back_up
from cabinetwatch.store.place import database_url
from cabinetwatch.store.store import Store
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


def test_what_lies_there_is_replaced_only_when_asked(
    full: Store, path: Path, tmp_path: Path
) -> None:
    del full
    target = tmp_path / "letter.txt"
    target.write_text("Dear neighbour")
    with pytest.raises(StoreError, match=r"letter\.txt is there already.*--force"):
        back_up(path, target, replace=False)
    assert target.read_text() == "Dear neighbour"
    assert back_up(path, target, replace=True).readings == 2


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
    full.commit(batch(*(reading(t=T0 + n, value=n**0.5) for n in range(5000))))
    target = tmp_path / "copy.db"
    target.write_text("the backup of last week")
    limit = resource.getrlimit(resource.RLIMIT_FSIZE)
    with no_file_larger_than(60_000), pytest.raises(StoreError, match=r"copy\.db can't"):
        back_up(path, target, replace=True)
    assert resource.getrlimit(resource.RLIMIT_FSIZE) == limit
    assert target.read_text() == "the backup of last week"
    assert [each.name for each in tmp_path.iterdir() if "copy" in each.name] == ["copy.db"]
