"""What a device stored while its fan stood comes out when it turns again: no cabinet's fault."""

import random

from cabinetwatch.watch.engine import Engine
from cabinetwatch.watch.events import Entry, EntryKind, Quality, Reading, Transition
from tests.watch.world import HOUR, SECOND, T0, make_config, of, raised

EVERY_S = 60
ADDED = """
[sensors.cabinet-air]
topic = "cabinet/air/temperature"
interval_s = 60
quantity = "temperature"

[devices.cabinet]
name = "cabinet"
temperature = "cabinet-air"
ambient = "hall"
normal_rise_k = 5.0
time_constant_s = 600.0

[devices.nas]
name = "NAS"
temperature = "nas-air"
ambient = "cabinet-air"
power = "nas-power"
normal_rise_k = 10.0
normal_power_w = 40.0
time_constant_s = 900.0
"""
SENSORS = """
[sensors.hall]
topic = "house/hall/temperature"
interval_s = 60
quantity = "temperature"

[sensors.nas-air]
topic = "cabinet/nas/temperature"
interval_s = 60
quantity = "temperature"

[sensors.nas-power]
topic = "cabinet/nas/power"
interval_s = 60
quantity = "power"
"""
NAS_J_PER_K, CABINET_J_PER_K = 3600.0, 4800.0
NAS_K_PER_W, CABINET_K_PER_W = 0.25, 0.125


class Cabinet:
    """A NAS that gives its heat to the cabinet's air, and that to the hall; figures invented."""

    def __init__(self) -> None:
        self.engine = Engine(make_config(SENSORS, ADDED))
        self.told: list[Transition] = []
        self.nas_k_per_w, self.cabinet_k_per_w = NAS_K_PER_W, CABINET_K_PER_W
        self._cabinet_c, self._nas_c = 25.0, 35.0
        self._t = T0
        self._random = random.Random(5)
        for kind, data in (
            (EntryKind.START, {"offset_ms": 0, "boot_ms": T0 - HOUR}),
            (EntryKind.CONNECT, {"session_present": False}),
        ):
            self.engine.tell(Entry(T0, kind, data))

    def lives(self, ms: int) -> list[Transition]:
        told: list[Transition] = []
        for _ in range(ms // (EVERY_S * SECOND)):
            self._t += EVERY_S * SECOND
            heat_w = (self._nas_c - self._cabinet_c) / self.nas_k_per_w
            out_w = (self._cabinet_c - 20.0) / self.cabinet_k_per_w
            self._nas_c += EVERY_S * (40.0 - heat_w) / NAS_J_PER_K
            self._cabinet_c += EVERY_S * (heat_w - out_w) / CABINET_J_PER_K
            for sensor, true in (
                ("hall", 20.0),
                ("cabinet-air", self._cabinet_c),
                ("nas-air", self._nas_c),
                ("nas-power", 40.0),
            ):
                value = round(true + self._random.gauss(0.0, 0.04), 2)
                told += self.engine.observe(Reading(sensor, self._t, value, Quality.LIVE))
        self.told += told
        return told


def test_it_is_told_as_a_loss_of_the_device_and_not_of_the_cabinet() -> None:
    cabinet = Cabinet()
    assert cabinet.lives(6 * HOUR) == []
    cabinet.nas_k_per_w *= 2.0
    assert raised(cabinet.lives(5 * HOUR)) == {("nas", "cooling-loss")}
    cabinet.nas_k_per_w /= 2.0
    told = of(cabinet.lives(6 * HOUR), "cooling-loss")
    assert [(each.subject, each.is_return) for each in told] == [("nas", True)]


def test_a_cabinet_that_is_blocked_meanwhile_is_told() -> None:
    cabinet = Cabinet()
    cabinet.lives(6 * HOUR)
    cabinet.nas_k_per_w *= 2.0
    cabinet.lives(5 * HOUR)
    cabinet.cabinet_k_per_w *= 2.0
    assert ("cabinet", "cooling-loss") in raised(cabinet.lives(HOUR))
    cabinet.nas_k_per_w /= 2.0
    told = cabinet.lives(3 * HOUR)
    assert ("cabinet", True) not in [(each.subject, each.is_return) for each in told]
