"""A population of simulated trials with known truth, drawn from several kinds of physics."""

from dataclasses import dataclass

import numpy as np
from scipy.signal import lfilter

from cabinetwatch.trial.readings import Phase, Series, Subject, Trial
from tests.trial.physics import GRID_S, Array, Physics, one_node, two_nodes

START_MS = 1_780_000_000_000
STRATA = ((0.7, 1.0), (1.0, 1.5), (1.5, 2.0), (2.0, 3.0), (3.0, 4.5), (4.5, 6.0))


@dataclass(frozen=True)
class PhaseTruth:
    """The truth of one phase: settled rise at its mean load, time constant, length."""

    rise_k: float
    time_constant_s: float
    length: float
    """In time constants."""
    has_transient: bool
    """Whether it began so far from settled that a time constant can be seen at all."""
    model: Physics


@dataclass(frozen=True)
class Simulated:
    """A trial and its truth."""

    trial: Trial
    before: PhaseTruth
    after: PhaseTruth
    kind: str
    offset_k: float = 0.0


@dataclass(frozen=True)
class _Instruments:
    noise_k: float
    step_k: float
    interval_s: float
    ambient_interval_s: float
    offset_k: float
    ambient_offset_k: float


class _Maker:
    """Draws one trial; every call of `make` takes from one stream of random numbers."""

    def __init__(self, seed: int, wander: float | None = None) -> None:
        self.rng = np.random.default_rng(seed)
        self.wander = wander
        """What the load wanders by, as a share, where nobody meters it; None for next to nothing in
        some of the trials, a meter in the others."""

    def make(self, kind: str, length: tuple[float, float]) -> Simulated:
        """Draw a trial whose phases both last `length` (lowest, highest) time constants."""
        rng = self.rng
        before, after, power_w = self._physics(kind)
        full_w = power_w
        metered = rng.random() < 0.7 and self.wander is None
        accuracy_k, ambient_accuracy_k = rng.choice([0.2, 0.3, 0.5], 2)
        tools = _Instruments(
            noise_k=float(np.exp(rng.uniform(np.log(0.02), np.log(0.15)))),
            step_k=float(rng.choice([0.01, 0.0625, 0.1])),
            interval_s=float(rng.choice([5, 10, 10, 30, 60])),
            ambient_interval_s=float(rng.choice([10, 30, 60])),
            offset_k=float(rng.uniform(-accuracy_k, accuracy_k)),
            ambient_offset_k=float(rng.uniform(-ambient_accuracy_k, ambient_accuracy_k)),
        )
        spans = [float(rng.uniform(*length)) for _ in range(2)]
        steps = [
            int(span * model.time_constant_s / GRID_S)
            for span, model in zip(spans, (before, after), strict=True)
        ]
        gap = int(rng.choice([0, 120, 300, 600]) / GRID_S)
        ambient_c = self._ambient(steps[0] + gap + steps[1])
        load_w = self._load(len(ambient_c), full_w, metered=metered)
        state, transient = self._start(before, full_w, ambient_c[0])
        first, last = slice(0, steps[0]), slice(steps[0] + gap, None)
        middle = slice(steps[0], steps[0] + gap)
        warm_before, state = before.run(state, load_w[first], ambient_c[first])
        if gap:
            airy = Physics(
                before.a * 2.0, before.b_power, before.b_ambient * 2.0, before.c, before.d
            )
            _, state = airy.run(state, load_w[middle], ambient_c[middle])
        warm_after, _ = after.run(state, load_w[last], ambient_c[last])
        phases = [
            self._phase(tools, part, warm, ambient_c[part], load_w[part], metered=metered)
            for part, warm in ((first, warm_before), (last, warm_after))
        ]
        checked = rng.random() < 0.25 or self.wander is not None
        zero = self._zero(tools, ambient_c[0]) if checked else None
        subject = Subject(
            device="nas",
            design_ambient_c=35.0,
            temperature_accuracy_k=float(accuracy_k),
            ambient_accuracy_k=float(ambient_accuracy_k),
        )
        # What wanders unseen settles at its own mean.
        rises = [
            model.resistance_k_w * (float(np.mean(load_w[part])) if metered else full_w)
            for model, part in ((before, first), (after, last))
        ]
        return Simulated(
            Trial(subject, phases[0], phases[1], zero),
            PhaseTruth(rises[0], before.time_constant_s, spans[0], transient, before),
            PhaseTruth(
                rises[1], after.time_constant_s, spans[1], abs(rises[1] - rises[0]) > 2.0, after
            ),
            kind,
            tools.offset_k - tools.ambient_offset_k,
        )

    def _physics(self, kind: str) -> tuple[Physics, Physics, float]:
        rng = self.rng
        power_w = float(np.exp(rng.uniform(np.log(8), np.log(150))))
        rise_k = float(rng.uniform(6, 22))
        tau_s = float(np.exp(rng.uniform(np.log(400), np.log(4000))))
        change = float(rng.choice([rng.uniform(1.15, 2.2), rng.uniform(0.6, 0.9)], p=[0.8, 0.2]))
        lag_s = float(rng.uniform(5, 60))
        bypass = float(rng.choice([0.0, rng.uniform(0, 0.4)]))
        conductance = power_w / rise_k
        if kind == "one node":
            capacity = conductance * tau_s
            return (
                one_node(conductance, capacity, lag_s, bypass),
                one_node(conductance / change, capacity, lag_s, bypass),
                power_w,
            )
        while True:
            models = self._two(conductance, tau_s, change, lag_s, bypass)
            strongest = min(max(share for _, share in model.modes) for model in models)
            slow = min(model.modes[0][1] for model in models)
            if kind == "slow mass" or (strongest >= 0.75 and slow < 1.3):
                return models[0], models[1], power_w

    def _two(
        self, conductance: float, tau_s: float, change: float, lag_s: float, bypass: float
    ) -> list[Physics]:
        rng = self.rng
        ratio = float(np.exp(rng.uniform(np.log(0.3), np.log(6.0))))
        share = float(rng.uniform(0.0, 0.5))
        coupling = float(np.exp(rng.uniform(np.log(0.3), np.log(6.0))))
        at_mass = float(rng.choice([0.0, rng.uniform(0, 1)]))
        part_j_k = conductance * tau_s / (1 + ratio)
        return [
            two_nodes(
                part_j_k=part_j_k,
                mass_j_k=part_j_k * ratio,
                part_to_air_w_k=conductance * (1 - share) / factor,
                part_to_mass_w_k=conductance * coupling,
                mass_to_air_w_k=conductance * share,
                lag_s=lag_s,
                at_mass=at_mass,
                bypass=bypass,
            )
            for factor in (1.0, change)
        ]

    def _start(self, model: Physics, power_w: float, ambient_c: float) -> tuple[Array, bool]:
        cold = model.settled_state(0.0, ambient_c)
        warm = model.settled_state(power_w, ambient_c)
        how = self.rng.choice(["cold", "settled", "between"], p=[0.6, 0.2, 0.2])
        part = {"cold": 0.0, "settled": 1.0, "between": float(self.rng.uniform(0, 1))}[str(how)]
        return cold + part * (warm - cold), part < 0.6

    def _ambient(self, steps: int) -> Array:
        rng = self.rng
        t_h = np.arange(steps) * GRID_S / 3600
        drift = rng.uniform(-1.0, 1.0) * t_h
        swing = rng.uniform(0, 1.0) * np.sin(
            2 * np.pi * (t_h / rng.uniform(0.5, 24) + rng.random())
        )
        draught = _wander(rng, steps, rng.uniform(0.02, 0.15), 300.0)
        door = np.zeros(steps)
        if rng.random() < 0.3 and steps > 400:
            start = int(rng.integers(0, steps - 200))
            door[start : start + int(rng.uniform(60, 600) / GRID_S)] = rng.uniform(-4, -1)
        return np.asarray(21.0 + drift + swing + draught + door)

    def _load(self, steps: int, full_w: float, *, metered: bool) -> Array:
        rng = self.rng
        if self.wander is not None:
            memory_s = float(np.exp(rng.uniform(np.log(100.0), np.log(1500.0))))
            return np.asarray(full_w * (1 + _wander(rng, steps, self.wander, memory_s)))
        if not metered:
            return np.asarray(full_w * (1 + _wander(rng, steps, 0.005, 120.0)))
        kind = rng.choice(["steady", "drifting", "jumping"])
        share = 1 + _wander(rng, steps, 0.01, 120.0)
        if kind == "drifting":
            share = share * (1 + rng.uniform(-0.1, 0.1) * np.linspace(-0.5, 0.5, steps))
        if kind == "jumping":
            at = int(rng.integers(0, max(1, steps - 10)))
            share[at:] *= rng.uniform(0.85, 1.1)
        return np.asarray(full_w * share)

    def _phase(
        self,
        tools: _Instruments,
        part: slice,
        warm_c: Array,
        ambient_c: Array,
        load_w: Array,
        *,
        metered: bool,
    ) -> Phase:
        first = part.start or 0
        start_ms = START_MS + int(first * GRID_S * 1000)
        return Phase(
            start_ms,
            start_ms + int(len(warm_c) * GRID_S * 1000),
            self._read(warm_c + tools.offset_k, start_ms, tools.interval_s, tools),
            self._read(
                ambient_c + tools.ambient_offset_k, start_ms, tools.ambient_interval_s, tools
            ),
            self._meter(load_w, start_ms) if metered else None,
        )

    def _read(self, true: Array, start_ms: int, interval_s: float, tools: _Instruments) -> Series:
        every = int(interval_s / GRID_S)
        rows = np.arange(int(self.rng.integers(0, every)), len(true), every)
        value = true[rows] + tools.noise_k * self.rng.standard_normal(len(rows))
        return Series(
            start_ms + (rows * GRID_S * 1000).astype(np.int64),
            np.round(value / tools.step_k) * tools.step_k,
        )

    def _meter(self, load_w: Array, start_ms: int) -> Series:
        rows = np.arange(0, len(load_w), 2)
        noise = 1 + 0.003 * self.rng.standard_normal(len(rows))
        return Series(
            start_ms + (rows * GRID_S * 1000).astype(np.int64), np.round(load_w[rows] * noise, 1)
        )

    def _zero(self, tools: _Instruments, ambient_c: float) -> Phase:
        air_c = ambient_c + _wander(self.rng, 240, 0.05, 300.0)
        start_ms = START_MS - 3_600_000
        return Phase(
            start_ms,
            start_ms + 1_200_000,
            self._read(air_c + tools.offset_k, start_ms, tools.interval_s, tools),
            self._read(air_c + tools.ambient_offset_k, start_ms, tools.ambient_interval_s, tools),
        )


def _wander(rng: np.random.Generator, steps: int, sd: float, time_s: float) -> Array:
    """A first-order random process about 0."""
    keep = float(np.exp(-GRID_S / time_s))
    kicks = sd * np.sqrt(1 - keep**2) * rng.standard_normal(steps)
    kicks[0] = sd * rng.standard_normal()
    return np.asarray(lfilter([1.0], [1.0, -keep], kicks))


def draw(count: int, seed: int, wander: float | None = None) -> list[Simulated]:
    """Draw `count` trials, taking strata of length and kinds of physics in turn.

    With `wander` none has a meter, each has a zero phase, and each load wanders by that share with
    a memory of 100 to 1500 s.
    """
    maker = _Maker(seed, wander)
    kinds = ("one node", "two nodes", "slow mass")
    return [
        maker.make(kinds[i // len(STRATA) % len(kinds)], STRATA[i % len(STRATA)])
        for i in range(count)
    ]
