"""A commit is all or nothing, and what it wrote outlives the process, the log and the power."""

import resource
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cabinetwatch.store.database import PAGE_BYTES
from cabinetwatch.store.migrate import migrate
from cabinetwatch.store.place import WriterLock, database_url
from cabinetwatch.store.records import Batch, Repeatable
from cabinetwatch.store.store import Store
from cabinetwatch.text import StoreError
from tests.store.examples import T0, batch, notice, reading, start, transition
from tests.support.forked import speaking

COMMIT_UNTIL_KILLED = """
import sys
from cabinetwatch.store.store import Store
from tests.store.examples import batch, reading
with Store.open(sys.argv[1]) as store:
    for number in range(10**9):
        store.commit(batch(reading(value=float(number)), reading("room", value=float(number))))
        print(number, flush=True)
"""


def everything(store: Store) -> list[object]:
    return [
        list(store.inputs()),
        store.transitions(),
        store.notices(),
        list(store.window()),
        store.saved_state(),
        store.last_t(),
        store.take_commands(),
        store.sensors(),
    ]


def full_batch() -> Batch:
    return batch(
        reading("room"),
        start(70),
        reading("new-sensor"),
        window=[Repeatable(4, b"digest")],
        transitions=[transition()],
        notices=[notice()],
        state=b"engine",
        advanced_to=T0 + 9,
        offset_ms=70,
    )


def test_a_second_connection_sees_all_of_a_commit_at_once(store: Store, onlooker: Store) -> None:
    store.commit(full_batch())
    assert everything(onlooker) == everything(store)
    assert onlooker.transitions() == [transition()]
    assert onlooker.saved_state() == (3, T0 + 9, b"engine")
    assert list(onlooker.window()) == [Repeatable(4, b"digest")]


def test_a_commit_that_fails_at_its_end_leaves_nothing(store: Store, onlooker: Store) -> None:
    store.commit(batch(reading()))
    before = everything(onlooker)
    failing = full_batch()
    failing.handled.append((77, {}))
    with pytest.raises(StoreError, match="no command 77"):
        store.commit(failing)
    assert everything(onlooker) == before


def test_a_failed_batch_can_be_committed_again(store: Store, onlooker: Store) -> None:
    failing = full_batch()
    failing.handled.append((77, {}))
    with pytest.raises(StoreError, match="no command 77"):
        store.commit(failing)
    failing.handled.clear()
    store.commit(failing)
    assert list(onlooker.inputs()) == list(enumerate(failing.inputs, 1))
    assert onlooker.sensors() == ["new-sensor", "room"]


def test_a_full_disk_is_told_in_a_sentence_leaves_nothing_and_is_survived(
    store: Store, onlooker: Store, path: Path
) -> None:
    store.commit(batch(reading()))
    before = everything(onlooker)
    big = batch(*(reading(t=T0 + n, value=n**0.5) for n in range(5000)), state=bytes(range(256)))
    log_size = path.with_name("cabinet.db-wal").stat().st_size
    with (
        no_file_larger_than(log_size + 8192),
        pytest.raises(StoreError, match=r"cabinet\.db can't"),
    ):
        store.commit(big)
    assert everything(onlooker) == before
    store.commit(big)
    assert len(list(onlooker.inputs())) == 5001


def test_a_killed_process_loses_no_commit_it_had_confirmed(url: str) -> None:
    with speaking("-c", COMMIT_UNTIL_KILLED, url) as (child, said):
        confirmed = [int(said.readline()) for _ in range(25)][-1]
        child.kill()
        rest = said.read().split("\n")
        confirmed = max([confirmed, *(int(line) for line in rest[:-1])])
    with Store.open(url) as store:  # the lock died with the process
        values = [item.value for item, _ in store.readings("room")]
        assert values == [float(number) for number in range(len(values))]
        assert len(values) >= confirmed + 1
        assert len(list(store.readings("nas-air"))) == len(values)


