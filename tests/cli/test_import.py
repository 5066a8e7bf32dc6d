"""import: three kinds of file, bad lines, nothing twice, and the way round through export."""

import contextlib
import io
import json
import tempfile
from itertools import accumulate
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cabinetwatch.cli.main import main
from cabinetwatch.config.model import Config
from cabinetwatch.mqtt.recording import Recorded, to_line
from cabinetwatch.service.offline import Dated, heard_by_both
from cabinetwatch.store.records import Batch
from cabinetwatch.store.replay import warm_engine
from cabinetwatch.store.store import Store
from cabinetwatch.text import StoreError, to_rfc3339
from cabinetwatch.watch.conditions import load_config
from cabinetwatch.watch.events import Entry, EntryKind, Quality, Reading
from tests.support.empty_store import put_empty_store

T0 = 1_782_900_000_000  # 2026-07-01T10:00:00Z
EXPORTED = (
    "time,sensor,value\n2026-07-01T10:00:00.007Z,nas-air,22.7\n2026-07-01T10:00:02.000Z,ups,42.0\n"
)
CONFIG = """
[store]
url = "sqlite:///readings.db"

[sensors.nas-air]
topic = "cabinet/nas"
quantity = "temperature"
unit = "degF"
offset = -0.4

[sensors.ups]
topic = "cabinet/ups"
quantity = "power"

[devices.nas]
temperature = "nas-air"
max_rise_k = 20.0
ambient = "hall"

[sensors.hall]
topic = "hall/air"
quantity = "temperature"
"""


def make_home(folder: Path) -> Path:
    path = folder / "config.toml"
    path.write_text(CONFIG, encoding="utf-8")
    put_empty_store(folder / "readings.db")
    return path


@pytest.fixture
def config_file(tmp_path: Path) -> Path:
    return make_home(tmp_path)


def take_in(config_file: Path, content: str) -> str:
    """Import a file of this content; give what is printed."""
    path = config_file.with_name("file")
    path.write_text(content, encoding="utf-8")
    return said(config_file, "import", str(path))


def put_out(config_file: Path, kind: str = "csv") -> str:
    return said(config_file, "export", "--format", kind)


def said(config_file: Path, *arguments: str) -> str:
    out = io.StringIO()
    with contextlib.redirect_stdout(out):
        assert main([*arguments, "--config", str(config_file)]) == 0
    return out.getvalue()


def kept(config_file: Path) -> list[Reading]:
    with Store.open(load_config(config_file).store.url, read_only=True) as store:
        return [reading for reading, _ in store.readings()]


def test_csv_comes_back_from_export_as_it_was(config_file: Path) -> None:
    assert take_in(config_file, EXPORTED) == "2 readings taken.\n"
    assert put_out(config_file) == EXPORTED


def test_values_are_kept_without_the_offset_and_as_not_to_be_judged(config_file: Path) -> None:
    take_in(config_file, EXPORTED)
    assert kept(config_file) == [
        Reading("nas-air", T0 + 7, 23.1, Quality.LATE),
        Reading("ups", T0 + 2000, 42.0, Quality.LATE),
    ]


def test_epoch_seconds_other_columns_and_any_order_of_them_are_read(config_file: Path) -> None:
    content = "value;sensor\n".replace(";", ",").replace("sensor", "sensor,tier,time")
    take_in(config_file, f"{content}40.5,ups,raw,1782900000.25\n")
    assert kept(config_file) == [Reading("ups", T0 + 250, 40.5, Quality.LATE)]


def test_the_json_lines_of_an_export_come_back(config_file: Path) -> None:
    take_in(config_file, EXPORTED)
    lines = put_out(config_file, "jsonl")
    other = make_home(Path(tempfile.mkdtemp(dir=config_file.parent)))
    assert take_in(other, lines) == "2 readings taken.\n"
    assert put_out(other, "jsonl") == lines


