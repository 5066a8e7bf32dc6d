"""learn: from now on or from the record; the store remembers, and a replay gives the same."""

import json
from pathlib import Path

import pytest

from cabinetwatch.store.records import Batch
from cabinetwatch.store.replay import warm_engine
from cabinetwatch.store.store import Store
from cabinetwatch.text import to_rfc3339
from cabinetwatch.watch.configuration import load
from cabinetwatch.watch.engine import Engine
from cabinetwatch.watch.events import Entry, EntryKind
from tests.cli.recorded_day import keep, run, write_config
from tests.watch.world import DAY, HOUR, HOUSE, T0, World, make_config


@pytest.fixture(scope="module")
def world() -> World:
    """Two days of an ordinary life, at half a minute a reading."""
    world = World(make_config(HOUSE), every_s=30)
    world.swing_k = 1.5
    for hour in range(48):
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
    with Store.open(load(config_file).store.url) as store:
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


def test_from_the_record_it_is_learnt_at_once_and_put_in_force(stored: Path) -> None:
    start, end = to_rfc3339(T0), to_rfc3339(T0 + 2 * DAY)
    status, out, err = run(stored, "learn", "nas", "--from", start, "--to", end)
    assert (status, err) == (0, "")
    assert "takes effect when it starts" in out
    engine, answer = carried_out(stored)
    normal = engine.model.devices["nas"].observer.normal
    assert normal is not None
    # The truth of the world: 0.25 K/W.
    assert normal.at(40.0) == pytest.approx(10.0, abs=0.7)
    assert "NAS has learnt a normal rise" in answer
    assert "not verified until somebody has checked that every fan turns" in answer


def test_a_replay_after_it_gives_the_same_engine(stored: Path) -> None:
    run(stored, "learn", "nas", "--from", to_rfc3339(T0))
    engine, _ = carried_out(stored)
    with Store.open(load(stored).store.url, read_only=True) as store:
        again = warm_engine(store)
    assert again is not None
    one, other = (json.dumps(each.save()["devices"]) for each in (again, engine))
    assert json.loads(one) == json.loads(other)


def test_without_an_interval_it_begins_from_now(stored: Path) -> None:
    assert run(stored, "learn", "nas")[0] == 0
    engine, answer = carried_out(stored)
    assert "from now on for 7 d" in answer
    assert engine.model.devices["nas"].observer.figures is None
    assert engine.model.devices["nas"].settled_rise_k is None


def test_status_tells_what_was_learnt_when_and_over_which_load(stored: Path) -> None:
    run(stored, "learn", "nas", "--from", to_rfc3339(T0))
    carried_out(stored)
    out = " ".join(run(stored, "status")[1].split())
    assert "over loads of 29 to 56 W" in out or "over loads of 30 to 55 W" in out
    assert "not verified until somebody has checked that every fan turns" in out
    _, out, _ = run(stored, "status", "--json")
    learning = json.loads(out)["devices"]["nas"]["learning"]
    assert learning["stage"] == "frozen"
    assert learning["loads_w"] == pytest.approx([30.0, 55.0], abs=1.5)
    assert learning["since"].startswith("2026-05-3")
    assert learning["confidence"] in {"good", "fair", "poor"}


def test_too_little_in_the_interval_is_said(stored: Path) -> None:
    short = ("--from", to_rfc3339(T0), "--to", to_rfc3339(T0 + HOUR))
    status, _, err = run(stored, "learn", "nas", *short)
    assert status == 2
    assert "holds too little of nas running" in err
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
