"""Forecast benchmark: is what people are told of the time left, "in 20 min at the soonest", true?

The records are those of the detection benchmark, with their loads and doors. Asked is once a minute
of the first twenty after a loss is found, and each five minutes then, towards half and four fifths
of the way that the device will really go, and towards 3 K beyond its end. Run from the root:
`python -m tests.benchmarks.forecast`.
"""

from __future__ import annotations

import argparse
from collections import defaultdict

import numpy as np

from cabinetwatch.thermal.device import DeviceObserver
from cabinetwatch.thermal.forecast import Forecast
from tests.benchmarks import detection
from tests.benchmarks.physics import Fault, Record

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
    """Print a line for each kind of fault."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--life", choices=("one", "two"), default="two")
    parser.add_argument("--devices", type=int, default=20)
    parser.add_argument("--days", type=int, default=12)
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    life(arguments.life, arguments.devices, arguments.days, arguments.seed)


if __name__ == "__main__":
    main()
