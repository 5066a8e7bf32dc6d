"""How long the disk will do is told from how the store has grown."""

import os
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cabinetwatch.store.codecs import DAY_MS
from cabinetwatch.store.store import Store
from cabinetwatch.store.upkeep import SAMPLE_EVERY_MS, days_left, growth_bytes_per_day
from tests.store.examples import T0, batch, reading
from tests.store.upkeep import commit_all, tidied


@given(st.floats(0.6, 8.0), st.integers(-(10**8), 10**8), st.integers(2, 30))
def test_a_steady_growth_is_found_exactly(days: float, per_day: int, count: int) -> None:
    samples = [
        (
            T0 + round(n * days * DAY_MS / (count - 1)),
            round(10**9 + n * days * per_day / (count - 1)),
        )
        for n in range(count)
    ]
    assert growth_bytes_per_day(samples) == pytest.approx(per_day, abs=10.0, rel=1e-6)


def test_less_than_half_a_day_says_nothing() -> None:
    assert growth_bytes_per_day([]) is None
    assert growth_bytes_per_day([(T0, 5)]) is None
    assert growth_bytes_per_day([(T0, 5), (T0 + DAY_MS // 2 - 1, 10**6)]) is None


@pytest.mark.parametrize(
    ("free", "growth", "left"),
    [
        (9_000_000, 3e6, 3.0),
        (0, 3e6, 0.0),
        (-5, 1.0, 0.0),
        (10, 0.0, None),
        (10, -1.0, None),
        (10, None, None),
    ],
)
def test_the_days_left_are_room_over_growth(
    free: int, growth: float | None, left: float | None
) -> None:
    assert days_left(free, growth) == left


def test_a_growing_store_tells_its_growth_and_its_days(store: Store, path: Path) -> None:
    for n in range(9):
        t = T0 + n * SAMPLE_EVERY_MS
        noisy = [reading(t=t + k, value=(n * 3000 + k) ** 0.5) for k in range(3000)]
        commit_all(store, noisy, at_once=300)
        tidied(store, t)
        tidied(store, t + 60_000)  # much too early for another sample
    room = store.room()
    day = DAY_MS / SAMPLE_EVERY_MS * 3000 * 8  # a value that is no decimal takes 8 bytes
    assert room.growth_bytes_per_day == pytest.approx(day, rel=0.5)
    assert room.growth_bytes_per_day is not None
    disk = os.statvfs(path)
    assert room.free_bytes == pytest.approx(disk.f_bavail * disk.f_frsize, rel=0.2)
    assert room.days_left == pytest.approx(room.free_bytes / room.growth_bytes_per_day)
    on_disk = sum(each.stat().st_size for each in path.parent.glob("cabinet.db*"))
    assert room.bytes == pytest.approx(on_disk, rel=0.3)
    assert room.oldest_raw_utc_ms == T0
    assert room.oldest_minutes_utc_ms == T0 // DAY_MS * DAY_MS


def test_an_empty_store_has_no_oldest(store: Store) -> None:
    room = store.room()
    assert room[2:] == (None, None, None, None, None)
    store.commit(batch(reading()))
    assert store.room().oldest_raw_utc_ms == T0
