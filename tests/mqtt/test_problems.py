"""The log of unreadable messages: counted always, written rarely, never with control characters."""

import logging

import pytest

from cabinetwatch.mqtt.connection import ProblemLog
from cabinetwatch.mqtt.link import excerpt, excerpt_of_bytes


def test_writes_one_line_a_topic_in_ten_minutes_and_counts_all(
    caplog: pytest.LogCaptureFixture,
) -> None:
    caplog.set_level(logging.WARNING)
    log = ProblemLog()
    for second in range(601):
        log.note("cabinet/air", ["is not a number"], second * 1000)
        log.note("cabinet/fan", ["is null"], second * 1000)
    assert log.count == 1202
    assert [record.getMessage() for record in caplog.records] == [
        "cabinet/air: is not a number",
        "cabinet/fan: is null",
        "cabinet/air: is not a number (599 more in the last 10 min)",
        "cabinet/fan: is null (599 more in the last 10 min)",
    ]


def test_invented_topics_don_t_fill_the_log(caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.WARNING)
    log = ProblemLog()
    for number in range(5000):
        log.note(f"cabinet/{number}", ["is null"], number)
    assert log.count == 5000
    assert len(caplog.records) == 257


def test_topics_and_sentences_stay_on_one_line(caplog: pytest.LogCaptureFixture) -> None:
    ProblemLog().note("cabinet/\x1b[2Jair", ["is 'x\r\nBcc: y\u202e'"], 0)
    (record,) = caplog.records
    assert record.getMessage() == "cabinet/\\x1b[2Jair: is 'x\\r\\nBcc: y\\u202e'"


def test_shows_payloads_escaped_and_cut() -> None:
    assert excerpt_of_bytes(b"21.5\n\xff") == "21.5\\n\\xff"
    assert excerpt("x" * 500).startswith("x" * 80 + "... (500")
    assert excerpt_of_bytes(b"y" * 500) == "y" * 80 + "... (500 bytes)"
