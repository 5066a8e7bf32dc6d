"""status and alarms: what is on first, as it is now; old figures called old; 80 columns."""

import re
from collections.abc import Iterator
from contextlib import contextmanager
from copy import deepcopy
from functools import cache
from pathlib import Path

import pytest

from cabinetwatch.cli import look
from cabinetwatch.report.words import short_time
from cabinetwatch.store.place import WriterLock
from cabinetwatch.text import plain
from cabinetwatch.watch.conditions import load_config
from cabinetwatch.watch.events import EntryKind
from tests.cli.recorded_day import keep, run, write_config
from tests.support.hand_clock import HandClock
from tests.watch.world import COMMISSIONED, HOUR, HOUSE, MINUTE, World, make_config

SUMMER = HOUSE.replace("[site]", '[site]\ntimezone = "Europe/Dublin"') + COMMISSIONED
LONG = (
    SUMMER.replace('"NAS"', '"Network storage on the lowest shelf, left of the meter cupboard"')
    .replace(
        'topic = "house',
        'name = "Hall, behind the coats, at the height of the switch"\ntopic = "house',
    )
    .replace(
        '"under-stairs cabinet"', '"The cabinet under the stairs of the third house in the terrace"'
    )
)


def made(text: str = LONG, *, warm: bool = False) -> World:
    """A house that has lived for an hour, and perhaps another in which the NAS gets too warm."""
    return deepcopy(_lived(text, warm))


@cache
def _lived(text: str, warm: bool) -> World:
    world = made(text) if warm else World(make_config(text), every_s=30)
    if warm:
        # Hotter and hotter after its alarms were raised.
        world.resistance = 1.4
    world.lives(HOUR)
    return world


def loses_its_broker(world: World) -> None:
    world.tells(EntryKind.DISCONNECT, reason="nobody listens there")
    world.t += 5 * MINUTE
    world.told += world.engine.advance(world.t)


@contextmanager
def watched(
    folder: Path, world: World, monkeypatch: pytest.MonkeyPatch, text: str = LONG
) -> Iterator[Path]:
    """Give the configuration of a world's watch, which runs, at the world's own instant."""
    clock = HandClock(world.t)
    clock.stand_still()
    monkeypatch.setattr(look, "SystemClock", lambda: clock)
    path = write_config(folder, text)
    keep(path, world)
    with WriterLock(load_config(path).store_path(), watch=True):
        yield path


def shown(path: Path, command: str) -> str:
    """Give what a command shows: no wider than 80 columns, and with the zone said once."""
    out = run(path, command)[1]
    # A command to copy is not broken; that of a usual place is short.
    lines = [each for each in out.splitlines() if "--config" not in each]
    assert max(map(len, lines)) <= 80, max(lines, key=len)
    assert len(re.findall(r"\bIST\b", out)) == 1
    assert "UTC" not in out
    return out


def flowing(out: str) -> str:
    return " ".join(out.split())


@pytest.mark.parametrize("command", ["status", "alarms"])
def test_what_is_on_is_said_as_it_is_now_with_what_to_do(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, command: str
) -> None:
    world = made(warm=True)
    account = world.engine.accounts()[0]
    with watched(tmp_path, world, monkeypatch) as path:
        out = flowing(shown(path, command))
    assert flowing(f"{account.headline} {account.now} Since:") in out
    assert flowing(f"What to do: {account.response}") in out
    assert f"cabinetwatch ack {account.id}" in out
    for each in world.told:
        if each.is_raise:
            # The sentence of the raise was true then.
            assert flowing(each.text) not in out


