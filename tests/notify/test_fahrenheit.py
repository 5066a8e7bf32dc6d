"""A site whose people read °F is told what its twin in °C is; programs are told the very same."""

import json
from collections.abc import Callable
from email.message import EmailMessage
from typing import Any

import pytest

from cabinetwatch.config.model import Config
from cabinetwatch.notify.mail import build_message
from cabinetwatch.notify.plan import plan
from tests.notify.test_evening import CONFIG
from tests.support.fahrenheit import in_fahrenheit, same, sentences_apart
from tests.watch.scene import MINUTE, SECOND, Scene, make_config
from tests.watch.test_condensation import DAMP
from tests.watch.test_derating_forecast import CURVE
from tests.watch.test_incidents import CALM, Watched
from tests.watch.world import COMMISSIONED, HOUR, HOUSE, World
from tests.watch.world import make_config as make_house

Told = Scene | World


def evening(config: Config) -> Told:
    """The fan of the NAS stalls, it gets too hot, and is mended; then the hall is lost."""
    scene = Watched(config)
    scene.lives(10 * MINUTE, **CALM)
    air = 36.0
    while air < 72.0:
        air += 0.5
        scene.lives(20 * SECOND, **CALM | {"nas_fan": 300.0, "nas_air": air})
    while air > 36.0:
        air -= 0.5
        scene.lives(20 * SECOND, **CALM | {"nas_air": air})
    scene.lives(30 * MINUTE, **CALM)
    scene.lives(10 * MINUTE, **{name: value for name, value in CALM.items() if name != "hall"})
    scene.lives(10 * MINUTE, **CALM)
    scene.steps("switch-air", 60.0)
    scene.lives(10 * MINUTE, **CALM | {"switch_air": 60.0})
    scene.orders("ack", id=scene.engine.alarms["switch/over-rise"].id)
    scene.lives(20 * MINUTE, **CALM)
    return scene


def lost_cooling(config: Config) -> Told:
    """A stall that is heading above the threshold, and comes back."""
    world = World(config, every_s=30)
    world.lives(3 * HOUR)
    world.resistance *= 2.5
    world.lives(2 * HOUR)
    world.resistance /= 2.5
    world.lives(3 * HOUR)
    world.resistance /= 4.0
    world.lives(2 * HOUR)
    return world


def hot_house(config: Config) -> Told:
    """Less margin than the hottest day takes, and a hall above its design ambient."""
    world = World(config, every_s=30)
    world.lives(2 * HOUR)
    world.resistance *= 2.0
    world.lives(3 * HOUR)
    world.resistance /= 2.0
    world.lives(3 * HOUR)
    return world


def wild(config: Config) -> Told:
    """Sensors that read what can't be true."""
    world = World(config, every_s=30)
    world.lives(HOUR)
    for value in (85.0, 300.0, 200.0):
        world.says = {"nas-air": lambda _, value=value: value}  # type: ignore[misc]
        world.lives(HOUR)
        world.says.clear()
        world.lives(HOUR)
    return world


def damp(config: Config) -> Told:
    """Air near its dew point, and dry again."""
    scene = Scene(config)
    scene.lives(30 * MINUTE, air=20.0, damp=90.0, switch_air=20.0)
    scene.lives(60 * MINUTE, air=20.0, damp=50.0, switch_air=20.6)
    return scene


NEAR = (HOUSE + COMMISSIONED).replace("[[50.0, 1.0], [70.0, 0.5]]", CURVE)
NO_LOSS = "[alarms.cooling-loss]\nenabled = false\n"
TIGHT = (HOUSE + COMMISSIONED).replace("[70.0, 0.5]", "[51.0, 0.5]").replace("[50.0", "[45.0")


@pytest.mark.parametrize(
    ("live", "config", "conditions"),
    [
        (evening, CONFIG, {"fan-slow", "over-derating", "over-rise", "ambient-lost"}),
        (lost_cooling, make_house(NEAR), {"cooling-loss", "derating-forecast", "rise-missing"}),
        (hot_house, make_house(TIGHT, NO_LOSS), {"hot-day"}),
        (wild, make_house(), {"implausible"}),
        (damp, make_config(DAMP), {"condensation"}),
    ],
    ids=lambda each: getattr(each, "__name__", ""),
)
def test_the_same_is_told_in_both_units(
    live: Callable[[Config], Told], config: Config, conditions: set[str]
) -> None:
    si, told = live(config), live(in_fahrenheit(config))
    figures = 0
    for one, other in zip(si.told, told.told, strict=True):
        figures += same(one.text, other.text)
        assert_same_json(one.public(), other.public())
        if one.message is not None and other.message is not None:
            accounts = one.message.account, other.message.account
            figures += same(accounts[0].now, accounts[1].now)
            assert_same_json(*(each.public() for each in accounts))
    assert {each.condition for each in si.told} >= conditions
    assert figures > 2 * len(conditions)
    assert si.engine.device_figures() == told.engine.device_figures()


def assert_same_json(si: dict[str, Any], told: dict[str, Any]) -> None:
    """Hold what programs get together: the very same, but for sentences."""
    one, other = sentences_apart(si, told)
    assert json.dumps(one) == json.dumps(other)


def test_mails_show_figures_and_sentences_in_the_unit_of_the_site() -> None:
    configs = CONFIG, in_fahrenheit(CONFIG)
    nights = [evening(config) for config in configs]
    pairs = [plan(night.told, config) for night, config in zip(nights, configs, strict=True)]
    mailed = 0
    for notices in zip(*pairs, strict=True):
        if notices[0].channel != "email":
            continue
        messages = []
        for notice, config in zip(notices, configs, strict=True):
            assert config.notify.email is not None
            messages.append(build_message(notice, config, config.notify.email))
        si, told = messages
        same(si["Subject"], told["Subject"])
        mailed += 1
        for kind in ("plain", "html"):
            one, other = (body(each, kind) for each in (si, told))
            assert same(one, other) >= (3 if "[High" in si["Subject"] else 0)
    assert mailed >= 4


def body(message: EmailMessage, kind: str) -> str:
    part = message.get_body((kind,))
    assert part is not None
    return str(part.get_content())


def test_two_sites_in_one_process_do_not_mix() -> None:
    si, told = Watched(CONFIG), Watched(in_fahrenheit(CONFIG))
    for air in range(36, 72):
        for scene in (si, told):
            scene.lives(20 * SECOND, **CALM | {"nas_fan": 300.0, "nas_air": float(air)})
    texts = [[each.text for each in scene.told] for scene in (si, told)]
    assert any("°C" in text for text in texts[0])
    assert not any("°F" in text for text in texts[0])
    for one, other in zip(*texts, strict=True):
        same(one, other)
