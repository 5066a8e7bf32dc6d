"""`export` writes every reading, corrected by the offset of its own time."""

import csv
import io
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from cabinetwatch.cli.main import main
from cabinetwatch.store.records import Batch
from cabinetwatch.store.store import Store
from cabinetwatch.watch.conditions import load_config
from cabinetwatch.watch.events import Entry, EntryKind, Quality, Reading
from tests.support.empty_store import put_empty_store

T0 = 1_782_900_000_000  # 2026-07-01T10:00:00Z
Export = Callable[..., str]

CONFIG = """
[site]
name = "Under the stairs"

[store]
url = "sqlite:///readings.db"

[sensors.nas-air]
topic = "cabinet/nas"
quantity = "temperature"
offset = {offset}

[sensors.ups-power]
topic = "cabinet/ups"
quantity = "power"

[devices.nas]
temperature = "nas-air"
"""


@pytest.fixture
def config_file(tmp_path: Path) -> Path:
    path = tmp_path / "config.toml"
    path.write_text(CONFIG.format(offset=-0.4), encoding="utf-8")
    return path


@pytest.fixture
def commit(config_file: Path) -> Callable[..., None]:
    """Put inputs into the store that the configuration names."""
    url = load_config(config_file).store.url
    put_empty_store(url)

    def commit(*inputs: Reading | Entry, offset_ms: int = 0) -> None:
        with Store.open(url) as store:
            store.commit(Batch(T0, offset_ms, list(inputs)))

    return commit


@pytest.fixture
def exported(config_file: Path, capsys: pytest.CaptureFixture[str]) -> Export:
    """Run the command; give its standard output, or what it refuses with."""

    def run(*arguments: str, status: int = 0) -> str:
        assert main(["export", "--config", str(config_file), *arguments]) == status
        told = capsys.readouterr()
        return told.err if status else told.out

    return run


def configuration(offset: float) -> Entry:
    config: dict[str, Any] = {"sensors": {"nas-air": {"offset": offset}, "ups-power": {}}}
    return Entry(T0, EntryKind.CONFIG, {"config": config})


def test_csv_has_a_header_times_in_utc_and_values_with_the_offset(
    commit: Callable[..., None], exported: Export
) -> None:
    commit(Reading("nas-air", T0 + 7, 23.1), Reading("ups-power", T0 + 1500, 42.0), offset_ms=500)
    assert exported() == (
        "time,sensor,value\n"
        "2026-07-01T10:00:00.507Z,nas-air,22.7\n"
        "2026-07-01T10:00:02.000Z,ups-power,42.0\n"
    )


def test_jsonl_adds_the_quality(commit: Callable[..., None], exported: Export) -> None:
    commit(Reading("ups-power", T0, 1e-7, Quality.BACKLOG))
    (line,) = exported("--format", "jsonl").splitlines()
    assert json.loads(line) == {
        "time": "2026-07-01T10:00:00.000Z",
        "sensor": "ups-power",
        "value": 1e-7,
        "quality": "backlog",
    }


def test_each_reading_is_corrected_by_the_offset_in_force_when_it_came(
    commit: Callable[..., None], exported: Export
) -> None:
    before, during, after = (Reading("nas-air", T0 + n, 20.0) for n in range(3))
    commit(before, configuration(1.5), during, configuration(-2.25), after)
    rows = list(csv.DictReader(io.StringIO(exported())))
    assert [row["value"] for row in rows] == ["19.6", "21.5", "17.75"]
    late = exported("--from", "2026-07-01T10:00:00.002Z")
    assert late.splitlines()[1:] == ["2026-07-01T10:00:00.002Z,nas-air,17.75"]


def test_every_value_survives_the_way_through_text(
    commit: Callable[..., None], exported: Export
) -> None:
    values = [0.1 + 0.2, -0.0, 5e-324, 1.7976931348623157e308, 1 / 3]
    commit(*(Reading("ups-power", T0 + n, value) for n, value in enumerate(values)))
    rows = csv.DictReader(io.StringIO(exported()))
    assert [repr(float(row["value"])) for row in rows] == [repr(value) for value in values]


def test_times_and_sensors_choose_the_lines(commit: Callable[..., None], exported: Export) -> None:
    told = [Reading(name, T0 + 1000 * n, n) for n in range(6) for name in ("nas-air", "ups-power")]
    commit(*told)
    chosen = exported(
        *("--from", "2026-07-01T10:00:02Z", "--to", "2026-07-01T12:00:04+02:00"),
        *("--sensor", "ups-power"),
    )
    assert chosen.splitlines()[1:] == [
        "2026-07-01T10:00:02.000Z,ups-power,2.0",
        "2026-07-01T10:00:03.000Z,ups-power,3.0",
    ]
    both = exported("--sensor", "ups-power", "--sensor", "nas-air")
    assert len(both.splitlines()) == 13


def test_a_sensor_that_was_once_is_known(commit: Callable[..., None], exported: Export) -> None:
    commit(Reading("old-probe", T0, 1.0))
    told = exported("--sensor", "nas", status=2)
    assert 'no sensor "nas"' in told
    assert "known are nas-air, old-probe, ups-power" in told
    assert exported("--sensor", "old-probe").endswith(",old-probe,1.0\n")


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (
            ("--from", "2026-07-01T10:00:02Z", "--to", "2026-07-01T10:00:02Z"),
            "--from is not before --to",
        ),
        (("--from", "2026-07-01T10:00:02"), "is no RFC 3339 time"),
        ((), "readings.db yet"),
    ],
)
def test_wrong_use_is_told(exported: Export, arguments: tuple[str, ...], sentence: str) -> None:
    assert sentence in exported(*arguments, status=2)
