"""A third physics for the benchmarks: whole houses as their thirteen sensors tell of them.

It shares no code with `physics.py` and `physics_two.py`, and neither their equations nor their
loads. A hall has air and walls, a radiator that follows a schedule by a sluggish valve, a window
for the sun, doors; a cabinet in it has air, a shelf, a leak that grows with the stack's draught and
a door of its own. Each of four devices is a hot part and a case; its part is cooled by a fan that
follows a table of speeds with hysteresis, by Nu ~ Re^0.8 (forced convection: Dittus and Boelter,
from memory). Loads are Markov chains with bursts of Pareto length on top, and what nobody meters
wanders. Sensors have 0.1 K, speak every 10 to 60 s by clocks of their own and lose packets.

What happens is drawn beforehand, device by device; one loop then steps all houses at once. A fault
is a branch off the sound house, and all branches are stepped together. Figures are plausible, none
is measured.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

Floats: TypeAlias = npt.NDArray[np.float64]
Singles: TypeAlias = npt.NDArray[np.float32]

STEP_S = 10
A_DAY = 86_400 // STEP_S
DEVICES = ("nas", "switch", "ups", "amplifier")
METERED = ("nas", "amplifier")
FAULTS = ("stall", "half", "blocked")
STUCK = ("stuck", "jittery")
FAULT_S, STUCK_S = 5 * 3600, 12 * 3600
RAMP_S = 600
FIRST_FAULT_DAY = 7.5
RESOLUTION_K = 0.1
MOVED_K, MOVED_FOR_S = 1.5, 1800.0
"""What a stuck sensor measures has moved once it was so far off for so long, all in all."""


@dataclass
class Stream:
    """What one sensor said, and when; `true` is what it measures, where that matters."""

    t_s: Floats
    value: Singles
    true: Singles


@dataclass
class Branch:
    """What goes otherwise from `start_s` to `end_s`: streams in place of the house's own.

    `device` is its number, -1 for the cabinet's air. `moved_s`: how long after the start what a
    stuck sensor measures has moved (`MOVED_K`); infinite if it never does.
    """

    kind: str
    device: int
    start_s: float
    end_s: float
    factor: float
    streams: dict[str, Stream]
    moved_s: float = np.inf


@dataclass
class House:
    """A house: its sensors' streams by ID, what is true of its devices, and the branches."""

    name: str
    days: int
    interval_s: dict[str, int]
    noise_k: dict[str, float]
    streams: dict[str, Stream]
    tau_s: Floats
    normal_w: Floats
    normal_k: Floats
    branches: list[Branch] = field(default_factory=list)


@dataclass
class Outer:
    """The parameters of halls and cabinets, one row a house."""

    hall_j_k: Floats
    wall_j_k: Floats
    hall_wall: Floats
    wall_out: Floats
    draught: Floats
    window_m2: Floats
    valve_w_k: Floats
    cabinet_j_k: Floats
    shelf_j_k: Floats
    cabinet_shelf: Floats
    leak: Floats
    stack: Floats


@dataclass
class Inner:
    """The parameters of devices, shape (houses, 4); tables have a fourth column each level."""

    nominal_w: Floats
    part_j_k: Floats
    case_j_k: Floats
    still: Floats
    blown: Floats
    part_case: Floats
    case_air: Floats
    sees_part: Floats
    sees_case: Floats
    lag_s: Floats
    table_c: Floats
    table_speed: Floats


@dataclass
class State:
    """Where all houses are now."""

    hall: Floats
    wall: Floats
    radiator_w: Floats
    cabinet: Floats
    shelf: Floats
    probes: Floats
    part: Floats
    case: Floats
    sensor: Floats
    level: npt.NDArray[np.int64]

    def copy(self) -> State:
        """The same, to go another way."""
        return State(*(getattr(self, each.name).copy() for each in fields(self)))


@dataclass
class Inputs:
    """What comes from outside, drawn beforehand: shape (steps, houses) or (steps, houses, 4)."""

    outside_c: Singles
    sun_w_m2: Singles
    hall_door: Singles
    wanted_c: Singles
    cabinet_door: Singles
    eddy_k: Singles
    power_w: Singles


