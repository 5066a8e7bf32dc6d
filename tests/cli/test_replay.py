"""replay: over the store and over a recording, with other settings, and what these change."""

import json
from pathlib import Path

import pytest

from cabinetwatch.mqtt.recording import Recorded, to_line
from cabinetwatch.store.records import Batch
from cabinetwatch.store.store import Store
from cabinetwatch.text import local_time
from cabinetwatch.watch.conditions import load_config
from cabinetwatch.watch.events import Reading
from tests.cli.recorded_day import keep, run, write_config
from tests.store.upkeep import FOREVER, cleared, tidied
from tests.watch.world import COMMISSIONED, HOUR, HOUSE, World, make_config

TEXT = HOUSE + COMMISSIONED + "max_rise_k = 25.0\n"
TOPICS = {
    "hall": "house/hall/temperature",
    "nas-air": "cabinet/nas/temperature",
    "nas-power": "cabinet/nas/power",
}


@pytest.fixture(scope="module")
def world() -> World:
    world = World(make_config(TEXT), every_s=30)
    world.lives(2 * HOUR)
    world.resistance *= 2.0
    world.lives(HOUR)
    world.resistance /= 2.0
    world.lives(2 * HOUR)
    return world


@pytest.fixture(scope="module")
def stored(world: World, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = write_config(tmp_path_factory.mktemp("stored"), TEXT)
    keep(path, world)
    return path


@pytest.fixture(scope="module")
def recorded(world: World, tmp_path_factory: pytest.TempPathFactory) -> Path:
    lines = [
        to_line(Recorded(i.t, TOPICS[i.sensor], f"{i.value}".encode()))
        for i in world.inputs
        if isinstance(i, Reading)
    ]
    path = tmp_path_factory.mktemp("recorded") / "day.jsonl"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def replayed(stored: Path) -> list[dict[str, object]]:
    status, out, err = run(stored, "replay")
    assert (status, err) == (0, "")
    return lines(out)


@pytest.fixture(scope="module")
def heard(stored: Path, recorded: Path) -> list[dict[str, object]]:
    status, out, err = run(stored, "replay", str(recorded))
    assert (status, err) == (0, "")
    return lines(out)


def lines(text: str) -> list[dict[str, object]]:
    return [json.loads(line) for line in text.splitlines()]


def essence(told: list[dict[str, object]]) -> list[tuple[object, ...]]:
    names = ("time", "subject", "condition", "state", "previous", "text")
    return [tuple(each[name] for name in names) for each in told]


def test_a_replay_of_store_or_recording_gives_what_was_raised_live(
    replayed: list[dict[str, object]], heard: list[dict[str, object]], world: World
) -> None:
    live = essence([each.public() for each in world.told])
    assert essence(replayed) == essence(heard) == live
    assert {each["condition"] for each in replayed} >= {"cooling-loss"}


def test_a_store_of_imported_readings_alone_is_judged_like_a_recording(
    recorded: Path, heard: list[dict[str, object]], tmp_path: Path
) -> None:
    path = write_config(tmp_path, TEXT)
    assert run(path, "import", str(recorded))[0] == 0
    # That is no sign of life.
    status, out, _ = run(path, "status")
    assert (status, "THE WATCH HAS NEVER RUN" in out) == (1, True)
    status, out, err = run(path, "replay")
    assert (status, err) == (0, "")
    assert lines(out) == heard
    _, other, _ = run(path, "replay", "--set", "devices.nas.max_rise_k=12")
    assert "over-rise" in {each["condition"] for each in lines(other)}


def test_a_replay_of_a_pruned_store_begins_at_its_oldest_reading_and_says_so(
    world: World, tmp_path: Path
) -> None:
    path = write_config(tmp_path, TEXT)
    keep(path, world, at_once=60)
    with Store.open(load_config(path).store.url) as store:
        store.commit(Batch(world.t, 0, state=b"engine"))
        tidied(store, world.t)
        assert cleared(store, world.t, FOREVER._replace(raw_ms=4 * HOUR)) > 0
        gone_before = store.raw_gone_before()
    assert gone_before is not None

    status, out, err = run(path, "replay")

    assert status == 0
    assert f"before {local_time(gone_before, 'UTC')} were pruned: the replay begins there" in err
    assert len(err.splitlines()) == 1
    assert [name[1:5] for name in essence(lines(out))] == [
        name[1:5] for name in essence([each.public() for each in world.told])
    ]


def test_another_setting_is_tried_and_compared(
    stored: Path, replayed: list[dict[str, object]]
) -> None:
    changes = ("--set", "devices.nas.max_rise_k=12", "--set", "alarms.cooling-loss.enabled=false")
    status, out, err = run(stored, "replay", *changes, "--compare")
    assert status == 0
    assert "over-rise" in {each["condition"] for each in lines(out)}
    assert "nas over-rise: 0 -> 1" in err
    assert "nas cooling-loss: 1 -> 0" in err
    assert "cooling-loss" not in {each["condition"] for each in lines(out)}
    assert "Only with the change:" in err
    _, same, told = run(stored, "replay", "--set", "devices.nas.max_rise_k=25.0", "--compare")
    assert lines(same) == replayed
    assert "makes no difference" in told


def test_times_choose_what_is_told_and_not_what_is_judged(
    stored: Path, world: World, replayed: list[dict[str, object]]
) -> None:
    moment = world.told[1].public()["time"]
    _, before, _ = run(stored, "replay", "--to", moment)
    _, after, _ = run(stored, "replay", "--from", moment)
    assert lines(before) + lines(after) == replayed
    assert lines(before)
    assert lines(after)


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        (
            "devices.nas.max_rise=22",
            "the configuration with --set: [devices.nas] max_rise is an unknown key; the near",
        ),
        ("devices.nas.max_rise_k=warm", "is no TOML value"),
        ("max_rise_k", "write it as KEY=VALUE"),
        ("devices.nas.name.first=1", "name is no table"),
    ],
)
def test_a_wrong_setting_is_one_sentence(stored: Path, change: str, sentence: str) -> None:
    status, out, err = run(stored, "replay", "--set", change)
    assert (status, out) == (2, "")
    first, *more = err.splitlines()
    assert sentence in first
    assert more in ([], ["`cabinetwatch manual sensors` tells more."])


def test_compare_without_a_setting_is_wrong_use(stored: Path) -> None:
    status, _, err = run(stored, "replay", "--compare")
    assert status == 2
    assert "--compare shows what --set changes" in err


def test_a_file_that_is_no_recording_is_wrong_use(tmp_path: Path) -> None:
    path = tmp_path / "photo"
    path.write_bytes(bytes(range(256)))
    status, out, err = run(write_config(tmp_path, TEXT), "replay", str(path))
    assert (status, out) == (2, "")
    assert "there is no message in it" in err.splitlines()[-1]


def test_bad_lines_of_a_recording_cost_only_themselves(
    stored: Path, recorded: Path, world: World
) -> None:
    broken = recorded.with_name("broken.jsonl")
    broken.write_text("nonsense\n" + recorded.read_text(encoding="utf-8"), encoding="utf-8")
    _, out, err = run(stored, "replay", str(broken))
    assert "line 1" in err
    assert len(lines(out)) == len(world.told)
