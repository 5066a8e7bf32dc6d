"""Short made-up records for the tests: a first-order device in a room."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from math import exp

Course = Callable[[float], float]


@dataclass
class Scene:
    """A device of one time constant; `loss` multiplies resistance, heat capacity stays."""

    tau_s: float = 900.0
    normal_rise_k: float = 12.0
    normal_power_w: float = 40.0
    noise_k: float = 0.05
    step_k: float = 0.0625
    interval_s: float = 10.0
    seed: int = 1
    ambient_c: Course = lambda _t: 20.0
    power_w: Course = lambda _t: 40.0
    loss: Course = lambda _t: 1.0

    def readings(self, duration_s: float) -> Iterator[tuple[int, float, float, float]]:
        """(time ms, temperature, ambient, power), from the steady state at the start."""
        noise = random.Random(self.seed)
        felt = self.ambient_c(0.0)
        rise = self._settled(0.0)
        t_s = 0.0
        while t_s < duration_s:
            t_s += self.interval_s
            tau_s = self.tau_s * self.loss(t_s)
            rise += (1 - exp(-self.interval_s / tau_s)) * (self._settled(t_s) - rise)
            ambient = self.ambient_c(t_s)
            felt += (1 - exp(-self.interval_s / self.tau_s)) * (ambient - felt)
            measured = [self._measured(v, noise) for v in (felt + rise, ambient)]
            yield round(1000 * t_s), measured[0], measured[1], self.power_w(t_s)

    def _settled(self, t_s: float) -> float:
        share = self.power_w(t_s) / self.normal_power_w
        return self.normal_rise_k * share * self.loss(t_s)

    def _measured(self, value: float, noise: random.Random) -> float:
        return round((value + noise.gauss(0, self.noise_k)) / self.step_k) * self.step_k


@dataclass
class TwoParts(Scene):
    """A third of the rise comes within two minutes, the rest in half an hour."""

    quick_share: float = 0.35
    quick_s: float = 100.0

    def readings(self, duration_s: float) -> Iterator[tuple[int, float, float, float]]:
        """(time ms, temperature, ambient, power); the room is felt at once."""
        noise = random.Random(self.seed)
        quick, slow = self.quick_share, 1.0 - self.quick_share
        quick_k, slow_k = quick * self._settled(0.0), slow * self._settled(0.0)
        for step in range(1, int(duration_s / self.interval_s) + 1):
            t_s = step * self.interval_s
            goal_k, loss = self._settled(t_s), self.loss(t_s)
            quick_k += self._gone(self.quick_s * loss) * (quick * goal_k - quick_k)
            slow_k += self._gone(self.tau_s * loss) * (slow * goal_k - slow_k)
            ambient = self.ambient_c(t_s)
            measured = [self._measured(v, noise) for v in (ambient + quick_k + slow_k, ambient)]
            yield round(1000 * t_s), measured[0], measured[1], self.power_w(t_s)

    def _gone(self, tau_s: float) -> float:
        return 1.0 - exp(-self.interval_s / tau_s)


HOUR_S = 3600.0
DAY_S = 86_400.0


def step_at(t_s: float, before: float, after: float) -> Course:
    """A course that jumps at one time."""
    return lambda t: before if t < t_s else after


def door(opens_s: float, closes_s: float, base_c: float, drop_k: float) -> Course:
    """An ambient that falls while a door is open, and comes back."""

    def course(t_s: float) -> float:
        if t_s < opens_s:
            return base_c
        at_close = 1 - exp(-(min(t_s, closes_s) - opens_s) / 60.0)
        fade = 1.0 if t_s < closes_s else exp(-(t_s - closes_s) / 60.0)
        return base_c - drop_k * at_close * fade

    return course
