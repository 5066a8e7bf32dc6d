"""Counts of unreadable messages add up over commits, runs and hours; totals outlive pruning."""

import pytest

from cabinetwatch.store.codecs import DAY_MS
from cabinetwatch.store.records import HOUR_MS, Unreadable, UnreadableTotal
from cabinetwatch.store.store import Store
from cabinetwatch.store.upkeep import Keeping, Now
from tests.store.examples import T0, batch

HOUR = T0 // HOUR_MS * HOUR_MS


def count(
    sensor: str, messages: int, *, run_t: int = 1, at: int = HOUR, problem: str = "is null"
) -> Unreadable:
    return Unreadable(sensor, run_t, at, at, messages, problem)


def commit(store: Store, *counts: Unreadable) -> None:
    store.commit(batch(unreadable=list(counts)))


def test_they_add_up_in_a_run_and_over_runs_and_the_last_one_is_told(store: Store) -> None:
    commit(store, count("air", 2), count("fan", 1))
    commit(store, count("air", 3, at=HOUR + 5))
    assert store.unreadable()["air"] == UnreadableTotal(1, 5, 5, HOUR + 5, "is null")
    commit(store, count("air", 4, run_t=9, at=HOUR + 7, problem="'x' is no number"))
    assert store.unreadable() == {
        "air": UnreadableTotal(9, 4, 9, HOUR + 7, "'x' is no number"),
        "fan": UnreadableTotal(1, 1, 1, HOUR, "is null"),
    }


def test_they_are_found_by_the_hour_they_came_in(store: Store) -> None:
    for hour in range(4):
        commit(store, count("air", 10**hour, at=HOUR + hour * HOUR_MS + 1))
    assert store.unreadable_between(HOUR + HOUR_MS, HOUR + 3 * HOUR_MS) == {"air": 110}
    assert store.unreadable_between(HOUR, HOUR) == {}


def test_those_that_wait_for_a_disk_become_one_a_sensor_and_hour(store: Store) -> None:
    waiting = batch()
    for minute in range(180):
        each = count("air", 1, at=HOUR + minute * 60_000, problem=str(minute))
        waiting.append(batch(unreadable=[each, count("fan", 2, at=each.utc_ms)]))
    assert len(waiting.unreadable) == 6
    store.commit(waiting)
    assert store.unreadable()["air"] == UnreadableTotal(1, 180, 180, HOUR + 179 * 60_000, "179")
    assert store.unreadable_between(HOUR, HOUR + HOUR_MS) == {"air": 60, "fan": 120}


@pytest.mark.parametrize("hours", [1, 450])
def test_old_hours_are_let_go_as_minutes_are_and_the_totals_stay(store: Store, hours: int) -> None:
    commit(store, *(count("air", 1, at=HOUR + hour * HOUR_MS) for hour in range(hours)))
    later = HOUR + 100 * DAY_MS
    commit(store, count("air", 1, at=later))
    keeping = Keeping(DAY_MS, 30 * DAY_MS, 365 * DAY_MS)
    for _ in store.clear(Now(later, later), keeping):
        pass
    assert store.unreadable_between(0, later + HOUR_MS) == {"air": 1}
    assert store.unreadable()["air"].total == hours + 1
