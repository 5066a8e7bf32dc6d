"""What the page says of the watch itself."""

from cabinetwatch.report.page import page_of
from cabinetwatch.store.place import database_url
from cabinetwatch.store.records import Batch
from cabinetwatch.store.replay import StoreFollower
from cabinetwatch.store.store import Store
from cabinetwatch.watch.events import Entry, EntryKind
from tests.support.hand_clock import HandClock
from tests.watch.world import make_config

NOON_MS = 1_782_907_200_000
"""1 July 2026, 12:00 UTC."""
MINUTE_MS = 60_000
WEEK_MS = 7 * 24 * 60 * MINUTE_MS


def watch(store: Store, at_utc_ms: int) -> dict[str, str]:
    clock = HandClock(at_utc_ms)
    clock.stand_still()
    store.close()
    with Store.open(database_url(store.path), watch=True) as living:
        return dict(page_of(StoreFollower(living).engine(), living, clock, {}, None).watch)


def test_a_machine_that_woke_in_1970_and_a_broker_that_was_late_count_as_what_they_were(
    store: Store,
) -> None:
    woke_t = 30_000
    offset_ms = NOON_MS - woke_t - MINUTE_MS
    config = {"config": make_config().as_json()}
    start = {"offset_ms": 0, "boot_ms": 0, "ran_until_ms": None}
    told = [
        Entry(woke_t, EntryKind.CONFIG, config),
        Entry(woke_t, EntryKind.START, start),
        # Broker and watch came up together after a power cut: nothing was lost.
        Entry(woke_t + 1, EntryKind.DISCONNECT, {"reason": "nobody listens there"}),
        Entry(woke_t + MINUTE_MS, EntryKind.OFFSET, {"offset_ms": offset_ms}),
        Entry(woke_t + 2 * MINUTE_MS, EntryKind.CONNECT, {"session_present": False}),
        Entry(woke_t + 3 * MINUTE_MS, EntryKind.DISCONNECT, {"reason": "it is shutting down"}),
        Entry(woke_t + 4 * MINUTE_MS, EntryKind.CONNECT, {"session_present": True}),
    ]
    store.commit(Batch(told[-1].t, offset_ms, list(told)))

    soon = watch(store, NOON_MS + 3 * MINUTE_MS + 30_000)
    assert soon["Running"] == "for 4 min 30 s"
    assert soon["Clock steps in 7 days"] == "1"
    assert soon["Broker lost in 7 days"] == "1"
    late = watch(store, NOON_MS + 5 * MINUTE_MS + WEEK_MS)
    assert late["Clock steps in 7 days"] == "0"
    assert late["Broker lost in 7 days"] == "0"
