"""learn: not while the device is too warm; somebody who has seen every fan turn is believed."""

import json

import pytest

from cabinetwatch.notify.mail import learning_words
from cabinetwatch.text import to_rfc3339
from cabinetwatch.watch.engine import Engine
from cabinetwatch.watch.events import EntryKind, Reading
from tests.watch.world import HOUR, World, make_config, settled

NAS = {"command": "learn", "device": "nas"}
LEARNT: dict[str, object] = {
    "stage": "frozen",
    "since": "2026-06-01T12:00:00.000Z",
    "loads_w": None,
    "remarks": [],
}


@pytest.fixture
def world() -> World:
    world = settled()
    assert world.told == []
    return world


def asked(world: World, **command: object) -> tuple[bool, str]:
    world.tells(EntryKind.COMMAND, **NAS, **command)
    answer = world.engine.answer
    assert answer is not None
    return answer.ok, answer.text


def verified(engine: Engine) -> object:
    return engine.device_figures()["nas"]["learning"]["verified"]


def test_a_loss_is_not_learnt_as_normal_unless_somebody_insists(world: World) -> None:
    world.resistance *= 2.0
    world.lives(HOUR)
    normal = world.engine.model.devices["nas"].observer.figures
    for command in ({}, {"verified": True, "by": "ann"}):
        ok, text = asked(world, **command)
        assert not ok
        assert text.startswith('"NAS: losing its cooling" is active')
        assert "--anyway" in text
        assert "\n" not in text
    assert world.engine.model.devices["nas"].observer.figures is normal
    assert asked(world, anyway=True)[0]
    assert world.engine.model.devices["nas"].observer.figures is None


def test_somebody_who_saw_every_fan_turn_is_on_record_until_it_is_learnt_anew(
    world: World,
) -> None:
    assert verified(world.engine) is None
    assert asked(world, verified=True, by="ann") == (
        True,
        "NAS is verified: every fan was seen turning.",
    )
    at = to_rfc3339(world.t)
    assert verified(world.engine) == at

    saved = json.loads(json.dumps(world.engine.save()))
    again = Engine(make_config())
    again.load(saved)
    assert verified(again) == at
    replayed = Engine(make_config())
    for item in world.inputs:
        _ = replayed.observe(item) if isinstance(item, Reading) else replayed.tell(item)
    assert verified(replayed) == at
    del saved["devices"]["nas"]["verified_t"]
    before = Engine(make_config())
    before.load(saved)
    assert verified(before) is None

    assert asked(world)[0]
    assert verified(world.engine) is None


def test_what_is_verified_is_no_longer_said_to_need_it() -> None:
    learning = LEARNT | {"confidence": "good"}
    unverified = learning_words(learning | {"verified": None}, "Europe/Dublin")
    assert "not verified until somebody has checked that every fan is turning" in unverified
    words = learning_words(learning | {"verified": "2026-06-02T08:30:00.000Z"}, "Europe/Dublin")
    assert "not verified" not in words
    assert "every fan was seen turning on 2 Jun 2026 09:30" in words
