"""A mail is short enough to be read on a phone, told by a real browser."""

from collections.abc import Iterator
from email.message import EmailMessage
from pathlib import Path
from typing import cast

import pytest

from cabinetwatch.notify.mail import build_message
from cabinetwatch.notify.plan import plan, plan_digest
from cabinetwatch.store.records import Notice
from cabinetwatch.watch.events import EntryKind
from tests.notify.samples import make_config
from tests.support.browser import Browser, browser
from tests.watch.scene import CABINET, MINUTE
from tests.watch.scene import make_config as make_scene
from tests.watch.test_incidents import (
    CALM,
    ENCLOSED,
    FIVE,
    Watched,
    an_evening_of_the_fan,
    climbs,
    stalled,
)

WIDTH = 390
ONE, SEVERAL = 1270, 2110
"""Pixels: what a mail about one device, or about several, may be high."""
CONFIG = make_config()


@pytest.fixture(scope="module")
def window(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    """A browser, shared by the tests."""
    with browser(tmp_path_factory.mktemp("profile")) as made:
        yield made


def notices_of(scene: Watched) -> list[Notice]:
    """Give the mails of a scene."""
    told = plan(scene.told, CONFIG)
    return [notice for notice in told if notice.channel == "email"]


def height(window: Browser, folder: Path, notice: Notice) -> int:
    """Give how high the mail is on a phone, and see that nothing sticks out."""
    assert CONFIG.notify.email is not None
    message: EmailMessage = build_message(notice, CONFIG, CONFIG.notify.email)
    body = message.get_body(("html",))
    assert body is not None
    file = folder / "mail.html"
    file.write_text(cast("str", body.get_content()), encoding="utf-8")
    window.open(file.as_uri(), width=WIDTH, height=100)
    assert window.run("return document.documentElement.scrollWidth") <= WIDTH
    found: int = window.run("return document.documentElement.scrollHeight")
    print(f"{found} px: {message['Subject']}")
    return found


def ambient_lost() -> Watched:
    scene = Watched(make_scene(FIVE))
    airs = dict.fromkeys(("ups_air", "amplifier_air", "router_air"), 30.0)
    scene.lives(10 * MINUTE, **CALM, **airs)
    without = {name: value for name, value in CALM.items() if name != "hall"}
    scene.lives(10 * MINUTE, **without, **airs)
    scene.lives(60 * MINUTE, **CALM, **airs)
    return scene


def heat_of_all() -> Watched:
    """The cabinet loses its cooling, and three devices in it get hot."""
    inside = CABINET.replace('ambient = "hall"', 'ambient = "cabinet-air"') + ENCLOSED + UPS
    scene = Watched(make_scene(inside))
    calm = CALM | {"cabinet_air": 26.0, "cabinet_fan": 1000.0, "ups_air": 34.0}
    hot = calm | {"cabinet_fan": 100.0}
    scene.lives(10 * MINUTE, **calm)
    scene.lives(3 * MINUTE, **hot)
    for kelvin in range(1, 33):
        more = {each: calm[each] + kelvin for each in ("nas_air", "ups_air", "switch_air")}
        scene.lives(MINUTE, **hot | more | {"cabinet_air": 26.0 + kelvin / 2})
    scene.lives(5 * MINUTE, **hot | {"nas_air": 72.0, "ups_air": 70.0, "switch_air": 70.0})
    return scene


UPS = """
[sensors.ups-air]
topic = "cabinet/ups/temperature"
quantity = "temperature"

[devices.ups]
name = "UPS"
temperature = "ups-air"
ambient = "cabinet-air"
derating = [[40.0, 1.0], [60.0, 0.5]]
"""


def test_a_mail_about_one_device_is_short(window: Browser, tmp_path: Path) -> None:
    scene = Watched()
    an_evening_of_the_fan(scene)
    mails = notices_of(scene)
    assert len(mails) == 3
    assert max(height(window, tmp_path, each) for each in mails) <= ONE


def test_a_mail_about_the_sensor_of_five_devices_is_not_long(
    window: Browser, tmp_path: Path
) -> None:
    mails = notices_of(ambient_lost())
    assert [len(each.transitions) for each in mails] == [5, 5]
    assert max(height(window, tmp_path, each) for each in mails) <= SEVERAL


def test_a_mail_about_the_heat_of_a_cabinet_and_three_devices_is_not_long(
    window: Browser, tmp_path: Path
) -> None:
    mails = notices_of(heat_of_all())
    assert {"cabinet", "nas", "ups"} <= {*mails[-1].accounts[0].subjects}
    assert max(height(window, tmp_path, each) for each in mails) <= SEVERAL


def a_bad_hour() -> Watched:
    """Six things go wrong, two of which are over before anybody can be told."""
    scene = Watched(make_scene(FIVE))
    airs = dict.fromkeys(("ups_air", "amplifier_air", "router_air"), 30.0)
    scene.lives(10 * MINUTE, **CALM, **airs)
    scene.lives(5 * MINUTE, **CALM, ups_air=30.0)
    scene.lives(60 * MINUTE, **CALM, **airs)
    del airs["ups_air"]
    stalled(scene, 3, **airs)
    climbs(scene, "nas_air", 36.0, 72.0, nas_fan=300.0, **airs)
    scene.tell(EntryKind.STORE, ok=False, error="no space left on device", lost=0)
    stalled(scene, 5, nas_air=72.0, switch_air=57.0, **airs)
    return scene


def test_a_digest_of_six_is_not_long(window: Browser, tmp_path: Path) -> None:
    scene = a_bad_hour()
    mails = notices_of(scene)
    digest = plan_digest(mails, CONFIG, mails[-1].t, 0)
    assert sorted(each.is_over for each in digest.accounts) == [False] * 4 + [True] * 2
    assert height(window, tmp_path, digest) <= SEVERAL
