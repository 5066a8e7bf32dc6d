"""Drift benchmark: half a year of ordinary life, with and without dust, one reading a minute.

The whole chain runs: readings, device observer (commissioned or learnt), drift observer, verdict.
Run from the root: `python -m tests.benchmarks.drift`.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from functools import partial

import numpy as np

from cabinetwatch.thermal.device import DeviceObserver
from cabinetwatch.thermal.drift import DriftObserver
from cabinetwatch.thermal.windows import DeviceSettings
from tests.benchmarks.detection import once
from tests.benchmarks.physics import DAY_S, Array
from tests.benchmarks.physics_two import (
    KINDS,
    Cabinet,
    Gear,
    Hall,
    HouseLoads,
    State,
    advance_gear,
    cooling_for,
    settle,
)

READING_S, SUBSTEPS = 60, 3
WEEK_S = 7 * DAY_S
CLEAN_WEEKS = 3
DUST_PER_WEEK = (0.0, 0.0, 0.01, 0.02, 0.03)
MARGIN_SHARE = 0.5
"""Hot-day margin of the benchmark's devices, as a share of their normal rise."""

HORIZON_DAYS = 90.0


@dataclass
class HalfYear:
    """Readings of one device, `READING_S` apart."""

    name: str
    dust_per_week: float
    temperature_c: Array
    ambient_c: Array
    power_w: Array
    usual_w: float
    normal_rise_k: float
    has_power: bool


def _opening_tables(gear: Gear, usual_w: Array, factors: Array) -> Array:
    """Opening at which the settled rise is each factor times clean, (factors, houses, 4)."""
    still = np.ones(1)
    return np.array([
        np.ones_like(usual_w) if factor == 1.0 else cooling_for(
            float(factor),
            lambda share: settle(gear, usual_w, np.full(1, 27.0), still, share),
            usual_w.shape,
        )
        for factor in factors
    ])  # fmt: skip


def simulate(houses: int, days: int, seed: int) -> list[HalfYear]:
    """Half a year of the second physics, its cabinet's air always settled."""
    rng = np.random.default_rng(seed)
    gear = Gear(rng, houses)
    loads = HouseLoads(rng, gear.nominal_w, calm=False)
    cabinet = Cabinet(rng, houses, 0.6 * gear.nominal_w.sum(axis=1))
    hall = Hall(rng, houses, days, calm=False)
    usual_w = gear.nominal_w * np.array([0.7, 0.75, 0.62, 0.5])
    dust = rng.permutation(np.resize(DUST_PER_WEEK, houses * 4)).reshape(houses, 4)
    factors = np.array([1.0, 1.08, 1.2, 1.4, 1.7])
    tables = _opening_tables(gear, usual_w, factors)
    season_c = hall.season_c.copy()
    state = State.cold((houses, 4), 24.0)
    air, opening = np.full(houses, 24.0), np.ones((houses, 4))
    count = days * DAY_S // READING_S
    track = np.zeros((3, count, houses, 4), dtype=np.float32)
    for k in range(count):
        t_s = k * READING_S
        if t_s % DAY_S == 0:
            hall.season_c = season_c + 7.0 * np.sin(2 * np.pi * t_s / (365 * DAY_S))
            factor = 1.0 + dust * max(0.0, t_s / WEEK_S - CLEAN_WEEKS)
            for i, j in np.ndindex(houses, 4):
                opening[i, j] = np.interp(factor[i, j], factors, tables[:, i, j])
        room = hall.advance(t_s, READING_S)
        power = loads.at(t_s, READING_S)
        for _ in range(SUBSTEPS):
            heat = advance_gear(
                gear, state, power, air[:, None], np.ones(1), opening, READING_S / SUBSTEPS
            ).sum(axis=1)
        rise = air - room
        for _ in range(2):
            flow = cabinet.flow(rise, np.ones(1), np.ones(1)) + 2.0
            rise = 0.5 * rise + 0.5 * heat / flow
        air = room + rise
        track[0, k], track[1, k], track[2, k] = state.sensor, air[:, None], power
    normal = settle(gear, usual_w, np.full(1, 27.0), np.ones(1), np.ones(1))
    return [
        _read(
            rng,
            track[:, :, i, j].astype(float),
            f"{kind}-{i}",
            dust[i, j],
            usual_w[i, j],
            float(normal[i, j]),
        )
        for i in range(houses)
        for j, kind in enumerate(KINDS)
    ]


def _read(
    rng: np.random.Generator, track: Array, name: str, dust: float, usual_w: float, normal_k: float
) -> HalfYear:
    noise, step = rng.uniform(0.02, 0.15), rng.choice([0.0625, 0.1])
    heard = [
        np.round((row + noise * rng.standard_normal(len(row))) / step) * step for row in track[:2]
    ]
    known = bool(rng.random() < 0.7)
    return HalfYear(name, dust, heard[0], heard[1], np.round(track[2], 1), usual_w, normal_k, known)


def follow(device: HalfYear, learnt: bool) -> str:
    """Run the chain; returns a line that says what was found and when."""
    settings = DeviceSettings(has_power=device.has_power)
    if not learnt:
        settings = DeviceSettings(
            has_power=device.has_power,
            normal_rise_k=float(device.normal_rise_k),
            normal_power_w=float(device.usual_w),
        )
    observer, drift = DeviceObserver(settings), DriftObserver()
    margin_k = MARGIN_SHARE * device.normal_rise_k
    found_week = climb_week = None
    losses, was_lost = 0, False
    rows = zip(device.temperature_c.tolist(), device.ambient_c.tolist(), device.power_w.tolist(),
               strict=True)  # fmt: skip
    for k, (temperature_c, ambient_c, power_w) in enumerate(rows):
        t_ms = 1000 * READING_S * k
        if not observer.update(t_ms, temperature_c, ambient_c, power_w):
            continue
        lost = observer.cooling_loss.standing
        losses += lost and not was_lost
        was_lost = lost
        ratio = observer.rise_ratio
        if ratio is None or not drift.observe(t_ms, ratio):
            continue
        rise_used_k = (ratio - 1.0) * device.normal_rise_k
        finding = drift.assess(margin_k - rise_used_k, device.normal_rise_k)
        if finding.significant and climb_week is None:
            climb_week = t_ms / 1000 / WEEK_S
        if finding.within(HORIZON_DAYS) and found_week is None:
            found_week = t_ms / 1000 / WEEK_S
    used_up = None
    if device.dust_per_week > 0.0:
        used_up = CLEAN_WEEKS + MARGIN_SHARE / device.dust_per_week
    finding = drift.assess(margin_k, device.normal_rise_k)
    told, seen = (
        "none" if week is None else f"week {week:.1f}" for week in (found_week, climb_week)
    )
    gone = "never" if used_up is None else f"week {used_up:.1f}"
    return (
        f"{device.name:12} power {int(device.has_power)} dust {100 * device.dust_per_week:.0f} %"
        f" a week: climb seen {seen}, told {told}, margin gone {gone};"
        f" cooling-loss raised {losses};"
        f" climb {finding.climb_per_week}, p {finding.p}, days {len(drift.days)}"
    )


def main() -> None:
    """Simulate or take from the temporary folder; print a line a device."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--houses", type=int, default=5)
    parser.add_argument("--days", type=int, default=182)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--learnt", action="store_true")
    arguments = parser.parse_args()
    size = arguments.houses, arguments.days, arguments.seed
    for device in once("drift-{}-{}-{}".format(*size), partial(simulate, *size)):
        print(follow(device, arguments.learnt), flush=True)


if __name__ == "__main__":
    main()
