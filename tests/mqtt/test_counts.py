"""What can't be read: counted always, told rarely, and never with control characters."""

import logging

import pytest

from cabinetwatch.mqtt.backlog import ProblemLog, UnheardCounts, UnreadableCounts
from cabinetwatch.mqtt.link import excerpt, excerpt_of_bytes
from cabinetwatch.store.records import HOUR_MS, Unreadable
from cabinetwatch.text import plain

UTC = 496_000 * HOUR_MS
HOSTILE = "'\x1b[2J\r\n\u202e' "
HARMLESS = "'\\x1b[2J\\r\\n\\u202e' "


def test_counts_by_sensor_and_hour_and_keeps_what_was_wrong_last() -> None:
    counts = UnreadableCounts()
    counts.begin(7)
    for second in (0, 1, 3600):
        counts.note(
            {"air": f"problem {second}", "fan": f"fault {second}"}, second, UTC + 1000 * second
        )
    assert counts.take() == [
        Unreadable("air", 7, 1, UTC + 1000, 2, "problem 1"),
        Unreadable("fan", 7, 1, UTC + 1000, 2, "fault 1"),
        Unreadable("air", 7, 3600, UTC + HOUR_MS, 1, "problem 3600"),
        Unreadable("fan", 7, 3600, UTC + HOUR_MS, 1, "fault 3600"),
    ]
    assert counts.take() == []


def test_what_was_wrong_stays_on_one_line_and_is_cut() -> None:
    counts = UnreadableCounts()
    counts.note({"air": HOSTILE + "x" * 500}, 0, UTC)
    (count,) = counts.take()
    assert count.problem.startswith(HARMLESS + "xxx")
    assert len(count.problem) < 300


def test_news_of_what_cant_be_judged_comes_at_once_and_then_ever_more_seldom() -> None:
    counts, told = UnheardCounts(), []
    for t in range(0, 200_000, 1000):
        counts.note_unread({"air": "is null"})
        if counts.take(t):
            told.append(t // 1000)
    # 10 s doubles with each that follows: the second comes after 20 s.
    assert told == [0, 20, 60, 140]
    counts.note_late("air", 7000)
    assert counts.take(None)["air"]["late_ms"] == 7000


def test_writes_one_line_a_topic_in_ten_minutes_and_counts_all(
    caplog: pytest.LogCaptureFixture,
) -> None:
    caplog.set_level(logging.WARNING)
    log = ProblemLog()
    for second in range(601):
        log.note("cabinet/air", ["is not a number"], second * 1000)
        log.note("cabinet/\x1b[2Jfan", [HOSTILE], second * 1000)
    assert log.count == 1202
    assert [plain(record.getMessage()) for record in caplog.records] == [
        "cabinet/air: is not a number",
        f"cabinet/\\x1b[2Jfan: {HARMLESS}",
        "cabinet/air: is not a number (599 more in the last 10 min)",
        f"cabinet/\\x1b[2Jfan: {HARMLESS} (599 more in the last 10 min)",
    ]


def test_invented_topics_don_t_fill_the_log(caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.WARNING)
    log = ProblemLog()
    for number in range(2000):
        log.note(f"cabinet/{number}", ["is null"], number)
    assert log.count == 2000
    assert len(caplog.records) == 257


def test_shows_payloads_escaped_and_cut() -> None:
    assert excerpt_of_bytes(b"21.5\n\xff") == "21.5\\n\\xff"
    assert excerpt("x" * 500).startswith("x" * 80 + "... (500")
    assert excerpt_of_bytes(b"y" * 500) == "y" * 80 + "... (500 bytes)"
