"""How well a trial measures: coverage and width of its intervals by length of phase and load.

The devices are those of `physics_two` (component, chassis, stream of air, buoyancy) in its halls
with weather, boiler and doors; nothing in `trial/` was tuned on them. Each ran for long or starts
cold, has its fan slowed or set free with the cover off for a while, and a zero phase. Its load
wanders about a mean with a memory of 400 s, in half of the records as a first-order Gaussian
process, in the other half by jumps between two levels: the same correlation, another distribution.

The truth is the settled rise at the load's own mean where nobody meters it, for that is what the
device will settle at on another day; with a power sensor at the mean load of the phase, which is
what the report says.

    python -m tests.benchmarks.trials [--trials N] [--wander 0.03] [--json]
"""

from __future__ import annotations

import argparse
import json
from collections import defaultdict
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from cabinetwatch.trial.judgement import analyse
from cabinetwatch.trial.readings import Estimate, Phase, Series, Subject, Trial
from tests.benchmarks.physics import Array
from tests.benchmarks.physics_two import (
    STEP_S,
    Gear,
    Hall,
    State,
    advance_gear,
    cooling_for,
    one_of,
    settle,
)

START_MS = 1_780_000_000_000
MEMORY_S = 400.0
LENGTHS = ((1.0, 1.5), (1.5, 2.0), (2.0, 3.0), (3.0, 4.5), (4.5, 6.0))
WANDERS = (0.0, 0.01, 0.03, 0.06)
SUBJECT = Subject(
    device="nas",
    design_ambient_c=33.0,
    temperature_accuracy_k=0.3,
    ambient_accuracy_k=0.3,
)
STEP_K, NOISE_K, ACCURACY_K = 0.1, 0.05, 0.3
COVER_OFF_S = 300


@dataclass(frozen=True)
class Told:
    """One figure of one trial: what it is of, the phase's length, its interval, the truth."""

    what: str
    length: int
    inside: bool
    half_width_k: float
    error_k: float


def _wander(rng: np.random.Generator, steps: int, records: int) -> Array:
    """A load's deviation (steps, records) of unit size: Gaussian and jumping by turns."""
    keep = np.exp(-STEP_S / MEMORY_S)
    gauss = rng.standard_normal(records)
    jumps = rng.choice([-1.0, 1.0], records)
    path = np.empty((steps, records))
    for each in path:
        gauss = keep * gauss + np.sqrt(1 - keep**2) * rng.standard_normal(records)
        # Jumping at half the rate that it forgets at, it correlates as the other.
        jumps = np.where(rng.random(records) < (1 - keep) / 2, -jumps, jumps)
        each[:] = np.where(np.arange(records) % 8 < 4, gauss, jumps)
    return path


def _response_s(gear: Gear, power: Array, fan: Array) -> Array:
    """The 63.2 % time of each device, from cold in steady air."""
    still, ones = np.full(power.shape, 20.0), np.ones(power.shape)
    goal = settle(gear, power, still, fan, ones) * (1 - np.exp(-1.0))
    state, found = State.cold(power.shape, 20.0), np.full(power.shape, np.nan)
    for step in range(12_000):
        advance_gear(gear, state, power, still, fan, ones, STEP_S)
        reached = np.isnan(found) & (state.sensor - 20.0 >= goal)
        found[reached] = (step + 1) * STEP_S
        if not np.isnan(found).any():
            break
    return found


