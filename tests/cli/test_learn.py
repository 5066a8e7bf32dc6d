"""learn: from now on or from the record; the store remembers, and a replay gives the same."""

import json
import re
from pathlib import Path

import pytest

from cabinetwatch.store.records import Batch
from cabinetwatch.store.replay import pack_state, warm_engine
from cabinetwatch.store.store import Store
from cabinetwatch.text import local_time, to_rfc3339
from cabinetwatch.watch.conditions import load_config
from cabinetwatch.watch.engine import Engine
from cabinetwatch.watch.events import Entry, EntryKind
from tests.cli.recorded_day import keep, run, write_config
from tests.watch.world import COMMISSIONED, DAY, HOUR, HOUSE, T0, World, make_config


@pytest.fixture(scope="module")
def world() -> World:
    """A day of an ordinary life, a reading a minute."""
    world = World(make_config(HOUSE), every_s=60)
    world.swing_k = 1.5
    for hour in range(24):
        world.power_w = (30.0, 40.0, 55.0, 35.0)[hour // 3 % 4]
        world.lives(HOUR)
    return world


@pytest.fixture
def stored(world: World, tmp_path: Path) -> Path:
    path = write_config(tmp_path, HOUSE)
    keep(path, world)
    return path


def carried_out(config_file: Path) -> tuple[Engine, str]:
    """Do with the waiting commands what the daemon does; give its engine and the answer."""
    with Store.open(load_config(config_file).store.url) as store:
        engine = warm_engine(store)
        assert engine is not None
        ((row, command),) = store.take_commands()
        entry = Entry((store.last_t() or 0) + 1000, EntryKind.COMMAND, command)
        engine.tell(entry)
        assert engine.answer is not None
        result = {"ok": engine.answer.ok, "text": engine.answer.text}
        store.commit(Batch(entry.t, 0, [entry], handled=[(row, result)]))
        assert engine.answer.ok
        return engine, engine.answer.text


def test_from_the_record_it_is_learnt_at_once_told_verified_and_the_same_in_a_replay(
    world: World, stored: Path
) -> None:
    # Without a saved state all is lived through again.
    keep(stored, world, with_state=False)
    start, end = to_rfc3339(T0), to_rfc3339(T0 + DAY)
    status, out, err = run(stored, "learn", "nas", "--from", start, "--to", end)
    assert (status, err) == (0, "")
    assert "takes effect when it starts" in out
    engine, answer = carried_out(stored)
    normal = engine.model.devices["nas"].observer.normal
    assert normal is not None
    # The truth of the world: 0.25 K/W.
    assert normal.at(40.0) == pytest.approx(10.0, abs=0.7)
    assert "NAS has learnt a normal rise" in answer
    assert "not verified until somebody has checked that every fan is turning" in answer

    with Store.open(load_config(stored).store.url, read_only=True) as store:
        again = warm_engine(store)
        assert again is not None
        saved = pack_state(again)
    one, other = (json.dumps(each.save()["devices"]) for each in (again, engine))
    assert json.loads(one) == json.loads(other)

    # As the watch does now and then, so that nobody has to live through it all again.
    with Store.open(load_config(stored).store.url) as store:
        store.commit(Batch(again.now, 0, state=saved))
    out = " ".join(run(stored, "status")[1].split())
    assert re.search(r"over loads of (29|30)\sW to (55|56)\sW", out)
    assert "not verified until somebody has checked that every fan is turning" in out
    _, out, _ = run(stored, "status", "--json")
    learning = json.loads(out)["devices"]["nas"]["learning"]
    assert learning["stage"] == "frozen"
    assert learning["loads_w"] == pytest.approx([30.0, 55.0], abs=1.5)
    assert learning["since"].startswith("2026-05-29T23:3")
    assert learning["confidence"] in {"good", "fair", "poor"}

    assert run(stored, "learn", "nas", "--verified")[0] == 0
    _, answer = carried_out(stored)
    assert answer == "NAS is verified: every fan was seen turning."
    out = run(stored, "status")[1]
    assert "not verified" not in out
    assert "every fan was seen turning on 30 May 2026" in " ".join(out.split())
    _, out, _ = run(stored, "status", "--json")
    assert json.loads(out)["devices"]["nas"]["learning"]["verified"].startswith("2026-05-30T")


def test_without_an_interval_it_begins_from_now(stored: Path) -> None:
    assert run(stored, "learn", "nas")[0] == 0
    engine, answer = carried_out(stored)
    assert "from now on for 7\N{NO-BREAK SPACE}d" in answer
    assert engine.model.devices["nas"].observer.figures is None
    assert engine.model.devices["nas"].heading is None


def test_a_stopped_fan_is_not_learnt_as_normal(tmp_path: Path) -> None:
    slow = World(make_config(HOUSE + COMMISSIONED), every_s=30)
    slow.lives(3 * HOUR)
    slow.resistance *= 2.0
    slow.lives(HOUR)
    path = write_config(tmp_path, HOUSE + COMMISSIONED)
    keep(path, slow)
    status, out, err = run(path, "learn", "nas")
    assert (status, err) == (1, "")
    assert out.startswith('"NAS: losing its cooling" is active')
    assert out.count("\n") == 1
    assert run(path, "learn", "nas", "--anyway")[0] == 0
    assert "learns its normal rise" in carried_out(path)[1]


def test_too_little_in_the_interval_is_said(stored: Path) -> None:
    short = ("--from", to_rfc3339(T0), "--to", to_rfc3339(T0 + HOUR))
    status, _, err = run(stored, "learn", "nas", *short)
    assert status == 2
    assert err.startswith(f"The record from {local_time(T0 + 60_000, 'UTC')} to ")
    assert " UTC holds too little of nas running" in err
    status, _, err = run(stored, "learn", "nas", "--to", to_rfc3339(T0))
    assert status == 2
    assert "no readings of nas" in err


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (("fridge",), "There is no device 'fridge'; there are nas"),
        (("nas", "--from", "yesterday"), "is no RFC 3339 time"),
        (
            ("nas", "--from", "2026-07-02T00:00:00Z", "--to", "2026-07-01T00:00:00Z"),
            "--from is not before --to",
        ),
        (
            ("nas", "--verified", "--from", "2026-05-30T00:00:00Z"),
            "--verified goes without --from and --to",
        ),
    ],
)
def test_wrong_use_is_one_sentence(stored: Path, arguments: tuple[str, ...], sentence: str) -> None:
    status, _, err = run(stored, "learn", *arguments)
    assert status == 2
    assert sentence in err


def test_a_device_without_ambient_has_nothing_to_learn(tmp_path: Path) -> None:
    path = write_config(tmp_path, HOUSE.replace('ambient = "hall"\n', ""))
    status, _, err = run(path, "learn", "nas")
    assert status == 2
    assert "no ambient sensor" in err
