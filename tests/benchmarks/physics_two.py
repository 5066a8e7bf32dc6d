"""A second physics for the benchmarks: a terraced house's hall, a cabinet in it, four devices.

Unlike `physics.py` it knows no settled rise by law: air flows. Each device has a component mass, a
chassis and a stream of air drawn by a fan (of fixed or temperature-controlled speed) and by
buoyancy; its sensor sits between exhaust and chassis. The cabinet is itself a device, in a hall
with a thermostat, a boiler, a front door and weather. `simulate` gives what the sensors of many
such houses say over weeks, with faults. Figures are plausible, none is measured.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import log
from typing import Any, TypeAlias

import numpy as np
import numpy.typing as npt

from tests.benchmarks.physics import DAY_S, Array, Fault, Record

STEP_S = 5
KINDS = ("nas", "switch", "ups", "amplifier")
NOMINAL_W = np.array([32.0, 38.0, 16.0, 85.0])
_COMPONENT_J_PER_K = np.array([2500.0, 700.0, 4000.0, 2500.0])
_CHASSIS_J_PER_K = np.array([3000.0, 1500.0, 2500.0, 7000.0])
_FAN_CHANCE = np.array([1.0, 0.6, 0.4, 0.5])
_LARGEST_FLOW_LOSS = 1e-3


class Gear:
    """Thermal parameters of four devices in each of `houses` houses, shape (houses, 4)."""

    def __init__(self, rng: np.random.Generator, houses: int) -> None:
        shape = (houses, 4)

        def spread(low: float, high: float) -> Array:
            return np.asarray(rng.uniform(low, high, shape))

        self.nominal_w = NOMINAL_W * spread(0.6, 1.5)
        self.c_component = _COMPONENT_J_PER_K * spread(0.5, 1.8)
        self.c_chassis = _CHASSIS_J_PER_K * spread(0.5, 1.8)
        self.to_air = self.nominal_w / spread(8.0, 22.0)
        self.to_chassis = self.to_air * spread(0.15, 0.6)
        self.chassis_to_air = self.to_air * spread(0.05, 0.4)
        self.chassis_out = self.nominal_w / 15.0 * spread(0.1, 0.5)
        has_fan = rng.random(shape) < _FAN_CHANCE
        stream = self.nominal_w / spread(8.0, 22.0)
        self.fan_flow = np.where(has_fan, stream, 0.0)
        # Buoyancy alone: a fifth of the fan's stream at ten kelvin; all of it without a fan.
        share = np.where(has_fan, spread(0.05, 0.2), 0.9)
        self.buoyant_flow = share * stream / 10.0**0.5
        self.controlled = has_fan & (rng.random(shape) < 0.4)
        self.slowest = spread(0.35, 0.7)
        self.control_low_c = spread(34.0, 44.0)
        self.control_per_k = spread(0.02, 0.06)
        self.near_air = spread(0.4, 1.0)
        self.sensor_s = spread(8.0, 60.0)
        self.self_heat_k = spread(0.0, 0.4)


@dataclass
class State:
    """Temperatures of component, chassis, exhaust and sensor, and the fan's speed."""

    component: Array
    chassis: Array
    exhaust: Array
    sensor: Array
    speed: Array

    @classmethod
    def cold(cls, shape: tuple[int, ...], ambient_c: float) -> State:
        """Everything at the ambient's temperature."""
        component, chassis, exhaust, sensor = (np.full(shape, ambient_c) for _ in range(4))
        return cls(component, chassis, exhaust, sensor, np.ones(shape))


def stream_w_per_k(gear: Gear, s: State, inlet: Array, fan: Array, opening: Array) -> Array:
    """Heat that the air carries away per kelvin: fan and buoyancy, through what opening is left."""
    buoyant = gear.buoyant_flow * np.sqrt(np.maximum(s.exhaust - inlet, 0.0))
    driven = gear.fan_flow * s.speed * fan
    return np.asarray(np.maximum(opening * np.cbrt(driven**3 + buoyant**3), _LARGEST_FLOW_LOSS))


def wanted_speed(gear: Gear, component: Array) -> Array:
    """Speed of the fan that its controller asks for."""
    asked = gear.slowest + gear.control_per_k * (component - gear.control_low_c)
    return np.asarray(np.where(gear.controlled, np.clip(asked, gear.slowest, 1.0), 1.0))


