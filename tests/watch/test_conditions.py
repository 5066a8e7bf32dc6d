"""What is to be known of a condition stands in its class, and nowhere else."""

import ast
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from pydantic import Field

from cabinetwatch.config import AlarmSettings
from cabinetwatch.notify.mail import build_message
from cabinetwatch.notify.plan import plan
from cabinetwatch.service.offline import teach
from cabinetwatch.store.store import Store
from cabinetwatch.text import ConfigError, plain
from cabinetwatch.watch import conditions
from cabinetwatch.watch.conditions import load_config
from cabinetwatch.watch.conditions.base import DeviceCondition, TimeToRespond, rpm
from cabinetwatch.watch.events import EntryKind, Transition
from cabinetwatch.watch.sensors import SensorView
from tests.cli.recorded_day import keep, write_config
from tests.notify.samples import EMAIL
from tests.report.test_page import page
from tests.watch.world import COMMISSIONED, DAY, HOUR, HOUSE, MINUTE, T0, World, of

PACKAGE = Path(conditions.__file__).parents[2]

PRIORITIES = {"high", "low"}
"""Words that are a priority, and a key of a sensor, more often than a condition."""

FIELDS = {
    ("drift", "watch/devices.py"),  # of a device's saved state
    ("implausible", "thermal/sensing.py"),  # attributes, named for speed
    ("stuck", "thermal/sensing.py"),
    ("implausible", "watch/sensors.py"),  # attributes that are saved and published
    ("silent", "watch/sensors.py"),
    ("stuck", "watch/sensors.py"),
}
"""Names of fields that are also those of conditions."""


def texts(path: Path) -> Iterator[str]:
    """Give all strings of a module but its docstrings."""
    tree = ast.parse(path.read_text())
    alone = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in alone:
            yield node.value


def test_no_other_module_knows_a_condition_by_its_name() -> None:
    names = {condition.name for condition in conditions.CONDITIONS} - PRIORITIES
    # In a sentence only a name that is no word of English; the margin is a figure.
    within = re.compile(rf"(?<![\w-])({'|'.join(n for n in names if '-' in n)})(?![\w-]| margin)")
    any_of_them = re.compile("|".join(names))
    known = set()
    for path in PACKAGE.rglob("*.py"):
        place = str(path.relative_to(PACKAGE))
        # The demonstration knows the watch as any program in the house does: by what it sends.
        if place.startswith(("watch/conditions/", "demo/")):
            continue
        # Parsing takes its time.
        for text in texts(path) if any_of_them.search(path.read_text()) else ():
            known |= {(name, place) for name in [text, *within.findall(text)] if name in names}
    assert known == FIELDS


def test_every_condition_says_all_that_people_read_of_it() -> None:
    for condition in conditions.CONDITIONS:
        assert condition.predicate
        assert condition.over
        assert condition.__doc__
        assert condition.response.endswith(".")


def test_the_default_priority_follows_from_the_time_to_respond() -> None:
    """Where the class leaves it open it depends on what else guards the device, and never less."""
    for condition in conditions.CONDITIONS:
        default = condition.Settings().priority
        assert default in {condition.time_to_respond.priority.value, None}, condition.name


# -- one more, with nothing but its class -----------------------------------------------------


class FanFastSettings(AlarmSettings):
    """Keys of `[alarms.fan-fast]`."""

    priority: str | None = "medium"
    on_delay_s: float = 60.0
    max_fan_rpm: float = Field(2000.0, gt=0, description="the fastest usual fan speed in 1/min")


class FanFast(DeviceCondition):
    """Raised when the fan turns faster than it ever should: something makes it."""

    name = "fan-fast"
    predicate = "running its fan too fast"
    over = "its fan at its usual speed again"
    consequence = "noise, and a fan that wears out"
    time_to_respond = TimeToRespond.DAY
    Settings = FanFastSettings
    settings: FanFastSettings
    needs = ("fan",)
    withheld_in_trial = True
    likely = "Hot air, or a fan control that has lost its sensor."
    response = "See what the fan is answering to."

    @property
    def inputs(self) -> tuple[SensorView, ...]:
        return () if self.device.fan is None else (self.device.fan,)

    def judge(self, t: int, active: bool) -> bool | None:
        fan = self.device.fan
        return None if fan is None or not fan.good else fan.value > self.settings.max_fan_rpm

    def seen(self) -> str:
        return f"{self.device.name}: its fan turns at {self._speed()}."

    def gone(self) -> str:
        return f"{self.device.name}: its fan is back to {self._speed()}."

    def _speed(self) -> str:
        return rpm(0.0 if self.device.fan is None else self.device.fan.value)

    def values(self) -> dict[str, Any]:
        return super().values() | {"max_fan_rpm": self.settings.max_fan_rpm}


