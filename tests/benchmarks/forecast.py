"""Forecast benchmark: error of the time left, halfway to a threshold after lost cooling.

Nothing else happens in these records (steady room and load), so that the forecast is judged against
what it can know. Run from the root: `python -m tests.benchmarks.forecast`.

With `--life` the records are those of the detection benchmark, with their loads and doors; there
what people are told is judged, "in 20 min at the soonest": once a minute of the first twenty after
a loss is found, and each five minutes then, towards half and four fifths of the way that the device
will really go, and towards 3 K beyond its end.
"""

from __future__ import annotations

import argparse
from collections import defaultdict
from itertools import product
from math import log

import numpy as np

from cabinetwatch.thermal.device import DeviceObserver
from cabinetwatch.thermal.forecast import (
    Forecast,
)
from cabinetwatch.thermal.windows import DeviceSettings
from tests.benchmarks import detection
from tests.benchmarks.physics import Fault, Record
from tests.thermal.scenes import Scene, step_at

SENSORS = ((900.0, 10.0, 0.05), (3000.0, 30.0, 0.1), (400.0, 10.0, 0.1), (1800.0, 10.0, 0.2))
RISE_K = 12.0


def relative_error(
    scene: Scene, has_power: bool, loss: float, part: float, tau_factor: float
) -> float:
    """Forecast over true time left, minus 1; infinite when nothing is forecast."""
    observer = DeviceObserver(
        DeviceSettings(has_power, RISE_K, 40.0 if has_power else None, scene.tau_s * tau_factor)
    )
    fault_s = 6 * scene.tau_s
    scene.loss = step_at(fault_s, 1.0, loss)
    crossing_s = -log(1.0 - part) * scene.tau_s * loss
    last_ms = 0
    for row in scene.readings(fault_s + crossing_s / 2):
        observer.update(*row)
        last_ms = row[0]
    threshold_c = 20.0 + RISE_K * (1.0 + part * (loss - 1.0))
    forecast = observer.forecast(threshold_c, 20.0 * crossing_s).time_left_s
    left_s = fault_s + crossing_s - last_ms / 1000.0
    return float("inf") if forecast is None else forecast / left_s - 1.0


PARTS = (0.5, 0.8)
BEYOND_K = 3.0
HORIZON_S = 4.0 * 3600.0
Judged = tuple[float, Forecast]
"""The true time left (s, infinite beyond the end of the way), and what was said of it."""


def spans(record: Record, observer: DeviceObserver, fault: Fault) -> list[Judged]:
    """Run an observer through a fault, and ask it for the time left again and again."""
    during = (record.t_s >= fault.start_s) & (record.t_s < fault.end_s)
    true_c, t_s = record.faulty_true_c[during], record.t_s[during]
    top_c, way_k = true_c.max(), true_c.max() - true_c[0]
    if way_k < 2.0:
        return []
    crossings = [(float(top_c) + BEYOND_K, float("inf"))]
    for part in PARTS:
        threshold_c = float(true_c[0] + part * way_k)
        crossings.append((threshold_c, float(t_s[np.argmax(true_c >= threshold_c)])))
    judged: list[Judged] = []
    next_s = 0.0
    for row in detection.events(record, record.faulty_c, fault.start_s, fault.end_s):
        now_s = row[0]
        if not detection.feed(observer, record.has_power, row) or now_s < next_s:
            continue
        if not observer.cooling_loss.standing:
            continue
        next_s = now_s + (60.0 if now_s - fault.start_s < 1200.0 else 300.0)
        judged += [
            (crossing_s - now_s, observer.forecast(threshold_c, HORIZON_S))
            for threshold_c, crossing_s in crossings
            if crossing_s > now_s
        ]
    return judged


def life(source: str, devices: int, days: int, seed: int) -> None:
    """Print how often the spans hold the truth, by kind of fault and knowledge of the power."""
    groups: dict[tuple[str, bool], list[Judged]] = defaultdict(list)
    for record in detection.load_records(source, devices, days, seed):
        observer = DeviceObserver(detection.settings_for(record, "learnt"))
        faults = sorted(record.faults, key=lambda fault: fault.start_s)
        for row in detection.events(record, record.sound_c, 0.0, float("inf")):
            while faults and row[0] >= faults[0].start_s:
                fault = faults.pop(0)
                copy = DeviceObserver.load(observer.settings, observer.save())
                groups[fault.kind, record.has_power] += spans(record, copy, fault)
            if not faults:
                break
            detection.feed(observer, record.has_power, row)
    for (kind, has_power), judged in sorted(groups.items()):
        known = "known" if has_power else "unknown"
        print(f"{kind:8} power {known:7}: {_held(judged)}")
    print(f"all: {_held([each for judged in groups.values() for each in judged])}")


def _held(judged: list[Judged]) -> str:
    """Say how often the truth is not before the soonest, and not after the latest."""
    soon = [(left_s, said.soonest_s) for left_s, said in judged if said.soonest_s is not None]
    late = [(left_s, said.latest_s) for left_s, said in judged if said.latest_s is not None]
    early = np.mean([left_s >= 0.999 * said_s - 5.0 for left_s, said_s in soon])
    over = sum(left_s > 1.001 * said_s + 5.0 for left_s, said_s in late) / len(judged)
    crossed = [left_s for left_s, _ in judged if left_s < HORIZON_S]
    lead = [said_s / left_s for left_s, said_s in soon if left_s < HORIZON_S]
    return (
        f"n {len(judged)} ({len(crossed)} cross), soonest said of {len(soon) / len(judged):.2f},"
        f" not too late in {early:.3f}; it is {np.median(lead):.2f} of the time left (median);"
        f" latest passed in {over:.3f}"
    )


def main() -> None:
    """Print a line for each way of knowing the device, or each kind of fault."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--life", choices=("one", "two", "three"))
    parser.add_argument("--devices", type=int, default=20)
    parser.add_argument("--days", type=int, default=12)
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    if arguments.life:
        life(arguments.life, arguments.devices, arguments.days, arguments.seed)
    else:
        calm()


def calm() -> None:
    """Print the error of the time left, halfway."""
    for has_power, tau_factor in product((True, False), (1.0, 0.6, 1.4)):
        errors = np.array([
            relative_error(
                Scene(tau_s, RISE_K, noise_k=noise, interval_s=interval, seed=seed),
                has_power, loss, part, tau_factor,
            )
            for (tau_s, interval, noise), loss, part, seed in product(
                SENSORS, (1.4, 2.0, 3.0), (0.5, 0.7), (1, 2, 3)
            )
        ])  # fmt: skip
        within = (np.abs(errors) <= 0.3).mean()
        spread = np.quantile(errors, [0.05, 0.5, 0.95], method="higher").round(2)
        print(
            f"power {'known' if has_power else 'unknown'}, time constant x {tau_factor}:"
            f" n {len(errors)}, within 30 %: {within:.2f}, 5/50/95 % of the error: {spread}"
        )


if __name__ == "__main__":
    main()
