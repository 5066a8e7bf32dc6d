"""Records of the second physics: what the sensors of many houses say over weeks, with faults."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
import numpy.typing as npt

from tests.benchmarks.loads_two import HouseLoads
from tests.benchmarks.physics import DAY_S, Array, Fault, Record
from tests.benchmarks.physics_two import (
    KINDS,
    STEP_S,
    Cabinet,
    Gear,
    Hall,
    State,
    advance_gear,
    cooling_for,
    settle,
)

Single: TypeAlias = npt.NDArray[np.float32]
"""Half the memory, and a hundred times finer than any sensor."""

TRUTH_EVERY_S = 300
_FAULTS = (("stall", 0.0), ("half", 1.4), ("blocked", 2.0))
_FAULT_S = 5 * 3600
_CABINET_DOOR_W_PER_K = 40.0


@dataclass
class House:
    """Histories on the grid of `STEP_S`: shape (time, houses, 5); the last column is the cabinet.

    `inlet` is the ambient of each, `rise` the sensor's temperature less that.
    """

    power: Single
    inlet: Single
    sound: Single
    faulty: Single


class Simulation:
    """`houses` houses side by side; five devices in each."""

    def __init__(self, houses: int, days: int, seed: int, calm: bool = False) -> None:
        self.rng = rng = np.random.default_rng(seed)
        self.houses, self.days, self.calm = houses, days, calm
        self.gear = Gear(rng, houses)
        self.loads = HouseLoads(rng, self.gear.nominal_w, calm)
        self.cabinet = Cabinet(rng, houses, 0.6 * self.gear.nominal_w.sum(axis=1))
        self.hall = Hall(rng, houses, days, calm)
        self.doors_a_day = rng.choice([0.0, 0.5, 3.0], houses)
        self.stall_opening, self.usual_w = self._fault_cooling()
        self.faults = self._plan()

    def _fault_cooling(self) -> tuple[dict[str, Array], Array]:
        """Cooling left in each kind of fault, (houses, 5), and the usual power."""
        n, gear, cabinet = self.houses, self.gear, self.cabinet
        usual = gear.nominal_w * np.array([0.7, 0.75, 0.62, 0.5])
        heat = usual.sum(axis=1)
        shares: dict[str, Array] = {}
        for kind, factor in _FAULTS[1:]:
            inner = cooling_for(
                factor,
                lambda s: settle(gear, usual, np.full(1, 27.0), np.ones(1), s),
                (n, 4),
            )
            outer = cooling_for(factor, lambda s: cabinet.settled_k(heat, np.ones(1), s), (n,))
            shares[kind] = np.column_stack([inner, outer])
        return shares, np.column_stack([usual, heat])

    def _plan(self) -> list[list[Fault]]:
        """Three faults for each of the houses' devices, each on another day."""
        plans: list[list[Fault]] = []
        for device in range(self.houses * 5):
            house, kind_of_device = divmod(device, 5)
            evenings = kind_of_device == 3 and not self.loads.amp_always_on[house]
            faults = []
            days = self.rng.permutation(np.arange(8, self.days))[: len(_FAULTS)]
            for (kind, factor), day in zip(_FAULTS, days, strict=False):
                first_s, last_s = (20 * 3600, 20 * 3600 + 1800) if evenings else (0, DAY_S // 2)
                start = int(day) * DAY_S + STEP_S * int(
                    self.rng.integers(first_s // STEP_S, last_s // STEP_S)
                )
                end = start + _FAULT_S
                if evenings:
                    off_s = int(3600 * self.loads.amp_off_hour[house]) // STEP_S * STEP_S
                    end = int(day) * DAY_S + off_s
                ramp = 600.0 if kind == "blocked" else 0.0
                faults.append(Fault(kind, start, end, factor, ramp))
            plans.append(sorted(faults, key=lambda f: f.start_s))
        return plans

    def cooling_at(self, t_s: int) -> tuple[Array, Array, Array]:
        """Fan, opening (houses, 5) of the faulty world, and which faults begin or end now."""
        n = self.houses
        fan, opening = np.ones(n * 5), np.ones(n * 5)
        turn = np.zeros(n * 5, dtype=bool)
        has_fan = np.column_stack([self.gear.fan_flow > 0, self.cabinet.fan_flow > 0]).ravel()
        for i, plan in enumerate(self.faults):
            for fault in plan:
                turn[i] |= t_s in (fault.start_s, fault.end_s)
                if not fault.start_s <= t_s < fault.end_s:
                    continue
                if fault.kind == "stall" and has_fan[i]:
                    fan[i] = 0.0
                    continue
                kind = "blocked" if fault.kind == "stall" else fault.kind
                left = self.stall_opening[kind].ravel()[i]
                done = 1.0 if not fault.ramp_s else min(1.0, (t_s - fault.start_s) / fault.ramp_s)
                opening[i] = 1.0 + done * (left - 1.0)
        return fan.reshape(n, 5), opening.reshape(n, 5), turn.reshape(n, 5)

    def run(self) -> House:
        """Simulate; the faulty world is taken from the sound one when a fault begins or ends."""
        n, gear, cabinet = self.houses, self.gear, self.cabinet
        steps = self.days * DAY_S // STEP_S
        house = House(*(np.zeros((steps, n, 5), dtype=np.float32) for _ in range(4)))
        state = State.cold((2, n, 4), 22.0)
        air, wall = np.full((2, n), 22.0), np.full((2, n), 21.0)
        probe = air.copy()
        door_s = np.zeros(n)
        ends = {t for p in self.faults for f in p for t in (f.start_s, f.end_s)}
        active: tuple[Array, Array, Array] = self.cooling_at(0)
        fan, opening = np.ones((2, n, 5)), np.ones((2, n, 5))
        ramping_until = 0
        for k in range(steps):
            t_s = k * STEP_S
            if t_s in ends or t_s <= ramping_until:
                ramping_until = t_s + 700 if t_s in ends else ramping_until
                active = self.cooling_at(t_s)
                fan[1], opening[1] = active[0], active[1]
                if active[2].any():
                    _copy_sound(state, active[2][:, :4])
                    for both in (air, wall, probe):
                        both[1] = np.where(active[2][:, 4], both[0], both[1])
            hall = self.hall.advance(t_s, STEP_S)
            power = self.loads.at(t_s, STEP_S)
            heat = advance_gear(
                gear, state, power, air[0][:, None], fan[..., :4], opening[..., :4], STEP_S
            )[0].sum(axis=1)
            if not self.calm and 7 * 3600 < t_s % DAY_S < 23 * 3600:
                opens = self.rng.random(n) < self.doors_a_day * STEP_S / (16 * 3600)
                door_s = np.where(opens, np.exp(self.rng.uniform(2.5, 6.5, n)), door_s)
            door_s = np.maximum(door_s - STEP_S, 0.0)
            door = np.where(door_s > 0.0, _CABINET_DOOR_W_PER_K, 0.0)
            air, wall = cabinet.advance(
                air, wall, heat, hall, fan[..., 4], opening[..., 4], door, STEP_S
            )
            probe += np.minimum(1.0, STEP_S / cabinet.sensor_s) * (air - probe)
            house.power[k, :, :4], house.power[k, :, 4] = power, power.sum(axis=1)
            house.inlet[k, :, :4], house.inlet[k, :, 4] = air[0][:, None], hall
            house.sound[k, :, :4], house.sound[k, :, 4] = state.sensor[0], probe[0]
            house.faulty[k, :, :4], house.faulty[k, :, 4] = state.sensor[1], probe[1]
        return house

    def time_constants(self) -> Array:
        """Time to 63 % of the way after a step of power from 70 % of the usual, (houses, 5)."""
        gear, n = self.gear, self.houses
        usual = self.usual_w[:, :4]
        state = State.cold((n, 4), 27.0)
        one = np.ones(1)
        air = wall = probe = np.full(n, 22.0)
        track: list[Array] = []
        cab: list[Array] = []
        heat_before = 0.7 * usual
        for k in range(40_000):
            power = heat_before if k < 20_000 else usual
            heat = advance_gear(gear, state, power, np.full(1, 27.0), one, one, STEP_S)
            air, wall = self.cabinet.advance(
                air, wall, heat.sum(axis=1), np.full(1, 20.0), one, one, np.zeros(1), STEP_S
            )
            probe = probe + np.minimum(1.0, STEP_S / self.cabinet.sensor_s) * (air - probe)
            if k >= 20_000 and k % 4 == 0:
                track.append(state.sensor.copy())
                cab.append(probe.copy())
        rises = np.concatenate([np.array(track), np.array(cab)[..., None]], axis=2)
        share = (rises - rises[0]) / (rises[-1] - rises[0])
        return np.asarray((share < 0.632).sum(axis=0) * 4.0 * STEP_S)


def _copy_sound(state: State, where: Array) -> None:
    for name in ("component", "chassis", "exhaust", "sensor", "speed"):
        both = getattr(state, name)
        if both.ndim == 3:
            both[1] = np.where(where, both[0], both[1])


def simulate(houses: int, days: int, seed: int, calm: bool = False) -> list[Record]:
    """Simulate and read the sensors; five records a house."""
    simulation = Simulation(houses, days, seed, calm)
    tau = simulation.time_constants()
    house = simulation.run()
    return [
        _record(simulation, house, tau, i, j, f"{kind}-{seed}-{i}")
        for i in range(houses)
        for j, kind in enumerate((*KINDS, "cabinet"))
    ]


def _record(simulation: Simulation, house: House, tau: Array, i: int, j: int, name: str) -> Record:
    rng = simulation.rng
    interval = int(rng.choice([5, 10, 10, 10, 15, 30]))
    noise_k = float(np.exp(rng.uniform(np.log(0.02), np.log(0.15))))
    read = _reader(rng, noise_k)
    steps = len(house.sound)
    picks, t_s = _instants(rng, steps, interval)
    ambient_picks, ambient_t_s = _instants(rng, steps, interval)
    power = house.power[picks, i, j]
    meter_w = 0.01 * simulation.usual_w[i, j] + 0.05
    heard_w = np.round(power + 0.3 * meter_w * rng.standard_normal(len(power)), 1)
    sound, faulty = house.sound[picks, i, j], house.faulty[picks, i, j]
    offset = 0.0 if j == 4 else simulation.gear.self_heat_k[i, j]
    faults = simulation.faults[5 * i + j]
    settled, broken = _truth(simulation, house, picks, t_s, i, j, faults)
    usual_w = _usual_w(power[t_s > DAY_S])
    ambient_seen = _Lag(house.inlet[:, i, j].astype(float), float(rng.uniform(5.0, 60.0)))
    state_c = float(np.median(house.inlet[:, i, j]))
    normal = float(_steady(simulation, i, j)(np.array([usual_w]), np.array([state_c]))[0])
    return Record(
        name=name,
        interval_s=interval,
        t_s=t_s,
        sound_c=read(sound + offset),
        faulty_c=read(faulty + offset),
        sound_true_c=sound + offset,
        faulty_true_c=faulty + offset,
        sound_settled_k=settled + offset,
        faulty_settled_k=broken + offset,
        ambient_t_s=ambient_t_s,
        ambient_c=_reader(rng, noise_k)(ambient_seen.at(ambient_picks)),
        power_w=np.maximum(heard_w, 0.0),
        noise_k=noise_k,
        has_power=bool(rng.random() < 0.7),
        tau_s=float(tau[i, j]),
        at_once=float("nan"),
        normal_power_w=usual_w,
        normal_rise_k=normal + offset,
        faults=[] if simulation.days < 12 else faults,
    )


def _usual_w(power_w: Array) -> float:
    """Median power while it is on."""
    return float(np.median(power_w[power_w > 0.1 * power_w.max()]))


def _reader(rng: np.random.Generator, noise_k: float) -> Callable[[Array], Array]:
    step = float(rng.choice([0.01, 0.0625, 0.1]))

    def read(true_c: Array) -> Array:
        noisy = true_c + noise_k * rng.standard_normal(len(true_c))
        return np.asarray(np.round(noisy / step) * step)

    return read


def _instants(rng: np.random.Generator, steps: int, interval_s: int) -> tuple[Array, Array]:
    """Grid indices and times of readings: jitter, one in a hundred missing, a few gaps."""
    count = steps * STEP_S // interval_s - 1
    t_s = interval_s * np.arange(count) + rng.uniform(0.0, 0.9 * interval_s)
    t_s = t_s + rng.uniform(-0.04, 0.04, count) * interval_s
    kept = rng.random(count) > 0.01
    for _ in range(3):
        start = rng.uniform(0.0, steps * STEP_S)
        kept &= (t_s < start) | (t_s > start + rng.uniform(120.0, 2400.0))
    t_s = np.maximum(t_s[kept], 0.0)
    return np.minimum((t_s / STEP_S).astype(int), steps - 1), np.asarray(t_s, dtype=float)


class _Lag:
    """A signal through a sensor's own lag."""

    def __init__(self, signal: Array, lag_s: float) -> None:
        gain = min(1.0, STEP_S / lag_s)
        out = np.empty(len(signal))
        value = float(signal[0])
        for k, now in enumerate(signal.tolist()):
            value += gain * (now - value)
            out[k] = value
        self._out = out

    def at(self, picks: Array) -> Array:
        """Values at grid indices."""
        return np.asarray(self._out[picks])


def _steady(simulation: Simulation, i: int, j: int) -> Callable[..., Array]:
    """Settled rise of one device from power, inlet, fan and opening."""
    if j == 4:
        cabinet = _one_of(simulation.cabinet, i, None)
        return lambda p, _, f=1.0, o=1.0: cabinet.settled_k(p, np.asarray(f), np.asarray(o))
    gear = _one_of(simulation.gear, i, j)
    return lambda p, a, f=1.0, o=1.0: settle(gear, p, a, np.asarray(f), np.asarray(o))


def _one_of(parameters: object, i: int, j: int | None) -> Any:
    """A copy of the parameters with those of one device only."""
    one = object.__new__(type(parameters))
    for name, value in vars(parameters).items():
        setattr(one, name, value[i] if j is None else value[i, j])
    return one


def _truth(
    simulation: Simulation, house: House, picks: Array, t_s: Array, i: int, j: int,
    faults: list[Fault],
) -> tuple[Array, Array]:  # fmt: skip
    """True settled rises, sound and faulty, at one reading in five minutes; else NaN."""
    every = np.unique(np.searchsorted(t_s, np.arange(0.0, t_s[-1], TRUTH_EVERY_S)))
    steady = _steady(simulation, i, j)
    power, inlet = house.power[picks[every], i, j], house.inlet[picks[every], i, j]
    sound = np.full(len(t_s), np.nan)
    sound[every] = steady(power.astype(float), inlet.astype(float))
    faulty = sound.copy()
    for fault in faults:
        chosen = (t_s[every] >= fault.start_s + fault.ramp_s) & (t_s[every] < fault.end_s)
        if not chosen.any():
            continue
        fan, opening, _ = simulation.cooling_at(fault.start_s + 700)
        f, o = float(fan[i, j]), float(opening[i, j])
        faulty[every[chosen]] = steady(
            power[chosen].astype(float), inlet[chosen].astype(float), f, o
        )
    return sound, faulty
