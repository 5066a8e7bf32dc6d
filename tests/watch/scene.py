"""A small cabinet for the engine's tests, and a hand on its inputs."""

from pathlib import Path
from typing import Any

from cabinetwatch import config as configuration
from cabinetwatch.config.model import Config
from cabinetwatch.watch.conditions import SPECS
from cabinetwatch.watch.engine import Engine
from cabinetwatch.watch.events import Entry, EntryKind, Quality, Reading, Transition

SECOND = 1000
MINUTE = 60 * SECOND
T0 = 1_780_000_000_000
"""Where the scenes begin (watch ms): some day in 2026."""

CABINET = """
[site]
name = "under-stairs cabinet"

# What is here made to jump from level to level says nothing of where a device is heading.
[alarms.cooling-loss]
enabled = false
[alarms.rise-missing]
enabled = false
[alarms.derating-forecast]
enabled = false
[alarms.hot-day]
enabled = false

[sensors.hall]
topic = "house/hall/temperature"
quantity = "temperature"

[sensors.nas-air]
topic = "cabinet/nas/temperature"
quantity = "temperature"

[sensors.nas-power]
topic = "cabinet/nas/power"
quantity = "power"

[sensors.nas-fan]
topic = "cabinet/nas/fan"
quantity = "fan-speed"

[sensors.switch-air]
topic = "cabinet/switch/temperature"
quantity = "temperature"
high = 55.0

[devices.nas]
name = "NAS"
temperature = "nas-air"
ambient = "hall"
power = "nas-power"
fan = "nas-fan"
derating = [[50.0, 1.0], [70.0, 0.5]]
rated_power_w = 80.0
max_rise_k = 25.0
min_fan_rpm = 900.0
time_constant_s = 600.0

[devices.switch]
name = "PoE switch"
temperature = "switch-air"
ambient = "hall"
max_rise_k = 20.0
"""


def make_config(text: str = CABINET, extra: str = "") -> Config:
    """Parse a configuration with the engine's own conditions."""
    return configuration.parse(text + extra, Path("/nowhere/config.toml"), SPECS)


class UnderWay:
    """An engine under way, and everything that it was told and has told."""

    def __init__(self, config: Config, t: int) -> None:
        self.engine = Engine(config)
        self.t = t
        self.told: list[Transition] = []
        self.inputs: list[Reading | Entry] = []
        self.tell(EntryKind.START, offset_ms=0, boot_ms=t - 3_600_000, ran_until_ms=None)
        self.tell(EntryKind.CONNECT, session_present=False)

    def tell(self, kind: EntryKind, **data: Any) -> list[Transition]:
        """Tell the engine a journal entry now."""
        return self._input(Entry(self.t, kind, data))

    def reads(
        self, sensor: str, value: float, quality: Quality = Quality.LIVE, at: int | None = None
    ) -> list[Transition]:
        """Let a sensor read a value now, or at another instant."""
        return self._input(Reading(sensor, self.t if at is None else at, value, quality))

    def _input(self, item: Reading | Entry) -> list[Transition]:
        self.inputs.append(item)
        engine = self.engine
        told = engine.observe(item) if isinstance(item, Reading) else engine.tell(item)
        self.told += told
        return told


class Scene(UnderWay):
    """The small cabinet, or another configuration, with a hand on its inputs."""

    def __init__(self, config: Config | None = None) -> None:
        super().__init__(config or make_config(), T0)

    def steps(self, sensor: str, value: float) -> list[Transition]:
        """Let a sensor jump far: only the readings that follow confirm the first."""
        told: list[Transition] = []
        for _ in range(3):
            self.t += 10 * SECOND
            told += self.reads(sensor, value)
        return told

    def passes(self, ms: int) -> list[Transition]:
        """Let time pass with nothing heard."""
        self.t += ms
        told = self.engine.advance(self.t)
        self.told += told
        return told

    def lives(self, ms: int, **values: float) -> list[Transition]:
        """Let time pass while sensors read these values every ten seconds (`_` for `-`)."""
        told: list[Transition] = []
        end = self.t + ms
        while self.t < end:
            self.t += 10 * SECOND
            for sensor, value in values.items():
                told += self.reads(sensor.replace("_", "-"), value)
        return told

    def orders(self, command: str, **data: Any) -> list[Transition]:
        """Carry out a person's command."""
        return self.tell(EntryKind.COMMAND, command=command, **data)


def moves(transitions: list[Transition]) -> list[tuple[str, str, str, str]]:
    """Give subject, condition, previous and new state of each transition."""
    return [(t.subject, t.condition, t.previous.value, t.state.value) for t in transitions]
