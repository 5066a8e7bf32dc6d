"""Pruning lets go of what is old and nothing else, in small steps, and gives the space back."""

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cabinetwatch.store import upkeep as pruning
from cabinetwatch.store.codecs import DAY_MS, Tier
from cabinetwatch.store.place import database_url
from cabinetwatch.store.records import Outcome
from cabinetwatch.store.store import Store
from cabinetwatch.store.upkeep import Keeping, Now
from cabinetwatch.text import StoreError
from cabinetwatch.watch.events import AlarmState, Entry, EntryKind
from tests.store.examples import T0, batch, notice, reading, start, transition
from tests.store.upkeep import FOREVER, cleared, commit_all, steady, tidied
from tests.support.empty_store import put_empty_store

KEEPING = Keeping(2 * DAY_MS, 5 * DAY_MS, 8 * DAY_MS)
ALL = (0, 10**14)
END = T0 + 10 * DAY_MS


@pytest.fixture(scope="module")
def lived(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Ten days in the tiers; the engine's state saved at their end."""
    path = put_empty_store(tmp_path_factory.mktemp("lived") / "cabinet.db")
    with Store.open(database_url(path)) as store:
        for day in range(10):
            commit_all(store, steady(1.0, t0=T0 + day * DAY_MS), at_once=6)
            tidied(store, T0 + (day + 1) * DAY_MS)
        store.commit(batch(state=b"engine", advanced_to=END))
        tidied(store, END)
    return path


@pytest.fixture
def ten_days(lived: Path, path: Path, url: str) -> Iterator[Store]:
    """A copy of them."""
    shutil.copy(lived, path)
    with Store.open(url) as store:
        yield store


def oldest_days(store: Store) -> list[float]:
    """The age in days of what is oldest: a single reading, a minute, a quarter."""
    minutes, quarters = (store.buckets("nas-air", "value", tier, *ALL)[0] for tier in Tier)
    _, raw_utc_ms = next(store.readings())
    return [(END - each) / DAY_MS for each in (raw_utc_ms, minutes.utc_ms, quarters.utc_ms)]


def test_each_tier_is_kept_for_its_time(ten_days: Store) -> None:
    assert cleared(ten_days, END, KEEPING) > 100
    raw, minutes, quarters = oldest_days(ten_days)
    assert 1.9 < raw <= 2.05
    # A day of UTC goes as a whole, once all of it is old.
    assert 5 <= minutes < 6
    assert 8 <= quarters < 9


def test_nothing_goes_before_its_time(ten_days: Store) -> None:
    assert cleared(ten_days, END, FOREVER) == 0
    assert oldest_days(ten_days) == [10.0, 10.0, 10.0]


def test_what_was_pruned_still_stands_in_the_coarser_tier(ten_days: Store) -> None:
    before = ten_days.buckets("nas-air", "value", Tier.QUARTERS, *ALL)
    cleared(ten_days, END, KEEPING)
    series = ten_days.series("nas-air", "value", END - 8 * DAY_MS, END, 10**6)
    assert series.tier is Tier.QUARTERS
    assert series.buckets == [each for each in before if each.utc_ms >= END - 8 * DAY_MS]
    recent = ten_days.series("nas-air", "value", END - 4 * DAY_MS, END, 10**6)
    assert recent.tier is Tier.MINUTES


@pytest.mark.parametrize("wrong_by_days", [4000, -4000])
def test_a_clock_that_was_years_off_for_an_hour_makes_nothing_old(
    store: Store, wrong_by_days: int
) -> None:
    # Watch time never goes back: after a start in the future it stays there, with an offset.
    commit_all(store, steady(1.0, t0=T0))
    t = T0 + DAY_MS + max(0, wrong_by_days) * DAY_MS
    utc_ms = T0 + DAY_MS + wrong_by_days * DAY_MS
    store.commit(batch(start(utc_ms - t, t), reading(t=t), advanced_to=t, offset_ms=utc_ms - t))
    t, utc_ms = t + 3_600_000, T0 + DAY_MS + 3_600_000
    right = Entry(t, EntryKind.OFFSET, {"offset_ms": utc_ms - t})
    store.commit(batch(right, reading(t=t), state=b"engine", advanced_to=t, offset_ms=utc_ms - t))
    tidied(store, T0 + DAY_MS)
    assert cleared(store, t, KEEPING, utc_ms) == 0
    assert len(list(store.readings())) == 146


def test_a_first_start_in_1970_makes_nothing_old(store: Store) -> None:
    wrong = Entry(T0, EntryKind.START, {"offset_ms": -T0})
    store.commit(batch(wrong, reading(t=T0 + 1), offset_ms=-T0))
    commit_all(store, steady(0.5, t0=T0 + 60_000))
    store.commit(batch(state=b"engine", advanced_to=T0 + DAY_MS))
    tidied(store, T0 + DAY_MS)
    assert cleared(store, T0 + DAY_MS, KEEPING) == 0


class TestNeeded:
    def test_a_reading_not_in_the_tiers_yet_stays(self, store: Store) -> None:
        commit_all(store, steady(1.0, t0=T0))
        store.commit(batch(state=b"engine"))
        assert cleared(store, END, KEEPING) == 0
        tidied(store, END)
        assert cleared(store, END, KEEPING) > 0

    def test_what_a_warm_start_reads_stays(self, store: Store) -> None:
        commit_all(store, steady(0.5, t0=T0))
        store.commit(batch(state=b"engine"))
        saved = store.saved_state()
        assert saved is not None
        commit_all(store, steady(0.5, t0=T0 + DAY_MS // 2))
        store.commit(batch(Entry(T0 + DAY_MS, EntryKind.STOP)))
        tidied(store, END)
        needed = list(store.inputs(saved.seq))
        cleared(store, END + 100 * DAY_MS, KEEPING)
        assert list(store.inputs(saved.seq)) == needed
        assert len(list(store.readings())) < 144

    def test_the_newest_block_and_the_count_stay(self, ten_days: Store, url: str) -> None:
        last = ten_days.last_seq(), ten_days.last_t(), ten_days.heartbeat()
        cleared(ten_days, END + 100 * DAY_MS, KEEPING)
        assert (ten_days.last_seq(), ten_days.last_t(), ten_days.heartbeat()) == last
        ten_days.close()
        with Store.open(url) as again:
            again.commit(batch(reading(), advanced_to=END))
            assert again.last_seq() == last[0] + 1

    def test_the_newest_entry_of_each_kind_and_what_a_replay_needs_stay(self, store: Store) -> None:
        config = {"config": {"sensors": {"nas-air": {"offset": 0.5}}}}
        for n in range(3):
            store.commit(batch(Entry(T0 + n, EntryKind.CONFIG, config), start(0, T0 + n)))
        store.commit(batch(Entry(T0 + 5, EntryKind.CONNECT, {"session_present": True})))
        commit_all(store, steady(10.0, t0=T0), at_once=6)
        last = Entry(END - 5, EntryKind.DISCONNECT, {"reason": "cable"})
        store.commit(batch(last, state=b"engine", advanced_to=END))
        tidied(store, END)
        cleared(store, END, KEEPING)
        told = [(entry.kind, entry.t - T0) for _, entry in store.entries()][:-1]
        assert told == [(EntryKind.CONFIG, 2), (EntryKind.START, 2), (EntryKind.CONNECT, 5)]
        assert store.entries()[-1][1] == last

    def test_configurations_stay_as_long_as_the_quarters_of_their_time(self, store: Store) -> None:
        config: dict[str, Any] = {"config": {"sensors": {}}}
        for n in (0, 1, 4, 9):
            t = T0 + n * DAY_MS
            store.commit(batch(Entry(t, EntryKind.CONFIG, config), start(0, t), advanced_to=t))
        store.commit(batch(reading(t=END), state=b"engine", advanced_to=END))
        tidied(store, END)
        cleared(store, END, KEEPING)
        days = [(entry.t - T0) // DAY_MS for _, entry in store.entries(EntryKind.CONFIG)]
        assert days == [4, 9]
        assert [(e.t - T0) // DAY_MS for _, e in store.entries(EntryKind.START)] == [9]

    def test_alarms_that_stand_keep_their_history_and_their_notices(self, store: Store) -> None:
        over, standing = (transition(n, subject=name) for n, name in ((1, "nas"), (2, "ups")))
        ended = transition(1, AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED)
        later = transition(3)
        store.commit(batch(transitions=[over, ended, standing, later]))
        store.commit(batch(notices=[notice(1, utc_ms=T0 - 1), notice(2), notice(3)]))
        done = [Outcome(f"n-{n}", "delivered", T0) for n in (1, 2)]
        store.commit(batch(outcomes=done, state=b"engine"))
        cleared(store, END, KEEPING)
        assert store.transitions() == [standing, later]
        assert [posted.id for posted, _ in store.notices()] == ["n-2", "n-3"]
        assert [posted.id for posted, _ in store.waiting()] == ["n-3"]

    def test_a_command_without_an_answer_and_the_newest_answers_stay(
        self, store: Store, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr(pruning, "_COMMANDS_KEPT", 2)
        rows = [store.put_command({"command": "ack", "id": "x"}, T0) for _ in range(6)]
        store.commit(batch(handled=[(row, {"ok": True}) for row in rows[1:]]))
        cleared(store, END, KEEPING)
        assert [row for row, _ in store.take_commands()] == rows[:1]
        answered = [row for row in rows if store.command_result(row) is not None]
        assert answered == rows[-2:]


@settings(max_examples=8)
@given(
    days=st.integers(1, 6),
    done_after=st.tuples(st.floats(0.0, 1.0), st.floats(0.0, 1.0)),
    age_days=st.integers(0, 12),
)
def test_no_order_of_things_lets_go_of_what_is_needed(
    tmp_path_factory: pytest.TempPathFactory,
    days: int,
    done_after: tuple[float, float],
    age_days: int,
) -> None:
    path = put_empty_store(tmp_path_factory.mktemp("prune") / "cabinet.db")
    readings = list(steady(days, every_ms=3_600_000, t0=T0))
    saved_after, tidied_after = (int(part * (len(readings) - 1)) for part in done_after)
    now = T0 + (days + age_days) * DAY_MS
    with Store.open(database_url(path)) as store:
        for n, item in enumerate(readings):
            state = b"engine" if n == saved_after else None
            store.commit(batch(item, state=state, advanced_to=item.t))
            if n == tidied_after:
                tidied(store, item.t)
        cleared(store, now, KEEPING)
        kept = [item for item, _ in store.readings()]
        saved = store.saved_state()
        assert saved is not None
        assert kept == readings[len(readings) - len(kept) :]
        assert {item for item in readings if now - item.t <= KEEPING.raw_ms} <= set(kept)
        assert set(readings[saved.seq :]) <= set(kept)
        assert readings[-1] in kept
        counted = sum(
            bucket.samples for bucket in store.buckets("nas-air", "value", Tier.QUARTERS, *ALL)
        )
        young = sum(1 for item in readings if now - item.t <= KEEPING.quarters_ms)
        assert young <= counted <= len(readings)
        if age_days + days <= 8:
            assert counted == len(readings)


class TestSpace:
    def test_it_goes_back_to_the_disk_step_by_step(self, store: Store, path: Path) -> None:
        noisy = (reading(t=T0 + n, value=n**0.5) for n in range(30_000))
        commit_all(store, noisy, at_once=300)
        store.commit(batch(reading(t=T0 + DAY_MS), state=b"engine", advanced_to=T0 + DAY_MS))
        tidied(store, END)
        store.close()
        full = path.stat().st_size
        with Store.open(database_url(path)) as again:
            now = Now(END, END)
            steps = sum(1 for _ in again.clear(now, KEEPING, spare_pages=0))
            assert 5 < steps < 40  # hundreds, if each gave back a page
            assert next(again.readings())[0].t == T0 + DAY_MS
        assert path.stat().st_size < full / 3

    def test_some_pages_stay_for_what_comes_next(self, ten_days: Store) -> None:
        size = ten_days.room().bytes
        for _ in ten_days.clear(Now(END, END), KEEPING):
            pass
        assert ten_days.room().bytes >= size

    def test_a_store_opened_for_reading_can_neither_tidy_nor_clear(self, onlooker: Store) -> None:
        now = Now(T0, T0)
        for upkeep in (lambda: onlooker.tidy(now), lambda: onlooker.clear(now, KEEPING)):
            with pytest.raises(StoreError, match="opened for reading only"):
                upkeep()
