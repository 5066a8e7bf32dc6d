"""What comes and goes again and again stands until it keeps away."""

import json
from collections.abc import Iterator

import pytest

from cabinetwatch.watch.conditions.base import Recurrence
from cabinetwatch.watch.engine import Engine
from cabinetwatch.watch.events import Reading
from tests.watch.scene import MINUTE, SECOND, Scene, make_config, moves

HOUR = 60 * MINUTE
DAY = 24 * HOUR
ALONE = '[sensors.switch-air]\ntopic = "s"\nquantity = "temperature"\nhigh = 55.0\n'
WELL = {"hall": 21.0, "nas-air": 38.0, "nas-power": 40.0, "nas-fan": 1200.0, "switch-air": 35.0}
BATTERY_S = (15, 100, 220, 40, 130, 15, 180, 75, 220, 95)
"""The gaps of a battery node that speaks when it likes."""


# -- by itself --------------------------------------------------------------------------------


def visits(
    recurrence: Recurrence, times: int, every_ms: int, from_t: int = 0, *, is_slight: bool = True
) -> int:
    """So many visits of two hours; give the number of times that an alarm without delays comes."""
    told, stands, away_t = 0, False, None
    for t in range(from_t, from_t + times * every_ms, HOUR):
        is_there = (t - from_t) % every_ms < 2 * HOUR
        away_t = None if is_there else away_t or t
        if is_there and not is_slight:
            recurrence.forget()
        if stands:
            recurrence.follow(away_t)
        elif is_there:
            told, stands = told + 1, True
            recurrence.raised(t)
        held_ms = 1000 * recurrence.keeps_away_s if recurrence.is_held else 0
        if stands and away_t is not None and t - away_t >= held_ms:
            stands = False
            recurrence.returned(away_t)
    return told


def test_what_comes_every_day_is_told_until_it_is_held() -> None:
    assert visits(Recurrence(2, 36.0), 30, DAY) == 3
    assert visits(Recurrence(1, 24.0), 30, 12 * HOUR) == 2


def test_what_comes_once_a_week_is_told_every_time() -> None:
    assert visits(Recurrence(2, 36.0), 6, 7 * DAY) == 6


def test_what_is_too_much_for_dust_is_told_every_time() -> None:
    assert visits(Recurrence(2, 36.0), 30, 12 * HOUR, is_slight=False) == 30


def test_without_a_bound_nothing_is_held() -> None:
    assert visits(Recurrence(float("inf"), 24.0), 30, 12 * HOUR) == 30


def test_its_state_goes_on_as_saved() -> None:
    whole, broken = Recurrence(2, 36.0), Recurrence(2, 36.0)
    visits(whole, 2, DAY)
    visits(whole, 1, DAY, from_t=2 * DAY)
    visits(broken, 2, DAY)
    again = Recurrence(2, 36.0)
    again.load(json.loads(json.dumps(broken.save())))
    visits(again, 1, DAY, from_t=2 * DAY)
    assert again.save() == whole.save()
    old = Recurrence(2, 36.0)
    old.load({"held": True, "there": False, "raises": 3, "last": 7})
    assert old.is_held


# -- as an alarm ------------------------------------------------------------------------------


def day_of(scene: Scene, gaps_s: Iterator[int], ms: int = DAY) -> None:
    """Let a day pass in which the sensor speaks when it likes."""
    end = scene.t + ms
    while scene.t < end:
        scene.reads("switch-air", WELL["switch-air"])
        scene.passes(next(gaps_s) * SECOND)


def again_and_again(gaps_s: tuple[int, ...]) -> Iterator[int]:
    while True:
        yield from gaps_s


@pytest.mark.parametrize("gaps_s", [BATTERY_S, (10,) * 100 + (900,), (10,) * 300 + (200,)])
def test_a_node_that_comes_and_goes_for_a_day_is_told_three_times(gaps_s: tuple[int, ...]) -> None:
    scene = Scene(make_config(ALONE))
    day_of(scene, again_and_again(gaps_s))
    told = [each for each in scene.told if each.condition == "silent"]
    assert 1 <= len(told) <= 3
    assert {each.condition for each in scene.told} == {"silent"}


def held() -> Scene:
    """A sensor that has been silent three times, and is well again."""
    scene = Scene(make_config(ALONE))
    day_of(scene, iter([10] * 30 + [300, *[10] * 60, 300, *[10] * 60, 300, *[10] * 1000]), HOUR)
    return scene