def test_a_recording_is_decoded_with_the_configured_sensors(config_file: Path) -> None:
    content = to_line(Recorded(T0, "cabinet/nas", b"212")) + "\n"
    content += to_line(Recorded(T0 + 5, "cabinet/fridge", b"4")) + "\n"
    assert take_in(config_file, content) == "1 reading taken.\n"
    assert kept(config_file) == [Reading("nas-air", T0, 100.0, Quality.LATE)]
    assert "nas-air,99.6" in put_out(config_file)


def test_a_second_import_of_the_same_file_doubles_nothing_and_says_so(config_file: Path) -> None:
    take_in(config_file, EXPORTED)
    told = take_in(config_file, EXPORTED)
    assert told == "0 readings taken; 2 left out, because the store has them already.\n"
    assert put_out(config_file) == EXPORTED


def test_two_alike_in_one_instant_are_two_and_stay_two(config_file: Path) -> None:
    line = "2026-07-01T10:00:02.000Z,ups,42.0\n"
    take_in(config_file, f"time,sensor,value\n{line}{line}")
    take_in(config_file, f"time,sensor,value\n{line}{line}{line}")
    assert len(kept(config_file)) == 3


def test_two_alike_are_two_however_much_stands_between_them(config_file: Path) -> None:
    alike = f"{to_rfc3339(T0)},ups,42.0\n"
    others = "".join(f"{to_rfc3339(T0 + 10 * n)},ups,43.0\n" for n in range(25_000))
    take_in(config_file, f"time,sensor,value\n{alike}{others}{alike}")
    assert sum(reading.value == 42.0 for reading in kept(config_file)) == 2


def test_a_file_of_an_older_time_does_not_set_a_store_back(config_file: Path) -> None:
    take_in(config_file, EXPORTED)
    take_in(config_file, "time,sensor,value\n2026-06-01T10:00:00Z,ups,40.0\n")
    with Store.open(load_config(config_file).store.url, read_only=True) as store:
        assert store.last_t() == T0 + 2000


def record_beside(
    config_file: Path, heard: list[tuple[int, float]], recorded: list[tuple[int, float]]
) -> str:
    """Import a recording (ms after T0, power) into a store that has heard some; what is said."""
    config = load_config(config_file)
    with Store.open(config.store.url) as store:
        inputs = begun(config) + [Reading("ups", T0 + ms, value) for ms, value in heard]
        store.commit(Batch(T0 + 1_000_000, 0, inputs))
    lines = [to_line(Recorded(T0 + ms, "cabinet/ups", b"%g" % power)) for ms, power in recorded]
    return take_in(config_file, "\n".join(lines))


def test_a_recording_taken_beside_the_watch_is_known_although_it_heard_a_little_later(
    config_file: Path,
) -> None:
    # Equal values every second; the clock's last digit falls to either side.
    heard = [(n * 1000, 42.0) for n in range(91)]
    recorded = [(n * 1000 + (-1, 0, 1, 7, -30)[n % 5], 42.0) for n in range(91)]
    told = record_beside(config_file, heard, recorded)
    assert told == "0 readings taken; 91 left out, because the store has them already.\n"


def test_what_only_the_recording_has_is_taken_although_all_values_are_equal(
    config_file: Path,
) -> None:
    # The watch began later, was cut off in between, and went on for longer.
    lost = {0, 1, 2, 40, 41, 60}
    heard = [(n * 1000, 42.0) for n in range(95) if n not in lost]
    recorded = [(n * 1000 + 3, 42.0) for n in range(91)]
    told = record_beside(config_file, heard, recorded)
    assert told == "6 readings taken; 85 left out, because the store has them already.\n"
    taken = [each for each in kept(config_file) if each.quality is Quality.LATE]
    assert [each.t for each in taken] == [T0 + n * 1000 + 3 for n in sorted(lost)]


def test_a_stored_reading_stands_for_one_of_the_recording_and_not_for_another_value(
    config_file: Path,
) -> None:
    heard = [(0, 42.0), (5000, 42.0), (9000, 43.0)]
    recorded = [(1, 42.0), (2, 42.0), (3, 42.0), (5001, 42.5), (9600, 43.0)]
    told = record_beside(config_file, heard, recorded)
    assert told == "4 readings taken; 1 left out, because the store has them already.\n"
    assert take_in(config_file, config_file.with_name("file").read_text()).startswith("0 readings")


