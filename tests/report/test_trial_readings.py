"""The readings of a trial as the store gives them."""

from cabinetwatch.report.trial_case import read_store
from cabinetwatch.store.records import Batch
from cabinetwatch.store.store import Store
from cabinetwatch.watch.events import Entry, EntryKind, Quality, Reading
from tests.config.support import SENSORS, read

T0 = 1_782_900_000_000
HOUR_MS = 3_600_000


def in_force(offset: float) -> Entry:
    sensors = {"nas-air": {"offset": offset}}
    return Entry(T0, EntryKind.CONFIG, {"config": {"sensors": sensors}})


def test_each_reading_has_the_offset_that_was_in_force_when_it_came_however_late_that_was(
    store: Store,
) -> None:
    second_t = T0 + 2 * HOUR_MS
    store.commit(Batch(T0, 0, [in_force(1.0), Reading("nas-air", second_t, 30.0)]))
    # Of the first phase, but it came last: imported, or dated by a node that was away.
    store.commit(Batch(second_t, 0, [in_force(2.0), Reading("nas-air", T0, 20.0, Quality.LATE)]))

    phases = [(T0, T0 + HOUR_MS), (second_t, second_t + HOUR_MS)]
    found = read_store(store, read(SENSORS), ["nas-air"], phases)
    assert found["nas-air"].value.tolist() == [22.0, 31.0]
