"""A trial as the store gives it: its phases, and its readings."""

import subprocess
import sys
from math import isfinite

from cabinetwatch.report.trial_case import case_of, read_store
from cabinetwatch.store.records import Batch
from cabinetwatch.store.store import Store
from cabinetwatch.watch.events import Entry, EntryKind, Quality, Reading
from cabinetwatch.watch.trials import PhaseMark, TrialRecord
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
    # Of the first phase, but it came last: imported, or dated by a node that was away. By then the
    # clock was a minute ahead of the watch's own time.
    late = Reading("nas-air", T0 - 60_000, 20.0, Quality.LATE)
    store.commit(Batch(second_t, 60_000, [in_force(2.0), late]))

    phases = [(T0, T0 + HOUR_MS), (second_t, second_t + HOUR_MS)]
    found = read_store(store, read(SENSORS), ["nas-air"], phases)
    assert found["nas-air"].value.tolist() == [22.0, 31.0]


def test_what_the_broker_had_kept_is_no_measurement_of_a_phase(store: Store) -> None:
    kept = Reading("nas-air", T0 + 1000, 55.0, Quality.RETAINED)
    store.commit(Batch(T0, 0, [in_force(0.0), kept, Reading("nas-air", T0 + 2000, 30.0)]))
    found = read_store(store, read(SENSORS), ["nas-air"], [(T0, T0 + HOUR_MS)])
    assert found["nas-air"].value.tolist() == [30.0]


def test_the_load_of_two_supplies_is_known_only_where_both_were_heard(store: Store) -> None:
    second = '[sensors.nas-spare]\ntopic = "nas/spare"\nquantity = "power"\n'
    nas = 'temperature = "nas-air"\npower = ["nas-power", "nas-spare"]\n'
    config = read(f"{SENSORS}{second}[devices.nas]\n{nas}")
    one = [Reading("nas-power", T0 + 1000 * n, 20.0) for n in range(1, 4)]
    other = [Reading("nas-spare", T0 + HOUR_MS, 15.0)]
    store.commit(Batch(T0, 0, [in_force(0.0), *one, *other, one[0]._replace(t=T0 + HOUR_MS)]))
    begun = [PhaseMark("before", T0), PhaseMark("after", T0 + HOUR_MS)]
    trial = TrialRecord("slow-fan", "nas", "fan at 7 V", T0, T0 + 2 * HOUR_MS, begun)
    case = case_of(store, config, trial, T0 + 2 * HOUR_MS)
    before, after = case.phase("before"), case.phase("after")
    assert before is not None
    assert before.power is None
    assert after is not None
    assert after.power is not None
    assert after.power.value.tolist() == [35.0]


def test_what_the_watch_sets_aside_as_wild_tells_a_trial_nothing(store: Store) -> None:
    values = [21.0, 85.0, 500.0, 21.1]
    readings = [Reading("nas-air", T0 + 10_000 * i, value) for i, value in enumerate(values)]
    store.commit(Batch(T0 + HOUR_MS, 0, [in_force(1.0), *readings]))
    found = read_store(store, read(SENSORS), ["nas-air"], [(T0, T0 + HOUR_MS)])
    assert [value for value in found["nas-air"].value.tolist() if isfinite(value)] == [22.0, 22.1]


def test_an_after_phase_counts_no_more_once_the_before_phase_was_begun_anew(store: Store) -> None:
    config = read(f'{SENSORS}[devices.nas]\ntemperature = "nas-air"\n')

    def phases(*marks: str) -> dict[str, tuple[int, int]]:
        begun = [PhaseMark(phase, T0 + number * HOUR_MS) for number, phase in enumerate(marks)]
        trial = TrialRecord("slow-fan", "nas", "fan at 7 V", T0, T0 + len(begun) * HOUR_MS, begun)
        return dict(case_of(store, config, trial, T0 + 9 * HOUR_MS).intervals)

    hours = [T0 + number * HOUR_MS for number in range(4)]
    assert phases("before", "after") == {"before": (hours[0], hours[1]), "after": tuple(hours[1:3])}
    assert phases("before", "after", "before") == {"before": (hours[2], hours[3])}
    assert phases("after") == {"after": (hours[0], hours[1])}


def test_a_phase_in_which_the_clock_was_set_far_back_is_empty_and_no_mistake(store: Store) -> None:
    config = read(f'{SENSORS}[devices.nas]\ntemperature = "nas-air"\n')
    trial = TrialRecord("slow-fan", "nas", "7 V", T0, T0 - HOUR_MS, [PhaseMark("before", T0)])
    assert case_of(store, config, trial, T0).intervals == {"before": (T0, T0 + 1)}


def test_a_trial_is_begun_looked_at_and_judged_without_what_draws() -> None:
    code = "import sys, cabinetwatch.cli.trial; print(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    loaded = set(done.stdout.split())
    assert "cabinetwatch.report.trial_case" in loaded
    assert loaded.isdisjoint({"matplotlib", "PIL"})
