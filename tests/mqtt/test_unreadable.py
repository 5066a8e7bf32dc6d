"""Unreadable messages are counted for each sensor, bounded, until they are written down."""

from cabinetwatch.mqtt.backlog import UnreadableCounts
from cabinetwatch.store.records import HOUR_MS, Unreadable

UTC = 496_000 * HOUR_MS


def test_counts_by_sensor_and_hour_and_keeps_what_was_wrong_last() -> None:
    counts = UnreadableCounts()
    counts.begin(7)
    for second in (0, 1, 3600):
        counts.note(["air", "fan"], f"problem {second}", second, UTC + 1000 * second)
    assert counts.take() == [
        Unreadable("air", 7, 1, UTC + 1000, 2, "problem 1"),
        Unreadable("fan", 7, 1, UTC + 1000, 2, "problem 1"),
        Unreadable("air", 7, 3600, UTC + HOUR_MS, 1, "problem 3600"),
        Unreadable("fan", 7, 3600, UTC + HOUR_MS, 1, "problem 3600"),
    ]
    assert counts.take() == []


def test_a_million_bad_messages_are_one_count() -> None:
    counts = UnreadableCounts()
    for number in range(10_000):
        counts.note(["air"], f"'{number}' is no number", number, UTC + number)
    (count,) = counts.take()
    assert count.messages == 10_000


def test_what_was_wrong_stays_on_one_line_and_is_cut() -> None:
    counts = UnreadableCounts()
    counts.note(["air"], "'\x1b[2J\r\n\u202e' " + "x" * 500, 0, UTC)
    (count,) = counts.take()
    assert count.problem.startswith("'\\x1b[2J\\r\\n\\u202e' xxx")
    assert len(count.problem) < 300