def advance_gear(
    gear: Gear, s: State, power: Array, inlet: Array, fan: Array, opening: Array, step_s: float
) -> Array:
    """Go on by a step (in place) and return the heat given off to the surroundings (W)."""
    flow = stream_w_per_k(gear, s, inlet, fan, opening)
    # Films thin out with the stream; still air keeps a fifth of the exchange.
    film = 0.2 + 0.8 * np.sqrt(np.minimum(flow / (gear.nominal_w / 10.0), 2.0))
    g_component, g_chassis = gear.to_air * film, gear.chassis_to_air * film
    # The air inside is the mean of inlet and exhaust; it stores nothing.
    g = g_component + g_chassis
    offer = g_component * s.component + g_chassis * s.chassis
    s.exhaust = (offer - 0.5 * g * inlet + flow * inlet) / (flow + 0.5 * g)
    inside = 0.5 * (inlet + s.exhaust)
    lost = gear.chassis_out * np.sqrt(np.sqrt(0.1 + np.abs(s.chassis - inlet) / 10.0))
    q_component = g_component * (s.component - inside)
    q_across = gear.to_chassis * (s.component - s.chassis)
    q_chassis = g_chassis * (s.chassis - inside)
    q_out = lost * (s.chassis - inlet)
    s.component = s.component + step_s / gear.c_component * (power - q_component - q_across)
    s.chassis = s.chassis + step_s / gear.c_chassis * (q_across - q_chassis - q_out)
    s.speed = s.speed + min(1.0, step_s / 30.0) * (wanted_speed(gear, s.component) - s.speed)
    felt = gear.near_air * s.exhaust + (1.0 - gear.near_air) * s.chassis
    s.sensor = s.sensor + np.minimum(1.0, step_s / gear.sensor_s) * (felt - s.sensor)
    return np.asarray(q_component + q_chassis + q_out)


class Cabinet:
    """Air and walls of the cabinets, shape (houses,): a fan or slots to the hall, and a door."""

    def __init__(self, rng: np.random.Generator, houses: int, nominal_w: Array) -> None:
        n = houses
        self.nominal_w = nominal_w
        self.c_air = rng.uniform(400.0, 1500.0, n)
        self.c_wall = rng.uniform(8e3, 4e4, n)
        self.air_to_wall = rng.uniform(2.0, 6.0, n)
        self.wall_out = rng.uniform(1.0, 4.0, n)
        has_fan = rng.random(n) < 0.7
        flow = nominal_w / rng.uniform(6.0, 14.0, n)
        self.fan_flow = np.where(has_fan, flow, 0.0)
        self.buoyant_flow = np.where(has_fan, 0.25, 0.8) * flow / 10.0**0.5
        self.sensor_s = rng.uniform(10.0, 60.0, n)

    def flow(self, rise: Array, fan: Array, opening: Array) -> Array:
        """Heat carried out by air per kelvin."""
        buoyant = self.buoyant_flow * np.sqrt(np.maximum(rise, 0.0))
        return np.asarray(opening * np.cbrt((self.fan_flow * fan) ** 3 + buoyant**3))

    def advance(
        self, air: Array, wall: Array, heat: Array, hall: Array, fan: Array, opening: Array,
        door: Array, step_s: float,
    ) -> tuple[Array, Array]:  # fmt: skip
        """Air and wall after a step; `door` is the exchange through an open door (W/K)."""
        out = (self.flow(air - hall, fan, opening) + door) * (air - hall)
        across = self.air_to_wall * (air - wall)
        air = air + step_s / self.c_air * (heat - out - across)
        wall = wall + step_s / self.c_wall * (across - self.wall_out * (wall - hall))
        return air, wall

    def settled_k(self, heat: Array, fan: Array, opening: Array) -> Array:
        """Rise at which heat in and out balance, by damped iteration."""
        rise = np.full(np.shape(heat), 8.0)
        through_wall = 1.0 / (1.0 / self.air_to_wall + 1.0 / self.wall_out)
        for _ in range(60):
            rise = 0.5 * rise + 0.5 * heat / (self.flow(rise, fan, opening) + through_wall)
        return rise