_LEVELS = 4
_NOMINAL_W = np.array([38.0, 32.0, 22.0, 60.0])
_PART_TAU_S = ((250.0, 800.0), (90.0, 300.0), (700.0, 2000.0), (500.0, 1400.0))
_CASE_TAU_S = ((1500.0, 4000.0), (900.0, 2400.0), (3000.0, 7000.0), (2500.0, 6000.0))


def _outer(rng: np.random.Generator) -> dict[str, float]:
    u = rng.uniform
    return {
        "hall_j_k": u(5e4, 1.5e5), "wall_j_k": u(3e6, 8e6), "hall_wall": u(60.0, 140.0),
        "wall_out": u(20.0, 45.0), "draught": u(6.0, 18.0), "window_m2": u(0.0, 1.6),
        "valve_w_k": u(300.0, 900.0), "cabinet_j_k": u(1500.0, 4000.0),
        "shelf_j_k": u(1.5e4, 6e4), "cabinet_shelf": u(2.0, 6.0), "leak": u(5.0, 12.0),
        "stack": u(0.8, 3.0),
    }  # fmt: skip


def _inner(rng: np.random.Generator) -> dict[str, Floats]:
    def u(low: float, high: float) -> Floats:
        return np.asarray(rng.uniform(low, high, 4))

    nominal = _NOMINAL_W * u(0.7, 1.4)
    whole = nominal / u(20.0, 40.0)
    still_share, part_case = u(0.2, 0.5), whole * u(0.1, 0.4)
    case_air = whole * u(0.1, 0.4)
    part_tau = np.array([rng.uniform(*span) for span in _PART_TAU_S])
    case_tau = np.array([rng.uniform(*span) for span in _CASE_TAU_S])
    sees_part = u(0.25, 0.75)
    steps_c = np.cumsum(rng.uniform(3.0, 7.0, (4, _LEVELS)), axis=1)
    slowest = u(0.45, 1.0)[:, None]
    # A share of one: a fan of one speed.
    speeds = slowest + (1.0 - slowest) * np.arange(_LEVELS) / (_LEVELS - 1.0)
    return {
        "nominal_w": nominal, "part_j_k": part_tau * (whole + part_case),
        "case_j_k": case_tau * (part_case + case_air), "still": still_share * whole,
        "blown": (1.0 - still_share) * whole, "part_case": part_case, "case_air": case_air,
        "sees_part": sees_part, "sees_case": (1.0 - sees_part) * u(0.1, 0.9),
        "lag_s": u(12.0, 70.0), "table_c": u(36.0, 46.0)[:, None] + steps_c,
        "table_speed": speeds,
    }  # fmt: skip


# --- what happens, drawn beforehand ----------------------------------------------------------


def _wander(rng: np.random.Generator, count: int, size: float, memory_s: float) -> Floats:
    """A first-order autoregressive course of a given standard deviation."""
    keep = float(np.exp(-STEP_S / memory_s))
    shocks = size * (1.0 - keep * keep) ** 0.5 * rng.standard_normal(count)
    # Only here: it takes a second.
    from scipy.signal import lfilter  # noqa: PLC0415

    return np.asarray(lfilter([1.0], [1.0, -keep], shocks))


def _spells(
    rng: np.random.Generator, count: int, a_day: float, lengths_s: Floats, sizes: Floats
) -> Floats:
    """The sum of spells that begin by chance `a_day` times a day: of drawn length and size."""
    number = min(int(rng.poisson(a_day * count / A_DAY)), len(lengths_s))
    course = np.zeros(count + 1)
    begins = rng.integers(0, count, number)
    ends = np.minimum(begins + np.maximum(lengths_s[:number] / STEP_S, 1.0).astype(int), count)
    np.add.at(course, begins, sizes[:number])
    np.add.at(course, ends, -sizes[:number])
    return np.maximum(np.cumsum(course[:-1]), 0.0)