def test_a_held_alarm_says_that_its_sensor_is_well_and_comes_and_goes() -> None:
    scene = held()
    assert [each.state for each in scene.told] == ["unacknowledged", "returned", "unacknowledged"]
    alarm = scene.engine.alarms["switch-air/silent"]
    text = alarm.condition.seen()
    assert text.startswith("switch-air: heard again since 28 May ")
    assert "but it comes and goes (3 times since 28 May " in text
    assert "silent" not in text
    assert "not watched" not in text


def test_a_held_alarm_hides_nothing() -> None:
    scene = Scene()
    well = {name.replace("-", "_"): value for name, value in WELL.items()}
    there = {name: value for name, value in well.items() if name != "hall"}
    for _ in range(2):
        scene.lives(5 * MINUTE, **well)
        scene.lives(5 * MINUTE, **there)
    scene.lives(10 * MINUTE, **well)
    alarm = scene.engine.alarms["nas/ambient-lost"]
    assert alarm.active
    assert not alarm.stands
    assert "the sensor of the surrounding air is back since" in alarm.condition.seen()
    scene.lives(20 * MINUTE, **well | {"switch_air": 48.0})
    assert ("switch", "over-rise", "normal", "unacknowledged") in moves(scene.told)


def test_a_held_alarm_is_over_when_it_has_kept_away_for_a_day_and_is_new_then() -> None:
    scene = held()
    heard_t = scene.engine.alarms["switch-air/silent"].condition.recurrence.away_t
    assert heard_t is not None
    before = len(scene.told)
    day_of(scene, again_and_again((10,)), DAY)
    (over,) = scene.told[before:]
    assert over.is_return
    assert over.t == heard_t + DAY
    day_of(scene, iter([300, *[10] * 300]), HOUR // 2)
    assert [each.state for each in scene.told[-2:]] == ["unacknowledged", "returned"]


def test_a_held_alarm_goes_on_as_saved_and_a_state_of_before_knows_of_no_hold() -> None:
    scene = held()
    saved = json.loads(json.dumps(scene.engine.save()))
    engine = Engine(scene.engine.config)
    engine.load(saved)
    assert json.loads(json.dumps(engine.save())) == saved
    assert engine.alarms["switch-air/silent"].condition.recurrence.is_held
    assert engine.alarms["switch-air/silent"].condition.seen() == (
        scene.engine.alarms["switch-air/silent"].condition.seen()
    )
    for alarm in saved["alarms"].values():
        del alarm["recurrence"], alarm["released_t"]
    engine = Engine(scene.engine.config)
    engine.load(saved)
    assert not engine.alarms["switch-air/silent"].condition.recurrence.is_held


def test_a_replay_of_it_tells_the_same() -> None:
    scene = held()
    engine, told = Engine(scene.engine.config), []
    for item in scene.inputs:
        told += engine.observe(item) if isinstance(item, Reading) else engine.tell(item)
    told += engine.advance(scene.t)
    assert [each.public() for each in told] == [each.public() for each in scene.told]


def test_who_wants_to_be_told_each_time_is() -> None:
    scene = Scene(make_config(extra="[alarms.high]\nhold_h = 0\n"))
    well = {name.replace("-", "_"): value for name, value in WELL.items()}
    for _ in range(3):
        scene.lives(10 * MINUTE, **well | {"switch_air": 60.0})
        scene.lives(10 * MINUTE, **well)
    assert [each.state for each in scene.told if each.condition == "high"] == [
        *("unacknowledged", "returned") * 3
    ]


@pytest.mark.parametrize(
    ("subject", "condition", "bad"),
    [("switch-air", "high", 60.0), ("switch-air", "implausible", -127.0)],
)
def test_every_condition_of_a_sensor_is_held(subject: str, condition: str, bad: float) -> None:
    scene = Scene()
    well = {name.replace("-", "_"): value for name, value in WELL.items()}
    for _ in range(6):
        scene.lives(10 * MINUTE, **well)
        scene.lives(10 * MINUTE, **well | {subject.replace("-", "_"): bad})
    scene.lives(20 * MINUTE, **well)
    told = [each for each in scene.told if (each.subject, each.condition) == (subject, condition)]
    states = [each.state for each in told if each.state != "suppressed"]
    assert len(states) <= 3
    alarm = scene.engine.alarms[f"{subject}/{condition}"]
    assert alarm.active
    assert alarm.condition.over in alarm.condition.seen()