@pytest.mark.parametrize(("command", "urgency"), [("status", "high"), ("alarms", "low")])
def test_without_its_broker_it_says_so_first_and_calls_old_what_is_old(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, command: str, urgency: str
) -> None:
    text = f'{LONG}[alarms.broker-lost]\npriority = "{urgency}"\n'
    world = made(text, warm=True)
    account = world.engine.accounts()[0]
    heard = short_time(world.t, "Europe/Dublin", "%H:%M")
    loses_its_broker(world)
    (lost,) = (each for each in world.engine.accounts() if each.id != account.id)
    (of_nas,) = (each for each in world.engine.accounts() if each.id == account.id)
    with watched(tmp_path, world, monkeypatch, text) as path:
        out = flowing(shown(path, command))
    places = ("NO CONNECTION TO THE BROKER", f"from {heard}", lost.headline, of_nas.headline)
    assert sorted(places, key=out.index) == list(places)
    assert flowing(f"{lost.headline} {lost.now}") in out
    assert flowing(f"Last known, {heard}: {of_nas.now}") in out
    assert command == "alarms" or f"Last known, {heard}: Device" in out


def test_a_sensor_of_a_device_has_a_line_of_its_own_once_it_is_dead(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    world = made()
    world.dead.add("nas-air")
    world.lives(HOUR)
    with watched(tmp_path, world, monkeypatch) as path:
        out = shown(path, "status")
    states = out[out.index("Last heard") :]
    assert re.search(r"^nas-air .* silent +1 h ago$", plain(states), re.MULTILINE), states
    assert "nas-power" not in states


def test_who_acknowledges_what_there_is_not_hears_of_the_incidents_there_are(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    world = made()
    world.resistance = 3.0
    world.lives(6 * HOUR)
    (account,) = world.engine.accounts()
    assert len(account.alarms) > 1
    with watched(tmp_path, world, monkeypatch) as path:
        status, _, err = run(path, "ack", "nothing")
    assert status == 2
    assert err.strip().endswith(f"the ID 'nothing'; active: {account.id}")


def test_a_watch_that_is_not_running_leaves_no_time_and_nothing_of_now(tmp_path: Path) -> None:
    world = made(warm=True)
    account = world.engine.accounts()[0]
    path = write_config(tmp_path, LONG)
    keep(path, world)
    out = flowing(run(path, "status")[1])
    assert "THE WATCH IS NOT RUNNING. Nothing is being watched" in out
    assert re.search(rf"Last known, [^:]*\d\d:\d\d: {re.escape(flowing(account.now))}", out)
    assert "Time left" not in out


def test_a_site_that_is_well_has_a_short_status_and_no_history(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with watched(tmp_path, made(SUMMER), monkeypatch, SUMMER) as path:
        status, out, _ = run(path, "status")
        assert shown(path, "alarms").splitlines()[-1] == "No alarms so far."
    assert status == 0
    assert out.splitlines()[1] == "All is well."
    assert len(out.splitlines()) < 16


def test_what_several_incidents_have_in_common_is_said_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    limits = LONG.replace('"temperature"\n', '"temperature"\nhigh = 15.0\n')
    world = made(limits)
    hall, nas = world.engine.accounts()
    assert hall.response == nas.response
    with watched(tmp_path, world, monkeypatch, limits) as path:
        out = flowing(shown(path, "status"))
    assert out.count(flowing(hall.response)) == 1
    assert "What to do: as above" in out


def test_what_is_over_and_what_is_hidden_take_a_line_each(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    limits = LONG.replace('"temperature"\n', '"temperature"\nhigh = 22.0\n')
    world = made(limits)
    for hall_c in (30.0, 20.0):
        world.hall_c = hall_c
        world.lives(HOUR)
    account = next(each for each in world.engine.accounts() if each.is_over)
    world.tells(EntryKind.COMMAND, command="service-out", subject="nas-air", reason="new probe")
    with watched(tmp_path, world, monkeypatch, limits) as path:
        for command in ("status", "alarms"):
            out = flowing(shown(path, command))
            assert flowing(account.headline) in out
            assert flowing(account.now) not in out
            assert account.id in out
            assert "sensor nas-air is out of service" in out


def test_a_history_is_of_local_time_while_json_has_utc(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    world = made(warm=True)
    first = world.told[0]
    with watched(tmp_path, world, monkeypatch) as path:
        out, told = shown(path, "alarms"), run(path, "alarms", "--json")[1]
    assert short_time(first.utc_ms, "Europe/Dublin", "%Y-%m-%d %H:%M:%S") in out
    assert first.public()["time"] in told
