"""What a device stored while its fan stood comes out when it turns again: no cabinet's fault."""

from tests.watch.world import HOUR, HOUSE, World, heard_every, make_config, of, raised

ADDED = """
[sensors.cabinet-air]
topic = "cabinet/air/temperature"
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
SENSORS = HOUSE.partition("[devices.nas]")[0]
NAS_J_PER_K, CABINET_J_PER_K = 3600.0, 4800.0
NAS_K_PER_W, CABINET_K_PER_W = 0.25, 0.125


class Cabinet(World):
    """A NAS that gives its heat to the cabinet's air, and that to the hall; figures invented."""

    def __init__(self) -> None:
        super().__init__(make_config(heard_every(60, SENSORS + ADDED)), seed=5, every_s=60)
        self.nas_k_per_w, self.cabinet_k_per_w = NAS_K_PER_W, CABINET_K_PER_W
        self._cabinet_c, self._nas_c = 25.0, 35.0

    def _step(self, step_s: float) -> None:
        heat_w = (self._nas_c - self._cabinet_c) / self.nas_k_per_w
        out_w = (self._cabinet_c - self.hall_c) / self.cabinet_k_per_w
        self._nas_c += step_s * (self.power_w - heat_w) / NAS_J_PER_K
        self._cabinet_c += step_s * (heat_w - out_w) / CABINET_J_PER_K

    def _values(self) -> list[tuple[str, float]]:
        true = {
            "hall": self.hall_c,
            "cabinet-air": self._cabinet_c,
            "nas-air": self._nas_c,
            "nas-power": self.power_w,
        }
        return [(name, round(at + self._random.gauss(0.0, 0.04), 2)) for name, at in true.items()]


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
