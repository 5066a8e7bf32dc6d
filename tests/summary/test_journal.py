"""The life of the watch out of its journal."""

from cabinetwatch.report.summary_week import between, history_of, length_s, settled_since_t, within
from cabinetwatch.watch.events import Entry, EntryKind

YEARS_MS = 56 * 365 * 86_400_000


def start(t: int, ran_until: int | None, offset_ms: int = 0) -> Entry:
    return Entry(t, EntryKind.START, {"offset_ms": offset_ms, "ran_until_ms": ran_until})


def offset(t: int, offset_ms: int) -> Entry:
    return Entry(t, EntryKind.OFFSET, {"offset_ms": offset_ms})


def test_a_run_ends_where_the_next_start_says_it_had_come_to() -> None:
    entries = [start(0, None), start(100, 60), Entry(150, EntryKind.STOP), start(200, 150)]
    history = history_of(entries, 250)
    assert history.spans == [(0, 60), (100, 150), (200, 250)]
    # The first start has nothing before it, the second follows a cut, the third a clean stop.
    assert history.starts == [(0, None), (100, False), (200, True)]


def test_a_configuration_that_was_read_again_is_no_restart_and_leaves_no_gap() -> None:
    again = Entry(110, EntryKind.START, {**start(110, 105).data, "reloaded": True})
    entries = [start(0, None), Entry(105, EntryKind.STOP), again, start(300, 200)]
    history = history_of(entries, 400)
    assert history.starts == [(0, None), (300, False)]
    assert within(history.spans, 0, 400) == [(0, 200), (300, 400)]


def test_a_step_of_the_clock_cuts_a_run_in_two_and_lengthens_neither() -> None:
    entries = [start(1_000, None), offset(61_000, YEARS_MS)]
    history = history_of(entries, 121_000)
    assert history.spans == [(1_000, 61_000), (61_000 + YEARS_MS, 121_000 + YEARS_MS)]
    assert length_s(history.spans) == 120.0
    assert history.steps == [(61_000 + YEARS_MS, YEARS_MS / 1000)]


def test_an_hour_that_comes_twice_counts_once() -> None:
    entries = [start(0, None), offset(7_200_000, -3_600_000)]
    spans = history_of(entries, 10_800_000).spans
    assert length_s(within(spans, 0, 7_200_000)) == 7_200.0


def test_what_was_lost_is_a_connection_and_not_an_attempt() -> None:
    gone = {"reason": "gone"}
    entries = [
        start(0, None),
        Entry(10, EntryKind.DISCONNECT, gone),
        Entry(20, EntryKind.CONNECT, {}),
        Entry(50, EntryKind.DISCONNECT, gone),
        Entry(60, EntryKind.DISCONNECT, gone),
        Entry(80, EntryKind.CONNECT, {}),
    ]
    history = history_of(entries, 100)
    assert history.disconnects == [50]
    assert history.connected == [(20, 50), (80, 100)]


def test_a_far_step_or_a_start_unsettles_and_a_small_step_does_not() -> None:
    assert settled_since_t([]) is None
    assert settled_since_t([start(5, None), offset(50, 2_000)]) == 5
    assert settled_since_t([start(5, None), offset(50, 61_000)]) == 50
    assert settled_since_t([start(5, None), offset(50, 61_000), start(70, 60, 61_000)]) == 70


def test_spans_and_what_is_between_them_make_up_the_whole() -> None:
    spans = within([(5, 10), (8, 20), (40, 90)], 0, 50)
    assert (spans, between(spans, 0, 50)) == ([(5, 20), (40, 50)], [(0, 5), (20, 40)])
    assert between([], 0, 50) == [(0, 50)]
