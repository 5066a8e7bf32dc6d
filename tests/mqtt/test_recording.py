"""Recordings: what was written comes back, and a bad line costs only itself."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cabinetwatch.mqtt.recording import Recorded, Recorder, from_line, read_recording, to_line
from cabinetwatch.text import UsageError

TOPIC = st.text(st.characters(codec="utf-8", exclude_characters="\0"), min_size=1)


@given(st.integers(0, 4_000_000_000_000), TOPIC, st.binary(), st.booleans())
def test_every_message_comes_back_as_it_was(
    utc_ms: int, topic: str, payload: bytes, retain: bool
) -> None:
    recorded = Recorded(utc_ms, topic, payload, retain)
    line = to_line(recorded)
    assert line.isascii()
    assert "\n" not in line
    assert from_line(line) == recorded


@pytest.mark.parametrize(
    ("line", "recorded"),
    [
        (
            '{"time": "2026-07-01T12:00:03Z", "topic": "a", "payload": "21.5"}',
            Recorded(1_782_907_203_000, "a", b"21.5"),
        ),
        (
            '{"time": 1782907203.25, "topic": "a", "payload": ""}',
            Recorded(1_782_907_203_250, "a", b""),
        ),
        (
            (
                '{"tst": "2026-07-01T13:00:03.250000+0100", "topic": "a", "qos": 1, "retain": 0,'
                ' "payloadlen": 4, "payload": "21.5"}'
            ),
            Recorded(1_782_907_203_250, "a", b"21.5"),
        ),
        (
            (
                '{"tst": "2026-07-01T12:00:03Z+0000", "topic": "a", "qos": 1, "retain": 1,'
                ' "payloadlen": 0, "payload": null}'
            ),
            Recorded(1_782_907_203_000, "a", b"", retain=True),
        ),
        (
            (
                '{"tst": "2026-07-01T12:00:03Z", "topic": "a", "qos": 0, "retain": 0,'
                ' "payload": {"t": 1}}'
            ),
            Recorded(1_782_907_203_000, "a", b'{"t": 1}'),
        ),
        ('{"time": 0, "topic": "a", "payload": 21.5}', Recorded(0, "a", b"21.5")),
        ('{"time": 0, "topic": "a", "payload": {"t": 1}, "x": 1}', Recorded(0, "a", b'{"t": 1}')),
    ],
)
def test_reads_what_others_write(line: str, recorded: Recorded) -> None:
    """1,782,907,203 s is 2026-07-01T12:00:03Z: 20,635 days of 86,400 s and 43,203 s."""
    assert from_line(line) == recorded


@pytest.mark.parametrize(
    ("line", "sentence"),
    [
        ("21.5", "no JSON object"),
        ("{", "not JSON"),
        ("[" * 100_000, "nested too deeply"),
        ('{"time": 1}', "lacks topic and payload"),
        ('{"time": "noon", "topic": "a", "payload": ""}', "no RFC 3339 time"),
        ('{"time": true, "topic": "a", "payload": ""}', "time"),
        ('{"time": NaN, "topic": "a", "payload": ""}', "no time"),
        ('{"time": 0, "topic": 5, "payload": ""}', "topic"),
        ('{"time": 0, "topic": "a", "payload": "\\ud800"}', "payload"),
    ],
)
def test_says_what_is_wrong_with_a_line(line: str, sentence: str) -> None:
    with pytest.raises(ValueError, match=sentence):
        from_line(line)


def test_a_recording_cut_off_in_mid_line_loses_only_that_line(tmp_path: Path) -> None:
    path = tmp_path / "cabinet.jsonl"
    with Recorder(path) as recorder:
        recorder.write(Recorded(1000, "cabinet/air", b"20.0"))
        recorder.write(Recorded(2000, "cabinet/air", b"21.0"))
    path.write_bytes(path.read_bytes()[:-5])
    with Recorder(path) as recorder:
        recorder.write(Recorded(3000, "cabinet/air", b"22.0"))
    problems: list[str] = []
    payloads = [recorded.payload for recorded in read_recording(path, problems.append)]
    assert payloads == [b"20.0", b"22.0"]
    assert len(problems) == 1
    assert f"{path}, line 2 is not JSON" in problems[0]


def test_others_cannot_read_a_recording(tmp_path: Path) -> None:
    path = tmp_path / "cabinet.jsonl"
    with Recorder(path):
        pass
    assert path.stat().st_mode & 0o777 == 0o600


def test_what_was_flushed_can_be_read_while_recording_goes_on(tmp_path: Path) -> None:
    path = tmp_path / "cabinet.jsonl"
    with Recorder(path) as recorder:
        recorder.write(Recorded(1000, "cabinet/air", b"20.0"))
        recorder.flush()
        assert len(list(read_recording(path, pytest.fail))) == 1


def test_a_file_that_is_no_recording_is_left_alone(tmp_path: Path) -> None:
    configuration = tmp_path / "config.toml"
    configuration.write_text("[site]\n")
    with pytest.raises(UsageError, match=r"config\.toml: this file is no recording"):
        Recorder(configuration)
    assert configuration.read_text() == "[site]\n"


def test_files_that_cannot_be_used_are_named(tmp_path: Path) -> None:
    missing = tmp_path / "nowhere" / "cabinet.jsonl"
    with pytest.raises(UsageError, match="nowhere"):
        list(read_recording(missing, pytest.fail))
    with pytest.raises(UsageError, match="nowhere"):
        Recorder(missing)