@settings(max_examples=30, deadline=None)
@given(
    steps=st.lists(st.tuples(st.integers(700, 1500), st.integers(0, 1)), max_size=40),
    data=st.data(),
)
def test_pairing_two_listeners_finds_just_what_both_have_heard(
    steps: list[tuple[int, int]], data: st.DataObject
) -> None:
    both = st.lists(st.booleans(), min_size=len(steps), max_size=len(steps))
    late = st.lists(st.integers(-80, 80), min_size=len(steps), max_size=len(steps))
    sent = list(accumulate(step for step, _ in steps))
    by_watch, by_recorder, jitter = data.draw(both), data.draw(both), data.draw(late)
    stored = [(sent[n], float(steps[n][1])) for n in range(len(steps)) if by_watch[n]]
    numbers = [n for n in range(len(steps)) if by_recorder[n]]
    recorded = [(sent[n] + jitter[n], float(steps[n][1])) for n in numbers]
    found = heard_by_both([Dated(*each) for each in recorded], [Dated(*each) for each in stored])
    assert [numbers[place] for place in sorted(found)] == [n for n in numbers if by_watch[n]]


@pytest.mark.parametrize(
    ("line", "why"),
    [
        ("2026-07-01T10:00:00,ups,1", "line 3 '2026-07-01T10:00:00' is no RFC 3339 time"),
        ("2026-07-01T10:00:00Z,fridge,1", "line 3 names the sensor 'fridge'"),
        ("2026-07-01T10:00:00Z,ups,warm", "line 3 has the value 'warm'"),
        ("2026-07-01T10:00:00Z,ups,nan", "line 3 has the value 'nan'"),
        ("2026-07-01T10:00:00Z,ups", "line 3 has 2 cells, not 3"),
        ("2999-07-01T10:00:00Z,ups,1", "line 3 lies in the future"),
        ("9e99,ups,1", "line 3 9e+99 is no time"),
    ],
)
def test_a_bad_line_is_left_out_told_by_its_number_and_counted(
    config_file: Path, line: str, why: str, capsys: pytest.CaptureFixture[str]
) -> None:
    head, first, last = EXPORTED.splitlines()
    told = take_in(config_file, "\n".join((head, first, line, last)))
    assert told == "2 readings taken; 1 line left out, for what is wrong.\n"
    assert why in capsys.readouterr().err
    assert put_out(config_file) == EXPORTED


def test_many_bad_lines_are_told_briefly(
    config_file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    take_in(config_file, EXPORTED + "x,y,z\n" * 500)
    told = capsys.readouterr().err.splitlines()
    assert len(told) == 21
    assert "480 more faults" in told[-1]


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        ("", "nothing in it"),
        ("a,b\n1,2\n", "no header with time, sensor, value"),
        ("\x00\x01", "no header with time, sensor, value"),
        ("time,sensor,value\nyesterday,ups,20\n", "no line could be taken"),
    ],
)
def test_a_file_without_a_right_line_is_wrong_use(
    config_file: Path, content: str, sentence: str, capsys: pytest.CaptureFixture[str]
) -> None:
    path = config_file.with_name("file")
    path.write_text(content, encoding="utf-8")
    config_file.with_name("readings.db").unlink()
    assert main(["import", str(path), "--config", str(config_file)]) == 2
    assert sentence in capsys.readouterr().err
    # What can't be read at all makes no store.
    assert config_file.with_name("readings.db").exists() == ("yesterday" in content)


