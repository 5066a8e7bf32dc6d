"""A small physical world for the conditions that ask where a device is heading.

The NAS follows hall and load through two masses: a part of its rise comes at once (the air that
leaves it), the rest through its chassis. Its own model, nothing of `thermal/`; figures invented.
"""

import copy
import json
import math
import random
from collections.abc import Callable

from cabinetwatch.config.model import Config
from cabinetwatch.watch.engine import Engine
from cabinetwatch.watch.events import Transition
from tests.watch import scene
from tests.watch.scene import UnderWay

SECOND, MINUTE = scene.SECOND, scene.MINUTE
HOUR = 60 * MINUTE
DAY = 24 * HOUR
T0 = 1_780_012_800_000
"""Midnight, some day in 2026 (watch ms)."""

QUICK_SHARE, CHASSIS_S = 0.2, 900.0
RESISTANCE_K_PER_W = 0.25

HOUSE = """
[site]
name = "under-stairs cabinet"

[sensors.hall]
topic = "house/hall/temperature"
quantity = "temperature"

[sensors.nas-air]
topic = "cabinet/nas/temperature"
quantity = "temperature"

[sensors.nas-power]
topic = "cabinet/nas/power"
quantity = "power"

[devices.nas]
name = "NAS"
temperature = "nas-air"
ambient = "hall"
power = "nas-power"
derating = [[50.0, 1.0], [70.0, 0.5]]
rated_power_w = 80.0
"""
COMMISSIONED = "normal_rise_k = 10.0\nnormal_power_w = 40.0\ntime_constant_s = 900.0\n"


def make_config(text: str = HOUSE + COMMISSIONED, extra: str = "") -> Config:
    return scene.make_config(text, extra)


def heard_every(interval_s: int, text: str) -> str:
    """Let all temperatures and powers of a configuration be promised this often only."""
    for quantity in ("temperature", "power"):
        said = f'quantity = "{quantity}"\n'
        text = text.replace(said, f"{said}interval_s = {interval_s}\n")
    return text


class World(UnderWay):
    """A house, and the engine that watches it.

    Change `hall_c`, `power_w`, `resistance`, `dead`, `says` and `own_time_lag_ms` between spans.
    """

    def __init__(self, config: Config | None = None, *, seed: int = 1, every_s: int = 30) -> None:
        super().__init__(config or make_config(), T0)
        self.every_s = every_s
        self.hall_c = 20.0
        self.swing_k = 0.0
        """Half the difference between the hall by day and by night."""
        self.power_w = 40.0
        self.resistance = RESISTANCE_K_PER_W
        self.dead: set[str] = set()
        self.says: dict[str, Callable[[float], float]] = {}
        """What a sensor makes of its true value, where it has a fault."""
        self.shift_k = 0.0
        """Added to every temperature."""
        self._random = random.Random(seed)
        self._chassis_k = (1.0 - QUICK_SHARE) * self.power_w * self.resistance
        self._felt_c = self.hall_c

    @property
    def air_c(self) -> float:
        """The hall now."""
        return self.hall_c + self.swing_k * math.sin(2 * math.pi * (self.t - T0) / DAY)

    @property
    def goal_k(self) -> float:
        """The rise that the NAS settles at if nothing changes: the truth."""
        return self.power_w * self.resistance

    @property
    def nas_c(self) -> float:
        """The NAS's warm air: the truth."""
        felt_c = QUICK_SHARE * self.air_c + (1.0 - QUICK_SHARE) * self._felt_c
        return felt_c + QUICK_SHARE * self.goal_k + self._chassis_k

    def lives(self, ms: int) -> list[Transition]:
        """Let time pass; give what is told meanwhile."""
        told: list[Transition] = []
        for _ in range(ms // (self.every_s * SECOND)):
            self.t += self.every_s * SECOND
            self._step(float(self.every_s))
            for sensor, value in self._values():
                told += self.reads(sensor, value)
        return told

    def _step(self, step_s: float) -> None:
        share = 1.0 - math.exp(-step_s / CHASSIS_S)
        # Lost cooling leaves the heat capacity as it was, so that the response slows down with it.
        slower = 1.0 - math.exp(-step_s / (CHASSIS_S * self.resistance / RESISTANCE_K_PER_W))
        self._chassis_k += slower * ((1.0 - QUICK_SHARE) * self.goal_k - self._chassis_k)
        self._felt_c += share * (self.air_c - self._felt_c)

    def _values(self) -> list[tuple[str, float]]:
        true = {
            "hall": self.air_c + self.shift_k + self._random.gauss(0.0, 0.03),
            "nas-power": max(0.0, self.power_w + self._random.gauss(0.0, 0.3)),
            "nas-air": self.nas_c + self.shift_k + self._random.gauss(0.0, 0.05),
        }
        return [
            (name, self.says.get(name, _as_measured)(value))
            for name, value in true.items()
            if name not in self.dead
        ]

    tells = UnderWay.tell


_SETTLED: dict[tuple[str, int], tuple[World, str]] = {}


def settled(text: str = HOUSE + COMMISSIONED, ms: int = 3 * HOUR) -> World:
    """Give a world in which that long nothing has happened; lived through once for all tests."""
    if (text, ms) not in _SETTLED:
        lived = World(make_config(text))
        lived.lives(ms)
        _SETTLED[text, ms] = lived, json.dumps(lived.engine.save())
    lived, state = _SETTLED[text, ms]
    world = copy.copy(lived)
    world.engine = Engine(lived.engine.config)
    world.engine.load(json.loads(state))
    world.inputs, world.told = [*lived.inputs], [*lived.told]
    world.dead, world.says = set(), {}
    world._random = copy.copy(lived._random)
    return world


def _as_measured(value: float) -> float:
    return round(value, 2)


def of(told: list[Transition], condition: str) -> list[Transition]:
    """Give the transitions of one condition."""
    return [each for each in told if each.condition == condition]


def raised(told: list[Transition]) -> set[tuple[str, str]]:
    """Give subject and condition of everything that was raised."""
    return {(each.subject, each.condition) for each in told if each.is_raise}