def simulate(
    houses: int, wander: float, *, metered: bool, seed: int
) -> Iterator[tuple[Trial, tuple[float, float], tuple[int, int]]]:
    """Four trials a house: each with the true rises and the lengths (which of `LENGTHS`)."""
    rng = np.random.default_rng(seed)
    gear = Gear(rng, houses)
    gear.controlled[:] = False
    shape = (houses, 4)
    power = 0.8 * gear.nominal_w
    air = np.full(shape, 21.0)
    # The change: settled rise 1.2 to 2 times as high, or as much lower.
    factor = rng.uniform(1.2, 2.0, shape)
    slowed = cooling_for(factor, lambda share: settle(gear, power, air, share, share), shape)
    freed = rng.random(shape) < 0.2
    shares = np.where(freed, slowed, 1.0), np.where(freed, 1.0, slowed)
    taus = [_response_s(gear, power, share) for share in shares]
    last = np.arange(houses * 4).reshape(shape) % len(LENGTHS)
    lengths = rng.integers(0, len(LENGTHS), shape), last
    bounds = np.array(LENGTHS)
    steps = [
        np.ceil(rng.uniform(bounds[length, 0], bounds[length, 1]) * tau / STEP_S).astype(int)
        for length, tau in zip(lengths, taus, strict=True)
    ]
    off = COVER_OFF_S // STEP_S
    begin = np.zeros(shape, dtype=int), steps[0] + off
    end = steps[0], steps[0] + off + steps[1]
    count = int(end[1].max())

    hall = Hall(rng, houses, 14, calm=False)
    for step in range(4 * 3600 // STEP_S):
        hall_c = hall.advance(step * STEP_S, STEP_S)
    load = power * (1 + wander * _wander(rng, count, houses * 4).reshape(count, *shape))
    state = State.cold(shape, 0.0)
    for name in ("component", "chassis", "exhaust", "sensor"):
        setattr(state, name, np.repeat(hall_c[:, None], 4, axis=1))
    # Half of them run already, and have for long.
    running = np.where(rng.random(shape) < 0.5, power, 0.0)
    for _ in range(int(8 * np.nanmax(taus[0]) / STEP_S)):
        advance_gear(gear, state, running, hall_c[:, None], shares[0], shares[0], STEP_S)
    ambient, sensed = np.empty((count, *shape)), np.empty((count, *shape))
    hour = rng.uniform(7.0, 15.0)
    for step in range(count):
        hall_c = hall.advance(int(hour * 3600) + step * STEP_S, STEP_S)
        share = np.where(step < end[0], shares[0], np.where(step < begin[1], 3.0, shares[1]))
        advance_gear(gear, state, load[step], hall_c[:, None], share, share, STEP_S)
        ambient[step], sensed[step] = hall_c[:, None], state.sensor
    for house, device in np.ndindex(shape):
        mine = house, device
        one = one_of(gear, *mine)
        if np.isnan(taus[0][mine] + taus[1][mine]):
            continue
        probes = _Probes(rng)
        phases, rises = [], []
        for number in range(2):
            first, until = int(begin[number][mine]), int(end[number][mine])
            part = slice(first, until), house, device
            watt, air_c = load[part], ambient[part]
            phases.append(probes.phase(first, sensed[part], air_c, watt if metered else None))
            at_w = np.array([np.mean(watt) if metered else power[mine]])
            share = shares[number][mine].reshape(1)
            rises.append(float(settle(one, at_w, np.array([np.mean(air_c)]), share, share)[0]))
        calm = ambient[0, house, device] + 0.05 * np.sin(np.arange(240) / 60.0)
        trial = Trial(SUBJECT, phases[0], phases[1], probes.phase(-720, calm, calm, None))
        yield trial, (rises[0], rises[1]), (int(lengths[0][mine]), int(lengths[1][mine]))


class _Probes:
    """Two sensors with their offsets and intervals, and a meter."""

    def __init__(self, rng: np.random.Generator) -> None:
        self._rng = rng
        self._offsets = rng.uniform(-ACCURACY_K, ACCURACY_K, 2)
        self._every = rng.choice([10, 20, 30, 60], 2) // STEP_S

    def phase(self, first: int, warm: Array, cool: Array, watt: Array | None) -> Phase:
        """What is read from a step of the simulation on."""
        power = None
        if watt is not None:
            rows = np.arange(0, len(watt), 2)
            noisy = watt[rows] * (1 + 0.003 * self._rng.standard_normal(len(rows)))
            power = Series(_at_ms(first + rows), np.round(noisy, 1))
        bounds = _at_ms(np.array([first, first + len(warm)]))
        return Phase(
            int(bounds[0]), int(bounds[1]), self._read(warm, first, 0), self._read(cool, first, 1),
            power,
        )  # fmt: skip

    def _read(self, values: Array, first: int, which: int) -> Series:
        every = int(self._every[which])
        rows = np.arange(int(self._rng.integers(0, every)), len(values), every)
        seen = values[rows] + NOISE_K * self._rng.standard_normal(len(rows))
        return Series(
            _at_ms(first + rows), np.round((seen + self._offsets[which]) / STEP_K) * STEP_K
        )


def _at_ms(steps: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    return START_MS + steps.astype(np.int64) * (STEP_S * 1000)


def judge(trial: Trial, rises: tuple[float, float], lengths: tuple[int, int]) -> list[Told]:
    """Analyse one trial and hold its figures against the truth."""
    figures = analyse(trial)
    # A change is told at the load of after.
    first_k = rises[0]
    if figures.before.power_w and figures.after.power_w:
        first_k *= figures.after.power_w / figures.before.power_w
    told: list[Told] = []

    def add(what: str, length: int, found: Estimate | None, truth_k: float) -> None:
        if found is not None:
            inside = found.low <= truth_k <= found.high
            error_k = found.value - truth_k
            told.append(Told(what, length, inside, (found.high - found.low) / 2, error_k))

    add("before", lengths[0], figures.before.rise, rises[0])
    add("after", lengths[1], figures.after.rise, rises[1])
    add("change", lengths[1], figures.change, rises[1] - first_k)
    return told


def _batch(job: tuple[int, float, bool, int]) -> list[Told]:
    houses, wander, metered, seed = job
    return [
        each
        for made in simulate(houses, wander, metered=metered, seed=seed)
        for each in judge(*made)
    ]


def measure(trials: int, wander: float, *, metered: bool, seed: int, jobs: int = 2) -> list[Told]:
    """Judge so many trials of each length of the after phase."""
    houses = -(-trials * len(LENGTHS) // 4 // jobs)
    batches = [(houses, wander, metered, seed + 1000 * part) for part in range(jobs)]
    with ProcessPoolExecutor(jobs) as pool:
        return [each for told in pool.map(_batch, batches) for each in told]


def table(told: list[Told]) -> dict[str, dict[str, float]]:
    """Coverage, median half width and error by what a figure is of and length of phase."""
    rows = defaultdict(list)
    for each in told:
        rows[each.length, each.what].append(each)
    return {
        f"{LENGTHS[length][0]} to {LENGTHS[length][1]} {what}": {
            "figures": len(found),
            "inside": float(np.mean([each.inside for each in found])),
            "half_width_k": float(np.median([each.half_width_k for each in found])),
            "rms_error_k": float(np.sqrt(np.mean([each.error_k**2 for each in found]))),
        }
        for (length, what), found in sorted(rows.items())
    }


def main() -> None:
    """Measure all loads, or the one asked for."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--trials", type=int, default=40, help="of each length of the after phase")
    parser.add_argument("--wander", type=float, action="append", help="of the load, as a share")
    parser.add_argument("--metered", choices=["yes", "no", "both"], default="both")
    parser.add_argument("--seed", type=int, default=71, help="of the first house")
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    options = parser.parse_args()
    found = {}
    for metered in {"yes": [True], "no": [False], "both": [False, True]}[options.metered]:
        for wander in options.wander or WANDERS:
            told = measure(options.trials, wander, metered=metered, seed=options.seed)
            name = f"load {'metered' if metered else 'unmetered'}, wandering by {wander:.0%}"
            found[name] = table(told)
            if not options.json:
                print(f"{name}, {len(told) // 3} trials")
                for row, cell in found[name].items():
                    print(
                        f"  {row:22} {cell['inside']:6.1%} of {cell['figures']:3},"
                        f" half width {cell['half_width_k']:5.2f} K,"
                        f" error {cell['rms_error_k']:5.2f} K rms",
                        flush=True,
                    )
    if options.json:
        print(json.dumps(found))


if __name__ == "__main__":
    main()