def test_a_log_cut_anywhere_gives_whole_commits_up_to_some_point(
    store: Store, path: Path, tmp_path: Path
) -> None:
    for n in range(6):
        store.commit(batch(reading(t=T0 + n), start(0, T0 + n), reading("room", t=T0 + n)))
    log = path.with_name("cabinet.db-wal").read_bytes()
    counts = []
    for number, size in enumerate([*range(0, len(log), len(log) // 40), len(log)]):
        copy = tmp_path / f"cut-{number}.db"
        shutil.copy(path, copy)
        copy.with_name(copy.name + "-wal").write_bytes(log[:size])
        with Store.open(database_url(copy)) as cut:
            count = len(list(cut.inputs()))
        assert count % 3 == 0
        counts.append(count)
    assert counts == sorted(counts)
    assert counts[0] == 0
    assert counts[-1] == 18


@settings(max_examples=settings().max_examples // 4)
@given(damage=st.data())
def test_a_log_torn_by_a_power_cut_gives_a_sound_store_up_to_some_commit(
    lived: tuple[bytes, bytes], damage: st.DataObject, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """What was never synced may be there in part: cut, or with pages of garbage in it."""
    whole, log = lived
    size = damage.draw(st.integers(0, len(log)), "cut at")
    torn = bytearray(log[:size])
    if torn and damage.draw(st.booleans(), "garbled"):
        at = damage.draw(st.integers(0, len(torn) - 1), "garbled at")
        torn[at : at + 512] = bytes(byte ^ 0x5A for byte in torn[at : at + 512])
    copy = tmp_path_factory.mktemp("torn") / "torn.db"
    copy.write_bytes(whole)
    copy.with_name("torn.db-wal").write_bytes(torn)
    with Store.open(database_url(copy)) as store:
        values = [reading.value for reading, _ in store.readings("room")]
        assert values == [float(number) for number in range(len(values))]
        assert len(store.transitions()) == len(values)
        store.commit(batch(reading("room", value=float(len(values)))))
    with closing(sqlite3.connect(copy)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]


@pytest.fixture(scope="module")
def lived(tmp_path_factory: pytest.TempPathFactory) -> tuple[bytes, bytes]:
    """A store of twelve commits, each a reading and a transition, all of them still in its log."""
    path = tmp_path_factory.mktemp("lived") / "cabinet.db"
    migrate(database_url(path))
    with Store.open(database_url(path)) as store:
        for number in range(12):
            told = [transition(number, t=T0 + number)]
            store.commit(batch(reading("room", value=float(number)), transitions=told))
        return path.read_bytes(), path.with_name("cabinet.db-wal").read_bytes()


@contextmanager
def no_file_larger_than(size: int) -> Iterator[None]:
    """Let the kernel refuse writes beyond `size`, as a full disk would (Python ignores SIGXFSZ)."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


class TestAKillAmidACheckpoint:
    """Its pages are copied in ascending order; what is lost of them is all in the log still."""

    @pytest.fixture
    def cut(self, store: Store, path: Path, tmp_path: Path) -> Callable[[int], Path]:
        """Give a store as a kill leaves it that comes after so many bytes of the checkpoint."""
        for n in range(60):
            store.commit(batch(*(reading(t=T0 + n, value=(n * k) ** 0.5) for k in range(50))))
        before = path.read_bytes()
        log = path.with_name("cabinet.db-wal").read_bytes()
        with closing(sqlite3.connect(path)) as connection:
            connection.execute("PRAGMA wal_checkpoint")
        after = path.read_bytes()
        assert len(after) > len(before) + 10 * PAGE_BYTES

        def made(count: int) -> Path:
            killed = tmp_path / f"killed-{count}.db"
            killed.write_bytes(after[:count] + before[count:])
            killed.with_name(f"{killed.name}-wal").write_bytes(log)
            with WriterLock(killed):
                pass
            return killed

        return made

    @pytest.mark.parametrize("count", [0, 1, 5, 30])
    def test_leaves_a_sound_store(self, cut: Callable[[int], Path], count: int) -> None:
        path = cut(count * PAGE_BYTES)
        migrate(database_url(path))
        with Store.open(database_url(path)) as store:
            assert len(list(store.inputs())) == 3000

    def test_leaves_a_sound_store_also_with_its_first_page_half_written(
        self, cut: Callable[[int], Path]
    ) -> None:
        path = cut(5 * PAGE_BYTES)
        whole = path.read_bytes()
        path.write_bytes(bytes(512) + whole[512:])
        with Store.open(database_url(path)) as store:
            assert len(list(store.inputs())) == 3000
