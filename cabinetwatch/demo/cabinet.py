"""A simulated cabinet under the stairs: devices warm its air, and its air leaks into the hall."""

import math
import random
from dataclasses import dataclass

from cabinetwatch.demo.device import SimulatedDevice

MAX_STEP_S = 5.0
"""Longest step that keeps the simulation stable: its fastest mass follows within about 8 s."""

DAY_S = 86_400.0


@dataclass(frozen=True)
class Surroundings:
    """The cupboard and the hall around it; figures invented for the demonstration."""

    hall_mean_c: float = 20.0
    hall_swing_k: float = 1.5
    """Half the difference between the warmest hour and the coldest."""
    hall_warmest_hour: float = 16.0
    hall_wander_k: float = 0.2
    """Standard deviation of the hall's slow, random wandering."""
    wander_time_s: float = 3600.0
    air_j_k: float = 1500.0
    """The air with the thin things in it."""
    wood_j_k: float = 25_000.0
    """Shelves, door and lining, which follow the air slowly."""
    air_to_wood_w_k: float = 20.0
    closed_w_k: float = 20.0
    """Leakage and walls, to the hall, with the door shut."""
    open_w_k: float = 160.0
    """The same with the door open."""
    load_wander: float = 0.01
    """Standard deviation of each device's load about its pattern, as a fraction."""
    load_wander_time_s: float = 120.0


class Cabinet:
    """The whole cabinet; `advance` lets time pass and nothing else does. Temperatures in degC.

    The same seed and the same calls give the same life. It knows no clock.
    """

    def __init__(
        self,
        devices: dict[str, SimulatedDevice],
        *,
        start_hour: float,
        seed: int,
        surroundings: Surroundings | None = None,
        dust_per_day: float = 0.0,
        step_s: float = 1.0,
    ) -> None:
        """Put a cabinet together.

        Args:
            devices: by name.
            start_hour: hour of day at which it begins, 0 to 24.
            seed: of all that is random in it.
            surroundings: cupboard and hall.
            dust_per_day: fraction of the remaining air flow that dust takes each day.
            step_s: longest step of the simulation.

        Raises:
            ValueError: the step would not be stable.
        """
        if not 0 < step_s <= MAX_STEP_S:
            raise ValueError(f"step_s must lie above 0 and at most at {MAX_STEP_S}, not {step_s}")
        self.devices = devices
        self.surroundings = surroundings or Surroundings()
        self.door_open = False
        self.elapsed_s = 0.0
        self._start_s = start_hour * 3600.0
        self._step_s = step_s
        self._dust_per_day = dust_per_day
        self._random = random.Random(seed)  # noqa: S311 - noise, not secrets
        self._wander_k = 0.0
        self._load_wander = dict.fromkeys(devices, 0.0)
        self.air_c = self.hall_c
        self.wood_c = self.hall_c

    @property
    def hour(self) -> float:
        """Hour of day, 0 to 24."""
        return (self._start_s + self.elapsed_s) % DAY_S / 3600.0

    @property
    def hall_c(self) -> float:
        """The air outside: day and night, and a slow wandering."""
        around = self.surroundings
        phase = 2 * math.pi * (self.hour - around.hall_warmest_hour) / 24
        return around.hall_mean_c + around.hall_swing_k * math.cos(phase) + self._wander_k

    @property
    def to_hall_w_k(self) -> float:
        """Conductance from the cabinet's air to the hall, by the door."""
        return self.surroundings.open_w_k if self.door_open else self.surroundings.closed_w_k

    def advance(self, seconds: float) -> None:
        """Let `seconds` pass, in equal steps no longer than the simulation's.

        Raises:
            ValueError: negative or not finite.
        """
        if not (math.isfinite(seconds) and seconds >= 0):
            raise ValueError(f"time can pass by 0 s or more, not by {seconds}")
        self._advance(seconds, self._step_s)

    def settle(self, hours: float = 12.0) -> None:
        """Bring every temperature near where it would be had the cabinet run for long.

        The hour of day stays where it is; dust does not gather.
        """
        begun_s, self.elapsed_s = self.elapsed_s, self.elapsed_s - hours * 3600.0
        dust_per_day, self._dust_per_day = self._dust_per_day, 0.0
        self._advance(hours * 3600.0, MAX_STEP_S)
        self.elapsed_s, self._dust_per_day = begun_s, dust_per_day

    def _advance(self, seconds: float, longest_step_s: float) -> None:
        steps = math.ceil(seconds / longest_step_s)
        for _ in range(steps):
            self._step(seconds / steps)

    def _step(self, step_s: float) -> None:
        self._wander(step_s)
        hour, air_c, heat_w = self.hour, self.air_c, 0.0
        for name, device in self.devices.items():
            heat_w += device.step(step_s, hour, air_c, 1.0 + self._load_wander[name])
            device.dust += (1 - device.dust) * self._dust_per_day * step_s / DAY_S
        to_wood_w = self.surroundings.air_to_wood_w_k * (air_c - self.wood_c)
        to_hall_w = self.to_hall_w_k * (air_c - self.hall_c)
        self.air_c += step_s * (heat_w - to_wood_w - to_hall_w) / self.surroundings.air_j_k
        self.wood_c += step_s * to_wood_w / self.surroundings.wood_j_k
        self.elapsed_s += step_s

    def _wander(self, step_s: float) -> None:
        """Let hall and loads wander: a first-order process keeps each near its mean."""
        around = self.surroundings
        self._wander_k = self._wandered(
            self._wander_k, around.hall_wander_k, step_s / around.wander_time_s
        )
        for name, value in self._load_wander.items():
            self._load_wander[name] = self._wandered(
                value, around.load_wander, step_s / around.load_wander_time_s
            )

    def _wandered(self, value: float, deviation: float, step: float) -> float:
        kept = math.exp(-step)
        return value * kept + deviation * math.sqrt(1 - kept * kept) * self._random.gauss(0, 1)