def test_while_a_daemon_holds_the_store_it_is_refused_with_a_sentence(
    config_file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    url = load_config(config_file).store.url
    path = config_file.with_name("file.csv")
    path.write_text(EXPORTED, encoding="utf-8")
    with Store.open(url):
        assert main(["import", str(path), "--config", str(config_file)]) == 2
    assert "is in use by another cabinetwatch" in capsys.readouterr().err
    with (
        Store.open(url, read_only=True) as store,
        pytest.raises(StoreError, match="opened for reading only"),
    ):
        store.commit(Batch(T0, 0, []))


def begun(config: Config) -> list[Reading | Entry]:
    """The journal of a watch that has just begun."""
    return [
        Entry(T0, EntryKind.CONFIG, {"config": config.as_json()}),
        Entry(T0, EntryKind.START, {"offset_ms": 0, "boot_ms": T0 - 9_000_000}),
        Entry(T0, EntryKind.CONNECT, {"session_present": False}),
    ]


def test_imported_readings_change_no_transition_of_the_record(config_file: Path) -> None:
    config = load_config(config_file)
    record = begun(config)
    for n in range(120):
        record += [Reading("hall", T0 + n * 10_000, 20.0 + n % 2 / 10)]
        record += [Reading("nas-air", T0 + n * 10_000 + 5, 48.0 + n % 3 / 10)]
    with Store.open(config.store.url) as store:
        store.commit(Batch(T0 + 1_200_000, 0, record))
    before = said(config_file, "replay")
    assert "over-rise" in before
    take_in(config_file, "time,sensor,value\n2026-07-01T10:05:00Z,nas-air,99\n")
    assert said(config_file, "replay") == before


def test_what_falls_due_between_the_watch_and_the_newest_reading_of_a_file_is_still_to_be_told(
    config_file: Path,
) -> None:
    config = load_config(config_file)
    record = [*begun(config), *(Reading("nas-air", T0 + n * 10_000, 77.0) for n in range(60))]
    # Cut off, as by a power cut: a sensor that stays away has been silent since.
    with Store.open(config.store.url) as store:
        store.commit(Batch(T0 + 600_000, 0, record))
    take_in(config_file, "time,sensor,value\n2026-07-01T11:00:00Z,nas-air,30\n")

    with Store.open(config.store.url, read_only=True) as store:
        assert store.last_t() == T0 + 600_000
        assert [utc_ms for _, utc_ms in store.readings("nas-air", T0 + 3_500_000)] == [
            T0 + 3_600_000
        ]
        engine = warm_engine(store)
    assert engine is not None
    assert engine.alarms["nas-air/silent"].state == "normal"
    told = engine.advance(T0 + 3_700_000)
    assert ("nas-air", "silent") in {(each.subject, each.condition) for each in told}


VALUES = st.one_of(
    st.decimals(-60, 120, places=3).map(float), st.floats(allow_nan=False, allow_infinity=False)
)


@settings(max_examples=8, deadline=None)
@given(
    readings=st.lists(
        st.tuples(st.integers(0, 10**9), st.sampled_from(["nas-air", "ups"]), VALUES), min_size=1
    )
)
def test_export_into_another_store_and_out_again_is_the_same(
    readings: list[tuple[int, str, float]], tmp_path_factory: pytest.TempPathFactory
) -> None:
    # A value of which the offset's digits are lost in rounding can't come back by any sum.
    told = [
        Reading(name, T0 - ms, value if name == "ups" else round(value % 100, 3))
        for ms, name, value in readings
    ]
    one, other = (make_home(tmp_path_factory.mktemp("home")) for _ in range(2))
    with Store.open(load_config(one).store.url) as store:
        store.commit(Batch(T0, 0, list(told)))
    exported = put_out(one)
    take_in(other, exported)
    assert put_out(other) == exported
    assert [(r.sensor, r.t, r.value) for r in kept(other)] == [
        (r.sensor, r.t, r.value) for r in told
    ]


def test_json_lines_that_are_wrong_are_told(
    config_file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    good = json.dumps({"time": T0 / 1000, "sensor": "ups", "value": 3})
    told = take_in(config_file, f'{good}\n{{"time": true}}\n[1]\nnonsense\n{{"sensor": "ups"}}\n')
    assert told == "1 reading taken; 4 lines left out, for what is wrong.\n"
    err = capsys.readouterr().err
    assert "line 2 lacks sensor and value" in err
    assert "line 3 is no JSON object" in err
    assert "line 4 is not JSON" in err
