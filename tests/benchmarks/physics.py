"""Simulated devices for the detection benchmark: a network of masses and air, rooms, doors, loads.

Every device has a heated mass, an air node without mass (its temperature follows the intake in part
at once) and a slow mass; convection that may grow with the rise; a sensor that sits between air and
mass and lags. Each runs twice at once, sound and with its faults, on the same room, load and noise.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

GRID_S = 5
DAY_S = 86_400

Array = NDArray[np.float64]


@dataclass
class Fault:
    """One fault of one device: settled rise times `factor`, at once or over `ramp_s`."""

    kind: str
    start_s: int
    end_s: int
    factor: float
    ramp_s: float


@dataclass
class Record:
    """What the sensors of one device said. Temperature rows are `interval_s` apart.

    `sound_c` and `faulty_c` are measured, `sound_true_c`/`faulty_true_c` without noise;
    `sound_settled_k` and `faulty_settled_k` the true settled rises.
    """

    name: str
    interval_s: int
    t_s: Array
    sound_c: Array
    faulty_c: Array
    sound_true_c: Array
    faulty_true_c: Array
    sound_settled_k: Array
    faulty_settled_k: Array
    ambient_t_s: Array
    ambient_c: Array
    power_w: Array
    noise_k: float
    has_power: bool
    tau_s: float
    at_once: float
    normal_power_w: float
    normal_rise_k: float
    faults: list[Fault]


class Fleet:
    """Parameters of `n` random devices."""

    def __init__(self, n: int, seed: int) -> None:
        rng = np.random.default_rng(seed)
        self.n = n
        self.rng = rng
        self.full_w = np.exp(rng.uniform(np.log(8), np.log(250), n))
        self.kappa = rng.choice([0.0, 0.0, 0.15, 0.3, 0.5], n)
        self.full_rise = rng.uniform(6.0, 28.0, n)
        bypass = rng.uniform(0.0, 0.6, n) * rng.choice([0.0, 1.0, 1.0], n)
        # Air node: heat P leaves by g_air * (x / full_rise)^kappa * x.
        self.g_air = self.full_w / self.full_rise
        self.g_mass = self.g_air * np.where(
            bypass > 0, (1 - bypass) / np.maximum(bypass, 0.02), 20.0
        )
        self.direct = np.where(bypass > 0, rng.uniform(0.0, 0.4, n), 0.0)
        self.at_mass = rng.choice([0.0, 0.0, 0.3], n)
        self.tau = np.exp(rng.uniform(np.log(120), np.log(7200), n))
        self.capacity = self.tau / (1 / self.g_air + 1 / self.g_mass)
        slow = rng.choice([0.0, 0.1, 0.25], n)
        self.slow_capacity = self.capacity * slow * 3 + 1e-9
        self.g_slow = self.slow_capacity / (self.tau * rng.uniform(2, 5, n)) * (slow > 0)
        self.sensor_lag_s = rng.uniform(5, 60, n)
        self.noise_k = np.exp(rng.uniform(np.log(0.02), np.log(0.3), n))
        self.step_k = rng.choice([0.01, 0.0625, 0.1], n)
        self.interval_s = rng.choice([5, 10, 10, 30, 60, 60, 300, 600], n)
        self.has_power = rng.random(n) < 0.6

    def settled_k(self, power: Array, cooling: Array) -> Array:
        """True settled rise of the sensor."""
        x = self.full_rise * np.maximum(power / (self.full_w * cooling), 0.0) ** (
            1 / (1 + self.kappa)
        )
        return np.asarray(x + self.at_mass * (1 - self.direct) * power / self.g_mass)


class Rooms:
    """Ambient of each device: season, day, heating cycles, doors, draughts, a hot week."""

    def __init__(self, fleet: Fleet, days: int) -> None:
        rng, n = fleet.rng, fleet.n
        self.rng = rng
        self.n = n
        self.base = rng.uniform(17, 26, n)
        self.day_k = rng.uniform(0.3, 2.5, n)
        self.heat_k = rng.uniform(0.0, 1.5, n) * rng.choice([0, 1, 1], n)
        self.heat_s = rng.uniform(900, 4800, n)
        self.doors_a_day = rng.choice([0.0, 1.0, 4.0, 12.0], n)
        self.door_goal = np.zeros(n)
        self.door_left = np.zeros(n)
        self.door_k = np.zeros(n)
        self.door_tau = rng.uniform(30, 200, n)
        self.draught = np.zeros(n)
        self.draught_k = rng.uniform(0.02, 0.2, n)
        self.hot_day = rng.uniform(8, max(days, 9), n)
        self.hot_k = rng.uniform(0, 10, n) * rng.choice([0, 1], n)

    def at(self, t_s: int) -> Array:
        """Ambient now; call once a grid step."""
        rng, n = self.rng, self.n
        hour = (t_s % DAY_S) / 3600
        opens = (rng.random(n) < self.doors_a_day * GRID_S / (15 * 3600)) & (7 < hour < 22)
        if opens.any():
            length = np.exp(rng.uniform(np.log(60), np.log(1800), n))
            goal = rng.uniform(-12, 4, n)
            self.door_left = np.where(opens, length, self.door_left)
            self.door_goal = np.where(opens, goal, self.door_goal)
        self.door_left = np.maximum(self.door_left - GRID_S, 0)
        goal = np.where(self.door_left > 0, self.door_goal, 0.0)
        self.door_k += (goal - self.door_k) * (1 - np.exp(-GRID_S / self.door_tau))
        pace = GRID_S / 300
        self.draught += -pace * self.draught + self.draught_k * np.sqrt(
            2 * pace
        ) * rng.standard_normal(n)
        day = t_s / DAY_S
        heat_on = 6 < hour < 23
        phase = (t_s % self.heat_s) / self.heat_s
        saw = self.heat_k * np.abs(2 * phase - 1) * heat_on
        hot = self.hot_k * np.clip(1.5 - np.abs(day - self.hot_day - 3) / 3, 0, 1)
        daily = self.day_k * np.sin(2 * np.pi * (hour - 9) / 24)
        return np.asarray(self.base + daily + saw + hot + self.door_k + self.draught)


class Loads:
    """Power of each device: constant, square wave, daily, random jumps, or switched on and off."""

    def __init__(self, fleet: Fleet) -> None:
        rng, n = fleet.rng, fleet.n
        self.rng, self.n, self.full = rng, n, fleet.full_w
        self.kind = rng.choice(["constant", "square", "daily", "random", "switched"], n)
        # Nothing is judged until three time constants after power-on: slow gear is never off here.
        self.kind = np.where((self.kind == "switched") & (fleet.tau > 1200), "square", self.kind)
        self.idle = rng.uniform(0.3, 0.85, n)
        self.period = np.exp(rng.uniform(np.log(1800), np.log(8 * 3600), n))
        self.level = self.idle.copy()
        self.flicker = rng.uniform(0.0, 0.03, n)
        self.on = np.ones(n, dtype=bool)

    def at(self, t_s: int) -> Array:
        """Power now; call once a grid step."""
        rng, n, kind = self.rng, self.n, self.kind
        hour = (t_s % DAY_S) / 3600
        jumps = rng.random(n) < GRID_S / self.period
        self.level = np.where(jumps, rng.uniform(0, 1, n) * (1 - self.idle) + self.idle, self.level)
        square = np.where((t_s % self.period) < self.period / 2, 1.0, self.idle)
        day = 9 <= hour < 22
        daily = np.where(day, 0.9 + 0.1 * (self.level - self.idle) / (1 - self.idle), self.idle)
        share = np.select(
            [kind == "constant", kind == "square", kind == "daily", kind == "random"],
            [np.full(n, 0.9), square, daily, self.level],
            np.where(18 <= hour < 23, 0.8 + 0.2 * self.level, 0.0),
        )
        wobble = 1 + self.flicker * rng.standard_normal(n)
        return np.asarray(self.full * share * wobble)


def plan_faults(fleet: Fleet, loads: Loads, first_s: int, last_s: int) -> list[list[Fault]]:
    """Per device a stall, a half stall and a blocked intake, each long enough to settle."""
    rng = fleet.rng
    plans = []
    for i in range(fleet.n):
        faults = []
        length = int(max(4 * fleet.tau[i] * 2.2, 7200))
        slot = (last_s - first_s) // 3
        kinds = [("stall", rng.uniform(1.7, 3.0), 0.0), ("half", 1.4, 0.0), ("blocked", 2.0, 600.0)]
        for k, (kind, factor, ramp_s) in enumerate(kinds):
            start = first_s + k * slot + int(rng.uniform(0, max(slot - length, 1)))
            if loads.kind[i] in ("switched", "daily"):
                hour = rng.uniform(19.5, 21) if loads.kind[i] == "switched" else rng.uniform(11, 18)
                start = start // DAY_S * DAY_S + int(hour * 3600)
            start = start // 600 * 600 + int(rng.integers(0, 600))
            faults.append(Fault(kind, start, min(start + length, last_s), float(factor), ramp_s))
        plans.append(faults)
    return plans


def _derivatives(
    fleet: Fleet, mass: Array, slow: Array, ambient: Array, power: Array, cooling: Array, air: Array
) -> tuple[Array, Array, Array]:
    rise = np.maximum(air - ambient, 0.3)
    g_air = fleet.g_air * cooling * (rise / fleet.full_rise) ** fleet.kappa
    total = g_air + fleet.g_mass + fleet.g_slow
    air = (
        g_air * ambient + fleet.g_mass * mass + fleet.g_slow * slow + fleet.direct * power
    ) / total
    mass = mass + GRID_S / fleet.capacity * (
        (1 - fleet.direct) * power - fleet.g_mass * (mass - air)
    )
    slow = slow + GRID_S / fleet.slow_capacity * fleet.g_slow * (air - slow)
    return mass, slow, air


def simulate(n: int, days: int, seed: int, learn_days: int = 7, calm: bool = False) -> list[Record]:
    """Run `n` devices for `days`; faults come after `learn_days`.

    `calm`: in the days of faults no door opens, no load changes, the room hardly moves (forecasts
    are then judged against what they can know).
    """
    fleet = Fleet(n, seed)
    rooms, loads = Rooms(fleet, days), Loads(fleet)
    rng = fleet.rng
    plans = plan_faults(fleet, loads, (learn_days + 1) * DAY_S, days * DAY_S - 3600)
    steps = days * DAY_S // GRID_S
    every = fleet.interval_s // GRID_S
    phase, ambient_phase = rng.integers(0, every), rng.integers(0, every)
    rows = [int(steps // e) + 1 for e in every]
    table = [np.full((8, r), np.nan) for r in rows]
    ambient_table = [np.full((2, r), np.nan) for r in rows]
    count, ambient_count = np.zeros(n, int), np.zeros(n, int)
    ambient = rooms.at(0)
    power = loads.at(0)
    ones = np.ones(n)
    mass = ambient + fleet.settled_k(power, ones)
    slow, air, sensed = mass.copy(), mass.copy(), mass.copy()
    twin = [mass.copy(), slow.copy(), air.copy(), sensed.copy()]
    lag = 1 - np.exp(-GRID_S / fleet.sensor_lag_s)
    for step in range(steps):
        t_s = step * GRID_S
        if calm and t_s == learn_days * DAY_S:
            rooms.doors_a_day *= 0.0
            rooms.day_k = np.minimum(rooms.day_k, 0.3)
            rooms.hot_k *= 0.0
            rooms.heat_k *= 0.3
            loads.kind = np.full(n, "constant")
        ambient, power = rooms.at(t_s), loads.at(t_s)
        cooling, starting = _cooling(fleet, plans, t_s)
        mass, slow, air = _derivatives(fleet, mass, slow, ambient, power, ones, air)
        sensed = sensed + lag * ((1 - fleet.at_mass) * air + fleet.at_mass * mass - sensed)
        if cooling is None:
            twin = [mass, slow, air, sensed]
            cooling = ones
        else:
            sound = [mass, slow, air, sensed]
            twin = [np.where(starting, a, b) for a, b in zip(sound, twin, strict=True)]
            m, s, a = _derivatives(fleet, twin[0], twin[1], ambient, power, cooling, twin[2])
            near = (1 - fleet.at_mass) * a + fleet.at_mass * m
            twin = [m, s, a, twin[3] + lag * (near - twin[3])]
        due = np.nonzero(step % every == phase)[0]
        if len(due):
            settled = fleet.settled_k(power, ones)
            hurt = fleet.settled_k(power, cooling)
            for i in due:
                row = (t_s, sensed[i], twin[3][i], settled[i], hurt[i], power[i], 0, 0)
                table[i][:, count[i]] = row
                count[i] += 1
        for i in np.nonzero(step % every == ambient_phase)[0]:
            ambient_table[i][:, ambient_count[i]] = (t_s, ambient[i])
            ambient_count[i] += 1
    return [
        _record(
            fleet, loads, plans, i, table[i][:, : count[i]], ambient_table[i][:, : ambient_count[i]]
        )
        for i in range(n)
    ]


def _cooling(
    fleet: Fleet, plans: list[list[Fault]], t_s: int
) -> tuple[Array | None, NDArray[np.bool_]]:
    """Cooling factor of every faulty twin, and which twins must (re)start from their sound one."""
    cooling = np.ones(fleet.n)
    starting = np.ones(fleet.n, dtype=bool)
    some = False
    for i, faults in enumerate(plans):
        for fault in faults:
            if fault.start_s <= t_s < fault.end_s:
                some = True
                starting[i] = t_s - fault.start_s < GRID_S
                part = 1.0 if fault.ramp_s == 0 else min(1.0, (t_s - fault.start_s) / fault.ramp_s)
                factor = 1 + (fault.factor - 1) * part
                cooling[i] = factor ** -(1 + fleet.kappa[i])
    return (cooling if some else None), starting


def _record(
    fleet: Fleet, loads: Loads, plans: list[list[Fault]], i: int, table: Array, ambient: Array
) -> Record:
    rng = np.random.default_rng(1000 + i)
    step, noise = fleet.step_k[i], fleet.noise_k[i]

    def measured(true: Array, shift: Array) -> Array:
        return np.asarray(np.round((true + shift) / step) * step)

    shift = noise * rng.standard_normal(table.shape[1])
    ambient_c = measured(ambient[1], noise * rng.standard_normal(ambient.shape[1]))
    full = np.array([fleet.full_w[j] for j in range(fleet.n)])
    normal = fleet.settled_k(full, np.ones(fleet.n))[i]
    return Record(
        f"{loads.kind[i]}-{i}", int(fleet.interval_s[i]), table[0],
        measured(table[1], shift), measured(table[2], shift),
        table[1], table[2], table[3], table[4],
        ambient[0], ambient_c, np.round(table[5], 1), float(np.hypot(noise, 0.29 * step)),
        bool(fleet.has_power[i]), float(fleet.tau[i]),
        float(fleet.g_air[i] / (fleet.g_air[i] + fleet.g_mass[i])),
        float(full[i]), float(normal), plans[i],
    )  # fmt: skip
