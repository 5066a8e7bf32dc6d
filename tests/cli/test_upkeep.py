"""`prune`, `backup`, and what `status` says of the room: on a store without a running watch."""

import json
from pathlib import Path

import pytest

from cabinetwatch.cli.main import main
from cabinetwatch.store.codecs import DAY_MS, Tier
from cabinetwatch.store.records import Batch
from cabinetwatch.store.replay import pack_state
from cabinetwatch.store.store import Store
from cabinetwatch.store.upkeep import Room
from cabinetwatch.text import plain
from cabinetwatch.watch.conditions import load_config
from cabinetwatch.watch.engine import Engine
from cabinetwatch.watch.events import Reading
from tests.store.upkeep import tidied
from tests.support.empty_store import put_empty_store

T0 = 1_767_261_600_000  # 2026-01-01T10:00:00Z

CONFIG = """
[site]
name = "Under the stairs"

[store]
url = "sqlite:///readings.db"
keep_raw_days = 5

[sensors.nas-air]
topic = "cabinet/nas"
quantity = "temperature"
offset = -0.5

[devices.nas]
temperature = "nas-air"
"""


@pytest.fixture
def config_file(tmp_path: Path) -> Path:
    """A store with two readings of long ago and one more, ten days later."""
    path = tmp_path / "config.toml"
    path.write_text(CONFIG, encoding="utf-8")
    url = load_config(path).store.url
    put_empty_store(url)
    with Store.open(url) as store:
        for t, value in ((T0, 20.0), (T0 + 1000, 21.0), (T0 + 10 * DAY_MS, 30.0)):
            store.commit(Batch(t, 0, [Reading("nas-air", t, value)]))
        store.commit(Batch(T0 + 10 * DAY_MS, 0, state=pack_state(Engine(load_config(path)))))
    return path


def test_what_was_pruned_is_not_imported_again_and_counts_once(
    config_file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    main(["export", "--config", str(config_file)])
    exported = config_file.with_name("exported.csv")
    exported.write_text(capsys.readouterr().out, encoding="utf-8")
    main(["prune", "--config", str(config_file)])
    url = load_config(config_file).store.url
    everything = ("nas-air", "value", Tier.MINUTES, 0, T0 + 20 * DAY_MS)
    with Store.open(url) as store:
        before = store.buckets(*everything)
    assert main(["import", str(exported), "--config", str(config_file)]) == 0
    assert (
        "0 readings taken; 1 left out, because the store has them already; 2 left out, because of"
        " the time before 2026-01-11 10:00:00 UTC the store keeps minutes only"
    ) in capsys.readouterr().out
    with Store.open(url) as store:
        tidied(store, T0 + 11 * DAY_MS)
        assert store.buckets(*everything) == before
        assert sum(bucket.samples for bucket in before) == 3


def test_prune_without_a_watch_does_it_at_once_and_export_shows_minutes_instead(
    config_file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["prune", "--config", str(config_file)]) == 0
    assert capsys.readouterr().out.startswith("2 rows pruned; the store takes ")
    assert main(["export", "--config", str(config_file)]) == 0
    assert capsys.readouterr().out == (
        "time,sensor,value,tier\n"
        "2026-01-01T10:00:00.000Z,nas-air,20.5,minutes\n"
        "2026-01-11T10:00:00.000Z,nas-air,29.5,raw\n"
    )
    arguments = ["--format", "jsonl", "--config", str(config_file)]
    assert main(["export", *arguments]) == 0
    lines = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert [(line["quality"], line["tier"]) for line in lines] == [
        (None, "minutes"),
        ("live", "raw"),
    ]
    assert main(["export", "--from", "2026-01-11T10:00:00Z", *arguments]) == 0
    assert "tier" not in capsys.readouterr().out


def test_pruning_again_finds_nothing(config_file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for said in ("2 rows pruned", "No rows pruned"):
        assert main(["prune", "--config", str(config_file)]) == 0
        assert capsys.readouterr().out.startswith(said)


def test_backup_says_what_it_wrote_and_refuses_to_replace(
    config_file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    target = tmp_path / "copy.db"
    command = ["backup", str(target), "--config", str(config_file)]
    assert main(command) == 0
    assert capsys.readouterr().out == (
        f"{target}: 0.1 MB, opened and checked; 3 single readings are in it.\n"
    )
    assert main(command) == 2
    said = capsys.readouterr()
    assert (said.out, said.err.count("\n")) == ("", 1)
    assert "is there already" in said.err
    assert main([*command, "--force"]) == 0


def test_backup_never_replaces_the_configuration(
    config_file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = config_file.read_bytes()
    command = ["backup", str(config_file), "--force", "--config", str(config_file)]
    assert main(command) == 2
    assert "config.toml is no store of cabinetwatch" in capsys.readouterr().err
    assert config_file.read_bytes() == before


def test_restore_says_what_will_be_missing_and_where_the_store_is_kept(
    config_file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    backup = tmp_path / "copy.db"
    main(["backup", str(backup), "--config", str(config_file)])
    url = load_config(config_file).store.url
    with Store.open(url, watch=True) as store:
        t = T0 + 11 * DAY_MS
        store.commit(Batch(t, 0, [Reading("nas-air", t, 31.0)]))
        capsys.readouterr()
        assert main(["restore", str(backup), "--config", str(config_file)]) == 2
        refused = capsys.readouterr().err
        assert refused.count("\n") == 1
        assert "A watch is running on the store" in refused
        assert "systemctl stop cabinetwatch" in refused
    assert main(["restore", str(backup), "--config", str(config_file)]) == 0
    said = capsys.readouterr().out
    assert "from 2026-01-11 10:00:00 UTC to 2026-01-12 10:00:00 UTC is missing" in said
    (aside,) = tmp_path.glob("readings.db.replaced-*Z")
    assert f"is kept as {aside}" in said
    with Store.open(url, read_only=True) as store:
        assert len(list(store.readings())) == 3


def test_a_damaged_store_is_told_with_what_to_do(
    config_file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = load_config(config_file).store.path
    whole = path.read_bytes()
    path.write_bytes(whole[:100] + b"\xa5" * (len(whole) - 100))
    assert main(["export", "--config", str(config_file)]) == 2
    damaged, remedy = capsys.readouterr().err.splitlines()
    assert "is damaged" in damaged
    assert "`cabinetwatch restore FILE`" in remedy


def test_status_gives_the_room_as_json(
    config_file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    main(["prune", "--config", str(config_file)])
    capsys.readouterr()
    assert main(["status", "--json", "--config", str(config_file)]) == 1
    store = json.loads(capsys.readouterr().out)["store"]
    assert store["bytes"] > 50_000
    assert store["free_bytes"] > 0
    assert store["growth_bytes_per_day"] is store["days_left"] is None
    assert store["oldest_raw"] == "2026-01-11T10:00:00.000Z"
    assert store["oldest_minutes"] == store["oldest_quarters"] == "2026-01-01T00:00:00.000Z"


@pytest.mark.parametrize(("days_left", "told"), [(12.0, True), (30.0, False), (None, False)])
def test_status_says_when_the_disk_will_soon_be_full(
    config_file: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    days_left: float | None,
    told: bool,
) -> None:
    room = Room(20_000_000, 9_000_000, 750_000.0, days_left, None, None, None)
    monkeypatch.setattr(Store, "room", lambda _: room)
    status_of = ["status", "--config", str(config_file)]
    main(status_of)
    assert ("WILL BE FULL IN 12 d" in plain(capsys.readouterr().out)) is told