def _chain(rng: np.random.Generator, count: int, levels: Floats, dwells_s: Floats) -> Floats:
    """A Markov chain: it stays in each level for an exponential time and goes to any other."""
    number = 8 + int(3.0 * count * STEP_S / dwells_s.min())
    ups = rng.integers(1, len(levels), number)
    states = np.cumsum(ups) % len(levels)
    ends = np.cumsum(rng.exponential(dwells_s[states]) / STEP_S)
    return np.asarray(levels[states[np.searchsorted(ends, np.arange(count), side="right")]])


def _pareto_s(rng: np.random.Generator, number: int) -> Floats:
    """Lengths of bursts: heavy in their tail, from a minute to four hours."""
    return np.minimum(60.0 * (1.0 - rng.random(number)) ** (-1.0 / 1.3), 4.0 * 3600.0)


def _loads(rng: np.random.Generator, count: int, hour: Floats, nominal_w: Floats) -> Floats:
    """Power of the four devices."""
    most = 40 * (count // A_DAY + 1)
    u = rng.uniform
    nas = _chain(rng, count, np.array([0.42, 0.6, 0.78]), 60.0 * u([20, 10, 5], [120, 60, 40]))
    begins = u(0.5, 4.0)
    nas = np.maximum(nas, 0.95 * ((hour >= begins) & (hour < begins + u(0.4, 2.0))))
    switch = _chain(rng, count, np.array([0.5, 0.6, 0.7, 0.8]), 3600.0 * u(0.5, 5.0, 4))
    switch = switch + u(0.0, 0.2) * ((hour < u(5.5, 8.0)) | (hour > u(16.5, 21.0)))
    charge = _spells(rng, count, 0.12, u(3600.0, 4 * 3600.0, most), np.full(most, 0.2))
    ups = 0.55 + np.minimum(charge, 0.2) + 0.05 * np.sin(2 * np.pi * (hour - u(0, 24)) / 24)
    idle = 0.3 if rng.random() < 0.5 else 0.02
    music = _chain(rng, count, np.array([0.4, 0.55, 0.75]), 60.0 * u([10, 5, 3], [60, 60, 30]))
    first, last = u(16.0, 19.5), u(21.5, 23.7)
    days = rng.random(count // A_DAY + 1) < 0.8
    plays = (hour >= first) & (hour < last) & days[np.arange(count) // A_DAY]
    amplifier = np.where(plays, music, idle)
    shares = np.stack([nas, switch, ups, amplifier], axis=1)
    for column, (a_day, size) in enumerate(((14.0, 0.25), (6.0, 0.12), (1.0, 0.1), (4.0, 0.2))):
        sizes = size * rng.lognormal(0.0, 0.5, most)
        shares[:, column] += _spells(rng, count, a_day, _pareto_s(rng, most), sizes)
        shares[:, column] *= 1.0 + _wander(rng, count, float(u(0.01, 0.03)), 400.0)
    return np.asarray(np.clip(shares, 0.0, 1.15) * nominal_w)


def _draw(rng: np.random.Generator, days: int, nominal_w: Floats) -> list[Floats]:
    """The inputs of one house, in the order of `Inputs`."""
    count = days * A_DAY
    second = STEP_S * np.arange(count)
    hour, day = (second % 86_400) / 3600.0, second / 86_400.0
    u = rng.uniform
    begins = u(3.0, max(4.0, days - 3.0))
    hot = u(3.0, 9.0) * (rng.random() < 0.6)
    outside = u(3.0, 19.0) + _wander(rng, count, 2.5, 1.5 * 86_400.0)
    outside += u(2.0, 5.0) * np.sin(2 * np.pi * (hour - 9.5) / 24.0)
    outside += hot * np.clip(np.minimum(day - begins, begins + 7.0 - day), 0.0, 1.0)
    clear = _chain(rng, count, np.array([0.1, 0.4, 1.0]), 3600.0 * u([1, 0.3, 0.5], [8, 2, 6]))
    sun = 350.0 * clear * np.clip(np.sin(np.pi * (hour - u(6.0, 8.0)) / 8.0), 0.0, 1.0)
    sun *= (hour > 6.0) & (hour < 16.0)
    most = 60 * (days + 1)
    awake = (hour > 6.3) & (hour < 23.3)
    lengths = np.minimum(rng.lognormal(3.4, 1.3, most), 1800.0)
    hall_door = _spells(rng, count, u(4.0, 24.0), lengths, np.full(most, u(60.0, 250.0))) * awake
    lengths = np.minimum(rng.lognormal(4.0, 1.2, most), 2400.0)
    cabinet_door = _spells(rng, count, u(0.0, 2.5), lengths, np.full(most, u(20.0, 60.0))) * awake
    home_c, away_c = u(19.0, 21.5), u(15.5, 18.0)
    first, leaves, back, last = u(5.5, 7.0), u(8.0, 9.5), u(15.0, 17.5), u(21.5, 23.0)
    weekend = (second // 86_400) % 7 >= 5
    at_home = (hour >= first) & (hour < last) & (weekend | (hour < leaves) | (hour >= back))
    wanted = np.where(at_home, home_c, away_c)
    eddy = _wander(rng, count, u(0.02, 0.12), 120.0)
    power = _loads(rng, count, hour, nominal_w)
    return [outside, sun, hall_door, wanted, cabinet_door, eddy, power]


# --- the equations ---------------------------------------------------------------------------


def _speeds(inner: Inner, level: npt.NDArray[np.int64]) -> Floats:
    return np.take_along_axis(inner.table_speed, level[..., None], axis=-1)[..., 0]


def _turn(inner: Inner, s: State) -> None:
    """The fans' controllers look at their tables: up at a step's temperature, down 3 K below."""
    above = np.take_along_axis(inner.table_c, s.level[..., None], axis=-1)[..., 0]
    below = np.take_along_axis(inner.table_c, np.maximum(s.level - 1, 0)[..., None], axis=-1)
    s.level = s.level + (s.part > above) - (s.part < below[..., 0] - 3.0)
    np.clip(s.level, 0, _LEVELS - 1, out=s.level)


def _conductance(inner: Inner, level: npt.NDArray[np.int64], fan: Floats, vent: Floats) -> Floats:
    """From part to air: still air and the fan's stream, through what is left of the vents."""
    return np.asarray(vent * (inner.still + inner.blown * (fan * _speeds(inner, level)) ** 0.8))


def _step(
    outer: Outer, inner: Inner, s: State, now: Inputs, k: int, fan: Floats, vent: Floats
) -> None:
    """Go on by one step."""
    air = s.cabinet[:, None]
    if k % 3 == 0:
        _turn(inner, s)
    to_air = _conductance(inner, s.level, fan, vent) * (s.part - air)
    across = inner.part_case * (s.part - s.case)
    rise = s.case - air
    off_case = inner.case_air * rise * np.sqrt(np.sqrt(0.02 + 0.1 * np.abs(rise)))
    s.part = s.part + STEP_S / inner.part_j_k * (now.power_w[k] - to_air - across)
    s.case = s.case + STEP_S / inner.case_j_k * (across - off_case)
    seen = air + inner.sees_part * (s.part - air) + inner.sees_case * (s.case - air)
    s.sensor = s.sensor + np.minimum(1.0, STEP_S / inner.lag_s) * (seen - s.sensor)
    warm = s.cabinet - s.hall
    out = outer.leak + outer.stack * np.sqrt(np.abs(warm)) + now.cabinet_door[k]
    on_shelf = outer.cabinet_shelf * (s.cabinet - s.shelf)
    heat = (to_air + off_case).sum(axis=1)
    s.cabinet = s.cabinet + STEP_S / outer.cabinet_j_k * (heat - out * warm - on_shelf)
    s.shelf = s.shelf + STEP_S / outer.shelf_j_k * (on_shelf - 0.5 * (s.shelf - s.hall))
    asked = np.clip(outer.valve_w_k * (now.wanted_c[k] - s.hall), 0.0, 2000.0)
    s.radiator_w = s.radiator_w + STEP_S / 900.0 * (asked - s.radiator_w)
    into_wall = outer.hall_wall * (s.hall - s.wall)
    airing = (outer.draught + now.hall_door[k]) * (now.outside_c[k] - s.hall)
    gains = s.radiator_w + outer.window_m2 * now.sun_w_m2[k] + out * warm
    s.hall = s.hall + STEP_S / outer.hall_j_k * (gains + airing - into_wall)
    lost = outer.wall_out * (s.wall - now.outside_c[k])
    s.wall = s.wall + STEP_S / outer.wall_j_k * (into_wall - lost)
    both = np.stack([s.hall + now.eddy_k[k], s.cabinet + 0.5 * now.eddy_k[k]], axis=1)
    s.probes = s.probes + STEP_S / 40.0 * (both - s.probes)


def _settled_k(inner: Inner, power_w: Floats, air_c: float, fan: Floats, vent: Floats) -> Floats:
    """The sensor's rise at which heat in and out balance, the fan's table followed upwards."""
    part_k, case_k = np.full(power_w.shape, 18.0), np.full(power_w.shape, 8.0)
    level = np.zeros(power_w.shape, dtype=np.int64)
    for turn in range(160):
        to_air = _conductance(inner, level, fan, vent)
        off_case = inner.case_air * np.sqrt(np.sqrt(0.02 + 0.1 * np.abs(case_k)))
        part_k += 0.5 * ((power_w + inner.part_case * case_k) / (to_air + inner.part_case) - part_k)
        case_k += 0.5 * (inner.part_case * part_k / (inner.part_case + off_case) - case_k)
        if turn % 40 == 39:
            above = np.take_along_axis(inner.table_c, level[..., None], axis=-1)[..., 0]
            level = np.minimum(level + (air_c + part_k > above), _LEVELS - 1)
    return np.asarray(inner.sees_part * part_k + inner.sees_case * case_k)


def _vents_for(inner: Inner, power_w: Floats, air_c: float, factor: Floats) -> Floats:
    """What is left of the vents when the settled rise is `factor` times sound, by bisection."""
    fan, low, high = np.ones(1), np.full(power_w.shape, 0.03), np.ones(power_w.shape)
    sound = _settled_k(inner, power_w, air_c, fan, high)
    for _ in range(14):
        middle = 0.5 * (low + high)
        hot = _settled_k(inner, power_w, air_c, fan, middle) > factor * sound
        low, high = np.where(hot, middle, low), np.where(hot, high, middle)
    return np.asarray(0.5 * (low + high))


def _time_constants(inner: Inner, power_w: Floats) -> Floats:
    """The time to 63 % of the way after a step of the load from 70 %, its fan as it stood."""
    fan = vent = np.ones(1)
    part_k, case_k = np.full(power_w.shape, 14.0), np.full(power_w.shape, 6.0)
    level = np.zeros(power_w.shape, dtype=np.int64)
    to_air = _conductance(inner, level, fan, vent)
    track = []
    for k in range(12_000):
        watts = power_w * (0.7 if k < 6_000 else 1.0)
        off_case = inner.case_air * case_k * np.sqrt(np.sqrt(0.02 + 0.1 * np.abs(case_k)))
        across = inner.part_case * (part_k - case_k)
        part_k = part_k + STEP_S / inner.part_j_k * (watts - to_air * part_k - across)
        case_k = case_k + STEP_S / inner.case_j_k * (across - off_case)
        if k >= 6_000:
            track.append(inner.sees_part * part_k + inner.sees_case * case_k)
    rises = np.array(track)
    share = (rises - rises[0]) / (rises[-1] - rises[0])
    return np.asarray((share < 0.632).sum(axis=0) * float(STEP_S))


# --- the run ---------------------------------------------------------------------------------

_TRACKS = ("hall", "cabinet", *(f"{name}-air" for name in DEVICES))


def _tracks(s: State) -> Floats:
    """What temperature sensors measure, (houses, 6)."""
    return np.concatenate([s.probes, s.sensor], axis=1)


def _rows(parameters: Outer | Inner, rows: npt.NDArray[np.int64]) -> list[Floats]:
    return [getattr(parameters, each.name)[rows] for each in fields(parameters)]


class Simulation:
    """Some houses side by side. House `i` of a seed is the same whatever their number."""

    def __init__(self, houses: int, days: int, seed: int) -> None:
        self.houses, self.days, self.seed = houses, days, seed
        self.rngs = [np.random.default_rng([seed, number]) for number in range(houses)]
        outers = [_outer(rng) for rng in self.rngs]
        inners = [_inner(rng) for rng in self.rngs]
        self.outer = Outer(**{key: np.array([o[key] for o in outers]) for key in outers[0]})
        self.inner = Inner(**{key: np.array([i[key] for i in inners]) for key in inners[0]})
        drawn = [
            _draw(rng, days, watts)
            for rng, watts in zip(self.rngs, self.inner.nominal_w, strict=True)
        ]
        self.inputs = Inputs(
            *(np.stack(column, axis=1).astype(np.float32) for column in zip(*drawn, strict=True))
        )
        self.usual_w = self.inner.nominal_w * np.array([0.6, 0.68, 0.58, 0.55])
        self.air_c = 28.0

    def run(self) -> list[House]:
        """Step all houses, then all branches, and read the sensors."""
        count, n = self.days * A_DAY, self.houses
        s = self._cold(n)
        for k in range(A_DAY):
            _step(self.outer, self.inner, s, self.inputs, k, np.ones(1), np.ones(1))
        track = np.zeros((count, n, 6), dtype=np.float32)
        speed = np.zeros((count, n, 4), dtype=np.float32)
        plans = self._plan()
        starts = {start for *_, start, _ in plans}
        kept: dict[int, State] = {}
        for k in range(count):
            if k in starts:
                kept[k] = s.copy()
            _step(self.outer, self.inner, s, self.inputs, k, np.ones(1), np.ones(1))
            track[k], speed[k] = _tracks(s), _speeds(self.inner, s.level)
        tau_s = _time_constants(self.inner, self.usual_w)
        normal_k = _settled_k(self.inner, self.usual_w, self.air_c, np.ones(1), np.ones(1))
        houses = [
            self._read(number, track[:, number], speed[:, number], tau_s[number], normal_k[number])
            for number in range(n)
        ]
        self._branch_off(houses, plans, kept)
        return houses

    def _cold(self, n: int) -> State:
        four = np.full((n, 4), 27.0)
        air = np.full(n, 20.0)
        return State(
            air, np.full(n, 18.0), np.zeros(n), air + 5.0, air + 3.0, np.full((n, 2), 20.0),
            four + 10.0, four + 5.0, four + 6.0, np.zeros((n, 4), dtype=np.int64),
        )  # fmt: skip

    def _plan(self) -> list[tuple[int, int, int, str]]:
        """House, device, step and kind of each fault of cooling: while the device is loaded."""
        plans = []
        first, last = int(FIRST_FAULT_DAY * A_DAY), self.days * A_DAY - FAULT_S // STEP_S
        for number, rng in enumerate(self.rngs):
            if first >= last:
                break
            for device in range(4):
                power = self.inputs.power_w[first:last:6, number, device]
                loaded = np.convolve(power > 0.35 * self.usual_w[number, device], np.ones(150))
                ready = np.nonzero(loaded[149:] > 145)[0]
                plans += [
                    (number, device, first + 6 * int(rng.choice(ready)), kind)
                    for kind in (FAULTS if len(ready) else ())
                ]
        return plans

    def _branch_off(
        self,
        houses: list[House],
        plans: list[tuple[int, int, int, str]],
        kept: dict[int, State],
    ) -> None:
        """Step all faults of cooling at once, each a house of its own, and read what differs."""
        if not plans:
            return
        steps = FAULT_S // STEP_S
        rows = np.array([number for number, *_ in plans])
        outer, inner = Outer(*_rows(self.outer, rows)), Inner(*_rows(self.inner, rows))
        begun = np.array([start for _, _, start, _ in plans])
        now = Inputs(
            *(
                np.stack([course[b : b + steps, r] for b, r in zip(begun, rows, strict=True)], 1)
                for course in (getattr(self.inputs, each.name) for each in fields(self.inputs))
            )
        )
        states = [kept[start] for start in begun]
        s = State(
            *(
                np.stack([getattr(a, each.name)[r] for a, r in zip(states, rows, strict=True)])
                for each in fields(State)
            )
        )
        count = len(plans)
        fan, left, ramp = np.ones((count, 4)), np.ones((count, 4)), np.zeros((count, 4))
        factors = self._factors(plans)
        vents = _vents_for(inner, self.usual_w[rows], self.air_c, factors[:, None] * np.ones(4))
        for row, (_, device, _, kind) in enumerate(plans):
            if kind == "stall":
                fan[row, device] = 0.0
            else:
                left[row, device] = vents[row, device]
                ramp[row, device] = RAMP_S / STEP_S if kind == "blocked" else 0.0
        track = np.zeros((steps, count, 6), dtype=np.float32)
        for k in range(steps):
            done = np.minimum(1.0, (k + 1) / np.maximum(ramp, 1.0))
            _step(outer, inner, s, now, k, fan, 1.0 + done * (left - 1.0))
            track[k] = _tracks(s)
        for row, (number, device, start, kind) in enumerate(plans):
            begin_s = float(start * STEP_S)
            house, rng = houses[number], self.rngs[number]
            streams = {
                name: _again(
                    rng, house.streams[name], house.noise_k[name], begin_s, track[:, row, column]
                )
                for column, name in enumerate(_TRACKS)
            }
            house.branches.append(
                Branch(kind, device, begin_s, begin_s + FAULT_S, float(factors[row]), streams)
            )

    def _factors(self, plans: list[tuple[int, int, int, str]]) -> Floats:
        """By how much the settled rise grows in each."""
        stalled = _settled_k(self.inner, self.usual_w, self.air_c, np.zeros(1), np.ones(1))
        sound = _settled_k(self.inner, self.usual_w, self.air_c, np.ones(1), np.ones(1))
        factors = []
        for number, device, _, kind in plans:
            if kind == "stall":
                factors.append(stalled[number, device] / sound[number, device])
            else:
                factors.append(self.rngs[number].uniform(1.3, 1.6) if kind == "half" else 2.0)
        return np.array(factors)

    # --- the sensors -------------------------------------------------------------------------

    def _read(
        self, number: int, track: Singles, speed: Singles, tau_s: Floats, normal_k: Floats
    ) -> House:
        """Let the thirteen sensors of a house speak; let some of them stand still."""
        rng = self.rngs[number]
        true = {name: track[:, column] for column, name in enumerate(_TRACKS)}
        power = self.inputs.power_w[:, number]
        for name in METERED:
            gain = 1.0 + 0.01 * rng.standard_normal()
            true[f"{name}-power"] = gain * power[:, DEVICES.index(name)]
            true[f"{name}-fan"] = 2400.0 * speed[:, DEVICES.index(name)]
        true["outside"] = self.inputs.outside_c[:, number]
        damp = 100.0 * np.exp(-0.06 * (track[:, :2] - self.inputs.outside_c[:, number, None] * 0.6))
        true["hall-damp"], true["cabinet-damp"] = np.clip(damp, 15.0, 95.0).T
        house = House(
            f"house-{self.seed}-{number}", self.days, {}, {}, {}, tau_s, self.usual_w[number],
            normal_k,
        )  # fmt: skip
        for name, course in true.items():
            house.interval_s[name] = int(rng.choice([10, 15, 20, 30, 30, 60]))
            kind = name.rpartition("-")[2]
            noise = {"power": 0.1, "fan": 10.0, "damp": 0.3}.get(
                kind, float(rng.uniform(0.02, 0.08))
            )
            house.noise_k[name] = noise
            t_s = _instants(rng, self.days * 86_400, house.interval_s[name])
            house.streams[name] = _heard(rng, t_s, course, 0.0, noise, _steps_of(kind))
        self._stick(house, rng)
        return house

    def _stick(self, house: House, rng: np.random.Generator) -> None:
        """Sensors that stand still for half a day: each device's, two ways; the cabinet's air."""
        cases = [(kind, device) for device in range(4) for kind in STUCK] + [("stuck", -1)]
        first, last = FIRST_FAULT_DAY * 86_400, self.days * 86_400 - STUCK_S
        for kind, device in cases if first < last else ():
            name = "cabinet" if device < 0 else f"{DEVICES[device]}-air"
            own = house.streams[name]
            begin = int(np.searchsorted(own.t_s, rng.uniform(first, last)))
            end = int(np.searchsorted(own.t_s, own.t_s[begin] + STUCK_S))
            value = np.full(end - begin, own.value[begin - 1])
            if kind == "jittery":
                flips = rng.choice([-1, 0, 1], len(value), p=[0.1, 0.8, 0.1])
                value = np.round(value + RESOLUTION_K * flips, 3)
            t_s, true = own.t_s[begin:end], own.true[begin:end]
            off_s = np.cumsum((np.abs(true - own.value[begin - 1]) > MOVED_K) * np.diff(
                t_s, prepend=own.t_s[begin - 1]
            ))  # fmt: skip
            moved = np.nonzero(off_s >= MOVED_FOR_S)[0]
            start_s = float(t_s[0]) - 0.5
            house.branches.append(
                Branch(
                    kind, device, start_s, start_s + STUCK_S, 1.0,
                    {name: Stream(t_s, value.astype(np.float32), true)},
                    float(t_s[moved[0]] - start_s) if len(moved) else np.inf,
                )
            )  # fmt: skip


def _steps_of(kind: str) -> float:
    return {"power": 0.1, "fan": 30.0, "damp": 0.5}.get(kind, RESOLUTION_K)


def _instants(rng: np.random.Generator, end_s: int, interval_s: int) -> Floats:
    """When a sensor speaks: a clock that is wrong, jitter, lost packets, and some outages."""
    count = end_s // interval_s - 1
    t_s = interval_s * (1.0 + rng.normal(0.0, 1e-4)) * np.arange(count)
    t_s += rng.uniform(0.0, interval_s) + 0.03 * interval_s * rng.standard_normal(count)
    kept = rng.random(count) > rng.uniform(0.001, 0.03)
    for begin_s in rng.uniform(0.0, end_s, rng.poisson(end_s / (3 * 86_400))):
        kept &= (t_s < begin_s) | (t_s > begin_s + rng.exponential(180.0))
    return np.unique(np.clip(t_s[kept], 0.0, end_s - 1.0))


def _heard(
    rng: np.random.Generator,
    t_s: Floats,
    course: Singles,
    begin_s: float,
    noise: float,
    step: float,
) -> Stream:
    true = np.interp((t_s - begin_s) / STEP_S, np.arange(len(course)), course)
    value = np.round((true + noise * rng.standard_normal(len(t_s))) / step) * step
    value = np.round(np.maximum(value, 0.0) if step != RESOLUTION_K else value, 3)
    return Stream(t_s, value.astype(np.float32), true.astype(np.float32))


def _again(
    rng: np.random.Generator, own: Stream, noise: float, begin_s: float, course: Singles
) -> Stream:
    """What a sensor says of another course, at the instants at which it speaks anyway."""
    begin, end = np.searchsorted(own.t_s, [begin_s, begin_s + STEP_S * (len(course) - 1)])
    return _heard(rng, own.t_s[begin:end], course, begin_s, noise, RESOLUTION_K)


def simulate(houses: int, days: int, seed: int) -> list[House]:
    """Simulate and read the sensors."""
    return Simulation(houses, days, seed).run()
