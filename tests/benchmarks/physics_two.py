"""A second physics for the benchmarks: a terraced house's hall, a cabinet in it, four devices.

Unlike `physics.py` it knows no settled rise by law: air flows. Each device has a component mass, a
chassis and a stream of air drawn by a fan (of fixed or temperature-controlled speed) and by
buoyancy; its sensor sits between exhaust and chassis. The cabinet is itself a device, in a hall
with a thermostat, a boiler, a front door and weather. Figures are plausible, none is measured.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import log

import numpy as np

from tests.benchmarks.physics import DAY_S, Array

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


def cooling_for(factor: float, settled: Callable[[Array], Array], shape: tuple[int, ...]) -> Array:
    """The share of fan and opening at which `settled(share)` is `factor` times sound; bisection."""
    low, high = np.full(shape, 0.02), np.ones(shape)
    sound = settled(high)
    for _ in range(18):
        middle = 0.5 * (low + high)
        too_hot = settled(middle) > factor * sound
        low, high = np.where(too_hot, middle, low), np.where(too_hot, high, middle)
    return 0.5 * (low + high)
