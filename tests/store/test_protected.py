"""Single readings of a trial's phases outlast their keeping time, and nothing else does."""

from typing import Any

import pytest

from cabinetwatch.store.codecs import DAY_MS
from cabinetwatch.store.store import Store
from cabinetwatch.store.upkeep import Keeping
from cabinetwatch.watch.events import Entry, EntryKind, Reading
from tests.store.examples import T0, batch
from tests.store.upkeep import cleared, commit_all, steady, tidied

KEEPING = Keeping(2 * DAY_MS, 30 * DAY_MS, 60 * DAY_MS)
BEGIN = T0 + DAY_MS
CHANGE = BEGIN + DAY_MS // 4
END = T0 + 10 * DAY_MS


def _tell(store: Store, t: int, **command: Any) -> None:
    store.commit(batch(Entry(t, EntryKind.COMMAND, command), advanced_to=t))


@pytest.fixture
def pruned(store: Store) -> Store:
    """Ten days; a before phase of six hours on the second, whose change phase still lasts."""
    commit_all(store, steady(1.0, t0=T0), at_once=6)
    _tell(store, BEGIN, command="trial-begin", trial="slow-fan", device="nas", change="slower")
    _tell(store, BEGIN, command="trial-phase", trial="slow-fan", phase="before")
    commit_all(store, steady(0.25, t0=BEGIN + 1), at_once=6)
    _tell(store, CHANGE, command="trial-phase", trial="slow-fan", phase="change")
    commit_all(store, steady(8.0, t0=CHANGE + 1), at_once=6)
    store.commit(batch(state=b"engine", advanced_to=END))
    tidied(store, END)
    cleared(store, END, KEEPING)
    return store


def test_readings_of_a_measured_phase_stay_and_others_go(pruned: Store) -> None:
    old = [utc_ms for _, utc_ms in pruned.readings() if utc_ms < END - 3 * DAY_MS]
    assert len(old) == 36
    assert all(BEGIN <= utc_ms <= CHANGE for utc_ms in old)


def test_what_was_protected_is_no_part_of_a_replay_nor_of_what_is_whole(pruned: Store) -> None:
    gone_ms = pruned.raw_gone_before()
    assert gone_ms is not None
    assert gone_ms > END - 3 * DAY_MS
    replayed = [item.t for _, item in pruned.inputs() if isinstance(item, Reading)]
    assert min(replayed) > END - 3 * DAY_MS


def test_they_go_when_minutes_of_their_time_go(pruned: Store) -> None:
    late = END + 40 * DAY_MS
    tidied(pruned, late)
    cleared(pruned, late, KEEPING)
    assert all(utc_ms > CHANGE for _, utc_ms in pruned.readings())


def test_of_a_phase_longer_than_a_week_the_first_seven_days_stay(store: Store) -> None:
    commit_all(store, steady(1.0, t0=T0), at_once=6)
    _tell(store, BEGIN, command="trial-begin", trial="forgotten", device="nas", change="slower")
    _tell(store, BEGIN, command="trial-phase", trial="forgotten", phase="before")
    commit_all(store, steady(19.0, t0=BEGIN + 1), at_once=6)
    end = T0 + 20 * DAY_MS
    store.commit(batch(state=b"engine", advanced_to=end))
    tidied(store, end)
    cleared(store, end, KEEPING)
    old = [utc_ms for _, utc_ms in store.readings() if utc_ms < end - 3 * DAY_MS]
    # The phase still lasts: 18 of its days are older than the two that are kept of any time.
    assert BEGIN <= min(old) < BEGIN + DAY_MS // 24
    week_ms = 7 * DAY_MS
    # Blocks are protected whole: the last one may reach an hour past the week.
    assert BEGIN + week_ms - DAY_MS // 24 < max(old) <= BEGIN + week_ms + DAY_MS // 24