class Hall:
    """Air and walls of the halls: weather, boiler with thermostat, front door; shape (houses,)."""

    def __init__(self, rng: np.random.Generator, houses: int, days: int, calm: bool) -> None:
        n = houses
        self.rng, self.calm = rng, calm
        self.season_c = rng.uniform(2.0, 20.0, n)
        self.swing_k = rng.uniform(2.0, 6.0, n)
        self.hot_day = rng.uniform(9.0, max(10.0, days - 3.0), n)
        self.hot_k = rng.uniform(0.0, 11.0, n)
        self.weather_k = np.zeros(n)
        self.air = np.full(n, 20.0)
        self.wall = np.full(n, 19.0)
        self.radiator_w = np.zeros(n)
        self.burning = np.zeros(n, dtype=bool)
        self.band_k = rng.uniform(0.3, 0.9, n)
        self.day_c, self.night_c = rng.uniform(18.5, 21.5, n), rng.uniform(15.0, 18.0, n)
        self.doors_a_day = rng.uniform(2.0, 14.0, n)
        self.door_s = np.zeros(n)
        self.door_g = rng.uniform(80.0, 400.0, n)
        self.eddy_k = np.zeros(n)
        self.eddy_size_k = rng.uniform(0.02, 0.15, n)

    def advance(self, t_s: int, step_s: float) -> Array:
        """Air beside the cabinet, after a step."""
        rng, n = self.rng, len(self.air)
        if self.calm:
            return self.air
        hour, day = (t_s % DAY_S) / 3600.0, t_s / DAY_S
        self.weather_k += -self.weather_k * step_s / 1.5e5
        self.weather_k += 2.0 * (2.0 * step_s / 1.5e5) ** 0.5 * rng.standard_normal(n)
        hot = self.hot_k * np.clip(1.5 - np.abs(day - self.hot_day) / 2.5, 0.0, 1.0)
        swing = self.swing_k * np.cos(2.0 * np.pi * (hour - 15.0) / 24.0)
        outside = self.season_c + swing + hot + self.weather_k
        at_home = 6.0 <= hour < 9.0 or 16.0 <= hour < 22.5
        goal = self.day_c if at_home else self.night_c
        self.burning = np.where(self.air < goal - self.band_k / 2, True, self.burning)
        self.burning = np.where(self.air > goal + self.band_k / 2, False, self.burning)
        self.radiator_w += (1800.0 * self.burning - self.radiator_w) * step_s / 500.0
        if 6.5 < hour < 23.0:
            opened = rng.random(n) < self.doors_a_day * step_s / (16.5 * 3600.0)
            length = np.exp(rng.uniform(log(8.0), log(900.0), n))
            self.door_s = np.where(opened, length, self.door_s)
        self.door_s = np.maximum(self.door_s - step_s, 0.0)
        door = self.door_g * (self.door_s > 0.0)
        heat = self.radiator_w + 40.0 * (self.wall - self.air)
        heat += (12.0 + door) * (outside - self.air)
        self.air = self.air + step_s / 9e4 * heat
        self.wall = self.wall + step_s / 4e6 * (
            40.0 * (self.air - self.wall) + 30.0 * (outside - self.wall)
        )
        self.eddy_k += -self.eddy_k * step_s / 90.0
        self.eddy_k += self.eddy_size_k * (2.0 * step_s / 90.0) ** 0.5 * rng.standard_normal(n)
        return np.asarray(self.air + self.eddy_k)


def settle(gear: Gear, power: Array, inlet: Array, fan: Array, opening: Array) -> Array:
    """The sensor's rise in the end, if power, inlet and cooling stay as they are."""
    shape = np.broadcast_shapes(np.shape(power), np.shape(gear.nominal_w))
    s = State.cold(shape, 0.0)
    s.component, s.chassis, s.exhaust = inlet + 25.0, inlet + 12.0, inlet + 10.0
    for _ in range(120):
        flow = stream_w_per_k(gear, s, inlet, fan, opening)
        film = 0.2 + 0.8 * np.sqrt(np.minimum(flow / (gear.nominal_w / 10.0), 2.0))
        gc, gh = gear.to_air * film, gear.chassis_to_air * film
        lost = gear.chassis_out * np.sqrt(np.sqrt(0.1 + np.abs(s.chassis - inlet) / 10.0))
        g, inside = gc + gh, 0.5 * (inlet + s.exhaust)
        component = (power + gc * inside + gear.to_chassis * s.chassis) / (gc + gear.to_chassis)
        chassis = (gear.to_chassis * component + gh * inside + lost * inlet) / (
            gear.to_chassis + gh + lost
        )
        offer = gc * component + gh * chassis
        exhaust = (offer - 0.5 * g * inlet + flow * inlet) / (flow + 0.5 * g)
        s.component = 0.5 * (s.component + component)
        s.chassis = 0.5 * (s.chassis + chassis)
        s.exhaust = 0.5 * (s.exhaust + exhaust)
        s.speed = 0.5 * (s.speed + wanted_speed(gear, s.component))
    felt = gear.near_air * s.exhaust + (1.0 - gear.near_air) * s.chassis
    return np.asarray(felt - inlet)


def cooling_for(
    factor: float | Array, settled: Callable[[Array], Array], shape: tuple[int, ...]
) -> Array:
    """The share of fan and opening at which `settled(share)` is `factor` times sound; bisection."""
    low, high = np.full(shape, 0.02), np.ones(shape)
    sound = settled(high)
    for _ in range(18):
        middle = 0.5 * (low + high)
        too_hot = settled(middle) > factor * sound
        low, high = np.where(too_hot, middle, low), np.where(too_hot, high, middle)
    return 0.5 * (low + high)


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
                factor, lambda s: settle(gear, usual, np.full(1, 27.0), np.ones(1), s), (n, 4)
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
        cabinet = one_of(simulation.cabinet, i, None)
        return lambda p, _, f=1.0, o=1.0: cabinet.settled_k(p, np.asarray(f), np.asarray(o))
    gear = one_of(simulation.gear, i, j)
    return lambda p, a, f=1.0, o=1.0: settle(gear, p, a, np.asarray(f), np.asarray(o))


def one_of(parameters: Any, i: int, j: int | None) -> Any:
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
