"""Loads of the second physics: a NAS, a PoE switch, a UPS and an AV amplifier in each house."""

from __future__ import annotations

import numpy as np

from tests.benchmarks.physics import DAY_S, Array

_NAS_IDLE, _NAS_SPINNING = 0.45, 0.8


class HouseLoads:
    """Power of the four devices of each house, shape (houses, 4); call `at` once a step."""

    def __init__(self, rng: np.random.Generator, nominal_w: Array, calm: bool) -> None:
        self.rng, self.nominal_w, self.calm = rng, nominal_w, calm
        n = self.n = len(nominal_w)
        self.spin_left_s = np.zeros(n)
        self.spins_a_day = rng.uniform(4.0, 30.0, n)
        self.backup_hour = rng.uniform(1.0, 4.0, n)
        self.ports = rng.uniform(0.3, 0.9, n)
        self.port_base = rng.uniform(0.35, 0.7, n)
        self.cameras = rng.uniform(0.0, 0.25, n)
        self.charge_left_s = np.zeros(n)
        self.amp_on_hour = rng.uniform(16.0, 19.5, n)
        self.amp_off_hour = rng.uniform(21.5, 23.8, n)
        self.amp_always_on = rng.random(n) < 0.4
        self.standby = rng.uniform(0.005, 0.03, n)
        self.volume = rng.uniform(0.4, 0.9, n)
        self.music = np.zeros(n)

    def at(self, t_s: int, step_s: float) -> Array:
        """Power now, W."""
        if self.calm:
            return np.asarray(0.8 * self.nominal_w)
        hour = (t_s % DAY_S) / 3600.0
        shares = [
            self._nas(hour, step_s), self._switch(hour, step_s),
            self._ups(step_s), self._amplifier(hour, step_s),
        ]  # fmt: skip
        return np.asarray(np.stack(shares, axis=1) * self.nominal_w)

    def _nas(self, hour: float, step_s: float) -> Array:
        """Disks spin up on demand and spin down half an hour after; a backup every night."""
        rng, n = self.rng, self.n
        called = rng.random(n) < self.spins_a_day * step_s / DAY_S
        self.spin_left_s = np.where(called, rng.uniform(1200.0, 5400.0, n), self.spin_left_s)
        self.spin_left_s = np.maximum(self.spin_left_s - step_s, 0.0)
        backup = (hour >= self.backup_hour) & (hour < self.backup_hour + 1.5)
        share = np.where(self.spin_left_s > 0.0, _NAS_SPINNING, _NAS_IDLE)
        busy = 1.0 + 0.02 * rng.standard_normal(n)
        return np.asarray(np.where(backup, 1.0, share) * busy)

    def _switch(self, hour: float, step_s: float) -> Array:
        """Ports come and go; the cameras' lamps burn at night."""
        rng, n = self.rng, self.n
        changed = rng.random(n) < 10.0 * step_s / DAY_S
        self.ports = np.where(changed, rng.uniform(0.2, 0.95, n), self.ports)
        night = self.cameras * (hour < 7.0 or hour >= 19.0)
        share = self.port_base + (0.75 - self.port_base) * self.ports + night
        return np.asarray(share * (1.0 + 0.005 * rng.standard_normal(n)))

    def _ups(self, step_s: float) -> Array:
        """Steady losses; more while charging after its weekly test."""
        rng, n = self.rng, self.n
        tested = rng.random(n) < step_s / (7.0 * DAY_S)
        self.charge_left_s = np.where(tested, 4.0 * 3600.0, self.charge_left_s)
        self.charge_left_s = np.maximum(self.charge_left_s - step_s, 0.0)
        charging = 0.4 * np.minimum(1.0, self.charge_left_s / 7200.0)
        return np.asarray(0.6 + charging + 0.01 * rng.standard_normal(n))

    def _amplifier(self, hour: float, step_s: float) -> Array:
        """On in the evening, or always; idle current, and the music on top."""
        rng, n = self.rng, self.n
        self.music += -self.music * step_s / 400.0
        self.music += 0.12 * (2.0 * step_s / 400.0) ** 0.5 * rng.standard_normal(n)
        evening = (hour >= self.amp_on_hour) & (hour < self.amp_off_hour)
        level = 0.35 + self.volume * np.clip(0.25 + self.music, 0.0, 1.0) * evening
        return np.asarray(np.where(evening | self.amp_always_on, level, self.standby))