WITH_FAN = HOUSE.replace('power = "nas-power"', 'power = "nas-power"\nfan = "nas-fan"')
TABLES = (
    WITH_FAN
    + COMMISSIONED
    + '[sensors.nas-fan]\ntopic = "cabinet/nas/fan"\nquantity = "fan-speed"\ninterval_s = 60\n'
    + "[alarms.fan-fast]\nmax_fan_rpm = 1500.0\n"
    + EMAIL.format(port=25, sender="watch@home.example", to='["me@home.example"]', priorities="[]")
)


@pytest.fixture
def config_file(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Path:
    """A configuration that knows the new condition."""
    monkeypatch.setattr(conditions, "CONDITIONS", (*conditions.CONDITIONS, FanFast))
    monkeypatch.setattr(conditions, "SPECS", (*conditions.SPECS, FanFast.spec()))
    tables = TABLES.replace("priorities = []", 'priorities = ["medium"]')
    return write_config(tmp_path, tables)


def turning(world: World, rpm: float, ms: int) -> list[Transition]:
    told: list[Transition] = []
    for _ in range(ms // MINUTE):
        told += world.reads("nas-fan", rpm) + world.lives(MINUTE)
    return told


def test_the_configuration_has_its_keys(config_file: Path) -> None:
    own = "[devices.nas.alarms.fan-fast]\nmax_fan_rpm = 900.0\n"
    text = config_file.read_text()
    config_file.write_text(text + own)
    assert World(load_config(config_file)).engine.alarms["nas/fan-fast"].condition.values()[
        "max_fan_rpm"
    ] == pytest.approx(900.0)
    config_file.write_text(text + own.replace("max_fan", "max_fam"))
    with pytest.raises(ConfigError, match="max_fan_rpm"):
        load_config(config_file)


def test_it_is_raised_mailed_shown_on_the_page_and_returns(config_file: Path) -> None:
    world = World(load_config(config_file))
    turning(world, 1200.0, HOUR)
    (raised,) = of(turning(world, 1800.0, 5 * MINUTE), "fan-fast")
    assert raised.is_raise
    assert plain(raised.text) == "NAS: its fan turns at 1800 rpm; for 1 min now."

    config = world.engine.config
    (notice,) = [each for each in plan([raised], config) if each.channel == "email"]
    assert config.notify.email is not None
    mail = build_message(notice, config, config.notify.email)
    body = mail.get_body(("plain",))
    assert body is not None
    assert "NAS: running its fan too fast" in mail["Subject"]
    assert "See what the fan is answering to." in body.get_content()
    assert re.search(r"Fan +1800\srpm", body.get_content())

    assert "NAS: running its fan too fast" in page(config_file.parent, world)
    assert [each.is_return for each in of(turning(world, 1200.0, HOUR), "fan-fast")] == [True]


def test_a_trial_withholds_it(config_file: Path) -> None:
    world = World(load_config(config_file))
    turning(world, 1200.0, 5 * MINUTE)
    for command in (
        {"command": "trial-begin", "device": "nas"},
        *({"command": "trial-phase", "phase": phase} for phase in ("before", "change")),
    ):
        world.tells(EntryKind.COMMAND, trial="quiet-fan", **command)
    told = of(turning(world, 1800.0, 5 * MINUTE), "fan-fast")
    assert [each.state for each in told] == ["suppressed"]


def test_a_lesson_is_not_disturbed_by_it(config_file: Path) -> None:
    slow = 'quantity = "{}"'
    text = config_file.read_text().replace(COMMISSIONED, "")
    for kind in ("temperature", "power"):
        text = text.replace(slow.format(kind), slow.format(kind) + "\ninterval_s = 60")
    config_file.write_text(text)
    world = World(load_config(config_file), every_s=60)
    for hour in range(36):
        world.power_w = (30.0, 40.0, 55.0, 35.0)[hour // 3 % 4]
        world.lives(HOUR)
    keep(config_file, world)
    config = load_config(config_file)
    with Store.open(config.store.url, read_only=True) as store:
        learnt = teach(store, config, "nas", T0, T0 + 2 * DAY)
    answer = world.tells(EntryKind.COMMAND, command="learn", device="nas", observer=learnt)
    assert answer == []
    normal = world.engine.model.devices["nas"].observer.normal
    assert normal is not None
    # The truth of the world: 0.25 K/W.
    assert normal.at(40.0) == pytest.approx(10.0, abs=1.0)
