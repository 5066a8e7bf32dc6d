"""A trial of a change of cooling: what it may raise is suppressed, what it must not is urged."""

import json
from typing import Any

import pytest

from cabinetwatch.store.replay import Replayer
from cabinetwatch.watch.engine import Engine
from cabinetwatch.watch.events import AlarmState, EntryKind, Transition
from tests.watch.world import COMMISSIONED, HOUR, HOUSE, MINUTE, World, make_config, settled

LIMITS = "max_rise_k = 12.0\n"


def _world(limits: str = LIMITS) -> World:
    return settled(HOUSE + COMMISSIONED + limits, HOUR)


def _do(world: World, command: str, **data: Any) -> str:
    """Let somebody order something; it must be done."""
    world.tells(EntryKind.COMMAND, command=command, trial="slow-fan", **data)
    answer = world.engine.answer
    assert answer is not None
    assert answer.ok, answer.text
    return answer.text


def _refused(world: World, command: str, **data: Any) -> str:
    world.tells(EntryKind.COMMAND, command=command, **data)
    answer = world.engine.answer
    assert answer is not None
    assert not answer.ok
    return answer.text


def _begin(world: World, *phases: str) -> None:
    _do(world, "trial-begin", device="nas", change="the fan at 7 V")
    for phase in phases:
        _do(world, "trial-phase", phase=phase)
        world.lives(5 * MINUTE)


def _seen(told: list[Transition]) -> set[str]:
    return {each.condition for each in told if each.state is AlarmState.UNACKNOWLEDGED}


def _hidden(told: list[Transition]) -> set[str]:
    return {each.condition for each in told if each.state is AlarmState.SUPPRESSED}


def test_in_the_before_phase_nothing_is_suppressed() -> None:
    world = _world()
    _begin(world, "before")
    world.resistance *= 1.6
    assert "cooling-loss" in _seen(world.lives(2 * HOUR))


def test_after_the_change_what_it_raises_by_itself_is_hidden_and_told_once_the_trial_ends() -> None:
    world = _world()
    _begin(world, "before", "change", "after")
    world.resistance *= 1.6
    told = world.lives(2 * HOUR)
    assert _seen(told) == set()
    assert _hidden(told) == {"cooling-loss", "over-rise"}
    assert all("during the trial slow-fan" in each.text for each in told)
    begun = len(world.told)
    _do(world, "trial-end")
    assert _seen(world.told[begun:]) == {"cooling-loss"}
    again = list(Replayer(Engine(world.engine.config)).run(world.inputs))
    assert [each.public() for each in again] == [each.public() for each in world.told]


def test_over_derating_is_told_and_says_to_undo_the_change() -> None:
    world = _world()
    _begin(world, "before", "change", "after")
    world.hall_c, world.resistance = 38.0, 1.2
    told = [each for each in world.lives(2 * HOUR) if each.state is AlarmState.UNACKNOWLEDGED]
    by_condition = {each.condition: each for each in told}
    assert set(by_condition) >= {"over-derating", "derating-forecast"}
    for condition in ("over-derating", "derating-forecast"):
        text = by_condition[condition].text
        assert "undo the change of the trial slow-fan (the fan at 7 V)" in text
        assert by_condition[condition].response.startswith("Undo the change of the trial")


def test_hot_day_is_told_although_the_cooling_loss_that_hides_it_is_suppressed() -> None:
    world = _world()
    _begin(world, "before", "change", "after")
    world.resistance = 0.9
    told = world.lives(2 * HOUR)
    assert "cooling-loss" in _hidden(told)
    assert "hot-day" in _seen(told)


def test_only_the_device_on_trial_is_hidden() -> None:
    two = HOUSE + COMMISSIONED + "[devices.twin]\n" + HOUSE.split("[devices.nas]\n")[1]
    world = settled(two + COMMISSIONED, HOUR)
    _begin(world, "before", "change", "after")
    world.resistance *= 1.6
    told = world.lives(2 * HOUR)
    seen = [each for each in told if each.state is AlarmState.UNACKNOWLEDGED]
    assert {each.subject for each in seen} == {"twin"}


def test_a_trial_survives_a_restart_of_the_engine() -> None:
    world = _world()
    _begin(world, "before", "change", "after")
    restarted = Engine(world.engine.config)
    restarted.load(json.loads(json.dumps(world.engine.save())))
    trial = restarted.trials.trials["slow-fan"]
    assert trial == world.engine.trials.trials["slow-fan"]
    assert trial.phase == "after"
    world.engine = restarted
    world.resistance *= 1.6
    assert _seen(world.lives(2 * HOUR)) == set()


def test_a_trial_survives_a_change_of_the_configuration() -> None:
    world = _world()
    _begin(world, "before", "change", "after")
    world.engine.configure(make_config(HOUSE + COMMISSIONED + "max_rise_k = 11.5\n"), world.t)
    world.resistance *= 1.6
    assert _seen(world.lives(2 * HOUR)) == set()


def test_phases_are_intervals_and_one_begun_anew_counts_from_then() -> None:
    world = _world()
    _begin(world, "before")
    begun_again = world.t
    _do(world, "trial-phase", phase="before")
    world.lives(10 * MINUTE)
    changed = world.t
    _do(world, "trial-phase", phase="change")
    trial = world.engine.trials.trials["slow-fan"]
    assert trial.interval("before") == (begun_again, changed)
    assert trial.interval("change") == (changed, None)
    assert trial.interval("after") is None


def test_what_cannot_be_is_refused_in_a_sentence() -> None:
    world = _world()
    begin = {"trial": "slow-fan", "device": "nas", "change": "fan"}
    assert "no device 'toaster'" in _refused(world, "trial-begin", **begin | {"device": "toaster"})
    assert "can't name" in _refused(world, "trial-begin", **begin | {"trial": "Slow fan!"})
    _begin(world)
    assert "already" in _refused(world, "trial-begin", **begin)
    assert "still open" in _refused(world, "trial-begin", **begin | {"trial": "other"})
    assert "no before phase" in _refused(world, "trial-phase", trial="slow-fan", phase="after")
    assert "no phase" in _refused(world, "trial-phase", trial="slow-fan", phase="later")
    assert "no trial 'other'" in _refused(world, "trial-phase", trial="other", phase="before")
    _do(world, "trial-end")
    assert "ended already" in _refused(world, "trial-end", trial="slow-fan")


@pytest.mark.parametrize("data", [{}, {"trial": 7, "device": [], "change": None}, {"trial": None}])
def test_nonsense_in_a_command_is_answered(data: dict[str, Any]) -> None:
    world = _world()
    for command in ("trial-begin", "trial-phase", "trial-end"):
        _refused(world, command, **data)
