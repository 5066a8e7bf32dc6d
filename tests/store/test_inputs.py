"""What the engine was told comes back whole, and in the very order."""

import sqlite3
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy import Engine, event

from cabinetwatch.store import inputs, records
from cabinetwatch.store.place import database_url
from cabinetwatch.store.store import Store
from cabinetwatch.watch.events import Entry, EntryKind, Quality, Reading
from tests.store.examples import T0, batch, reading, start
from tests.support.empty_store import put_empty_store

text = st.text(max_size=8)
told = st.builds(
    Reading,
    st.sampled_from(["nas-air", "room", "ups-power"]),
    st.integers(T0 - 10**7, T0 + 10**7),
    st.floats(allow_nan=False, allow_infinity=False) | st.integers(0, 900).map(lambda n: n / 10),
    st.sampled_from(Quality),
) | st.builds(
    Entry,
    st.integers(T0, T0 + 10**7),
    st.sampled_from(EntryKind),
    st.dictionaries(text, text | st.integers(-(2**53), 2**53) | st.none(), max_size=3),
)


@settings(max_examples=settings().max_examples // 4)
@given(commits=st.lists(st.lists(told, max_size=12), max_size=6))
def test_any_mixture_over_any_commits_comes_back_in_order(
    commits: list[list[Reading | Entry]],
) -> None:
    expected = list(enumerate((item for commit in commits for item in commit), 1))
    with TemporaryDirectory() as folder:
        path = Path(folder) / "cabinet.db"
        put_empty_store(path)
        for commit in commits:
            with Store.open(database_url(path)) as store:
                store.commit(batch(*commit))
        with Store.open(database_url(path), read_only=True) as store:
            assert repr(list(store.inputs())) == repr(expected)
            for after in range(len(expected) + 2):
                assert list(store.inputs(after)) == expected[after:]


def test_order_holds_over_many_chunks_of_blocks(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(inputs, "_BLOCKS_AT_ONCE", 3)
    expected: list[Reading | Entry] = []
    for n in range(20):
        items: list[Reading | Entry] = [reading(t=T0 + n, value=k / 4) for k in range(n % 4)]
        if n % 3 == 0:
            items.insert(n % 2, Entry(T0 + n, EntryKind.DISCONNECT, {"reason": "cable"}))
        store.commit(batch(*items))
        expected += items
    numbered = list(enumerate(expected, 1))
    for after in range(len(expected) + 1):
        assert list(store.inputs(after)) == numbered[after:]


def test_the_newest_inputs_take_no_more_steps_behind_many_than_behind_few(tmp_path: Path) -> None:
    """Whoever follows the watch asks every few seconds; the steps are those of SQLite's machine."""
    taken = 0

    def step() -> int:
        nonlocal taken
        taken += 1
        return 0

    def connected(connection: sqlite3.Connection, _: object) -> None:
        connection.set_progress_handler(step, 1)

    told: list[Reading | Entry] = [reading(), Entry(T0, EntryKind.DISCONNECT, {"reason": "cable"})]
    steps = []
    event.listen(Engine, "connect", connected)
    try:
        for blocks in (50, 1000):
            url = database_url(put_empty_store(tmp_path / f"{blocks}.db"))
            with Store.open(url) as store:
                store.commit(batch(*told * blocks))
            with Store.open(url, read_only=True) as store:
                before = taken
                assert len(list(store.inputs(2 * blocks - 5))) == 5
                steps.append(taken - before)
    finally:
        event.remove(Engine, "connect", connected)
    assert 0 < steps[1] < 1.5 * steps[0]


def test_a_long_stretch_is_cut_into_blocks_and_comes_back_whole(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(records, "_MOST_READINGS", 10)
    items = [reading(t=T0 + n, value=n / 8) for n in range(35)]
    store.commit(batch(*items))
    assert [
        len(list(stretch.readings))
        for stretch in inputs.read_stretches(store._database, None, None)
    ] == [10, 10, 10, 5]
    assert [item for _, item in store.inputs()] == items


def test_what_is_committed_while_somebody_reads_is_left_for_later(
    store: Store, onlooker: Store
) -> None:
    store.commit(batch(reading(value=1.0)))
    reader = onlooker.inputs()
    assert next(reader)[0] == 1
    store.commit(batch(reading(value=2.0)))
    assert list(reader) == []
    assert [seq for seq, _ in onlooker.inputs(1)] == [2]


def test_two_readings_of_a_sensor_in_one_millisecond_are_both_kept(store: Store) -> None:
    store.commit(batch(reading(), reading()))
    assert [item for item, _ in store.readings()] == [reading(), reading()]


def test_the_journal_is_read_by_kind(store: Store) -> None:
    stop = Entry(T0 + 2, EntryKind.STOP)
    store.commit(batch(start(0), reading(), stop))
    assert store.entries(EntryKind.STOP) == [(3, stop)]
    assert store.entries() == [(1, start(0)), (3, stop)]


class TestReadingsByTime:
    def test_the_interval_includes_its_beginning_and_not_its_end(self, store: Store) -> None:
        store.commit(batch(*(reading(t=T0 + n) for n in range(5))))
        found = [utc_ms - T0 for _, utc_ms in store.readings(None, T0 + 1, T0 + 3)]
        assert found == [1, 2]

    def test_one_sensor_is_picked_out(self, store: Store) -> None:
        store.commit(batch(reading("room"), reading("nas-air"), reading("room")))
        assert len(list(store.readings("room"))) == 2
        assert [len(list(store.numbered(each))) for each in ((), ("room",), None)] == [0, 2, 3]
        assert store.sensors() == ["nas-air", "room"]

    def test_a_late_reading_is_found_at_its_own_time(self, store: Store) -> None:
        late = Reading("nas-air", T0 - 86_400_000, 20.0, Quality.LATE)
        store.commit(batch(reading()))
        store.commit(batch(late, advanced_to=T0 + 1))
        assert [item for item, _ in store.readings(None, T0 - 86_400_000, T0)] == [late]

    def test_utc_follows_the_offset_in_force_at_each_reading(self, store: Store) -> None:
        step = Entry(T0 + 2, EntryKind.OFFSET, {"offset_ms": 3_600_000})
        store.commit(batch(start(5), reading(t=T0 + 1), offset_ms=5))
        store.commit(batch(reading(t=T0 + 1), step, reading(t=T0 + 3), offset_ms=3_600_000))
        store.commit(batch(reading(t=T0 + 4), offset_ms=3_600_000))
        utc = [utc_ms - T0 for _, utc_ms in store.readings()]
        assert utc == [6, 6, 3_600_003, 3_600_004]
        assert store.offset_ms() == 3_600_000

    @pytest.mark.parametrize("first", [0, 1, 37, 99, 100])
    def test_halving_finds_the_same_as_looking_at_everything(
        self, store: Store, monkeypatch: pytest.MonkeyPatch, first: int
    ) -> None:
        monkeypatch.setattr(inputs, "_BLOCKS_AT_ONCE", 7)
        for n in range(100):
            offset_ms = 50_000 if 40 <= n < 60 else 0
            t = T0 + 1000 * n
            store.commit(batch(*[reading(t=t)] * (1 + n % 3), advanced_to=t, offset_ms=offset_ms))
        begin = T0 + 1000 * first
        everything = [utc_ms for _, utc_ms in store.readings() if utc_ms >= begin]
        assert [utc_ms for _, utc_ms in store.readings(None, begin)] == everything


def test_readings_taken_elsewhere_are_found_and_bring_the_watch_no_further(
    store: Store, url: str
) -> None:
    hour_ms = 3_600_000
    store.commit(batch(reading(t=T0)))
    store.commit(batch(reading("ups", T0 + hour_ms), advanced_to=T0 + hour_ms, foreign=True))
    assert store.last_t() == T0
    store.close()
    with Store.open(url) as again:
        again.commit(batch(reading(t=T0 + 60_000), advanced_to=T0 + 60_000))
        assert again.last_t() == T0 + 60_000
        # The search halves the blocks by what was known with each: that may not fall.
        assert [each.sensor for each, _ in again.readings(None, T0 + hour_ms // 2)] == ["ups"]
        again.commit(batch(reading(t=T0 + 2 * hour_ms), advanced_to=T0 + 2 * hour_ms))
        assert again.last_t() == T0 + 2 * hour_ms
