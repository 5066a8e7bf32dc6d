"""Detection benchmark: false alarms, delays, coverage and forecasts on simulated devices.

Run from the repository's root: `python -m tests.benchmarks.detection --devices 60 --days 28`. With
the first two physics single observers run; with the third the whole engine does, a house at a time
(`tests.benchmarks.houses`).
"""

from __future__ import annotations

import argparse
import pickle
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from multiprocessing import Pool
from pathlib import Path
from typing import TypeVar

import numpy as np

from cabinetwatch.thermal.device import DeviceObserver
from cabinetwatch.thermal.forecast import (
    ForecastWatch,
)
from cabinetwatch.thermal.windows import DeviceSettings
from tests.benchmarks import houses, physics, physics_three, physics_two, yardsticks
from tests.benchmarks.physics import DAY_S, Array, Fault, Record

LEARN_DAYS = 7
CLEARANCE_K, HORIZON_S = 3.0, 3600.0
"""Forecasts are judged against a threshold that is never reached: so far above the hottest hour."""

MODES = ("learnt", "commissioned", "tau x 0.6", "tau x 1.4")
INFINITE = float("inf")
TRUTH_EVERY_S = 300.0
KINDS = ("stall", "half", "blocked")


@dataclass
class Outcome:
    """What one device in one mode did."""

    mode: str
    has_power: bool
    years: float
    false_alarms: list[float] = field(default_factory=list)
    false_missing: list[float] = field(default_factory=list)
    false_forecasts: list[float] = field(default_factory=list)
    delays: list[tuple[str, float, float, float]] = field(default_factory=list)
    covered: int = 0
    judged: int = 0
    covered_lost: int = 0
    judged_lost: int = 0
    widths_k: list[float] = field(default_factory=list)
    forecasts: list[tuple[str, float]] = field(default_factory=list)


# --- yardsticks ---


def held_rise_k(record: Record, temperature_c: Array) -> Array:
    """Raw rise that has held for the on-delay, at each temperature reading."""
    return yardsticks.held_rise_k(
        record.t_s, temperature_c, record.ambient_t_s, record.ambient_c, record.interval_s
    )


def tightest_setpoint_k(record: Record, from_s: float) -> float:
    """The lowest raw-rise setpoint without a false alarm on the sound record."""
    return float(held_rise_k(record, record.sound_c)[record.t_s >= from_s].max()) + 1e-6


def setpoint_delay_s(record: Record, fault: Fault, setpoint_k: float) -> float:
    """Delay of the plain setpoint; infinite when the fault ends first."""
    held = held_rise_k(record, record.faulty_c)
    during = (record.t_s >= fault.start_s) & (record.t_s < fault.end_s) & (held > setpoint_k)
    times = record.t_s[during]
    return float(times[0] - fault.start_s) if len(times) else INFINITE


def oracle_delay_s(record: Record, fault: Fault) -> float:
    """Delay of one who knows all but the noise."""
    during = (record.t_s >= fault.start_s) & (record.t_s < fault.end_s)
    gap_k = record.faulty_true_c[during] - record.sound_true_c[during]
    return yardsticks.oracle_delay_s(record.t_s[during] - fault.start_s, gap_k, record.noise_k)


def settings_for(record: Record, mode: str) -> DeviceSettings:
    """The configuration of a device in one mode."""
    if mode == "learnt":
        return DeviceSettings(has_power=record.has_power)
    factor = {"commissioned": 1.0, "tau x 0.6": 0.6, "tau x 1.4": 1.4}[mode]
    return DeviceSettings(
        has_power=record.has_power,
        normal_rise_k=record.normal_rise_k,
        normal_power_w=record.normal_power_w,
        time_constant_s=record.tau_s * factor,
    )


def events(
    record: Record, temperature_c: Array, from_s: float, to_s: float
) -> list[tuple[float, int, float, float]]:
    """Readings in order: (time, kind, value, power).

    Kinds: 0 ambient, 1 temperature with power, 2 the ambient is lost.
    """
    t, a = record.t_s, record.ambient_t_s
    rows = [
        (float(x), 1, float(v), float(p))
        for x, v, p in zip(t, temperature_c, record.power_w, strict=True)
        if from_s <= x < to_s
    ]
    rows += [
        (float(x), 0, float(v), 0.0)
        for x, v in zip(a, record.ambient_c, strict=True)
        if from_s <= x < to_s
    ]
    # An ambient that is silent for six intervals is told as lost, as the watch does.
    longest_s = 6.0 * record.interval_s
    rows += [
        (float(x) + longest_s, 2, 0.0, 0.0)
        for x, gap in zip(a, np.diff(a), strict=False)
        if gap > longest_s and from_s <= x + longest_s < to_s
    ]
    rows.sort()
    return rows


def feed(observer: DeviceObserver, has_power: bool, row: tuple[float, int, float, float]) -> bool:
    """Give one reading; True when the observer judged."""
    t_ms = round(1000 * row[0])
    if row[1] == 0:
        return observer.observe_ambient(t_ms, row[2])
    if row[1] == 2:
        observer.lose_ambient()
        return False
    judged = has_power and observer.observe_power(t_ms, row[3])
    return observer.observe_temperature(t_ms, row[2]) or judged


class Truth:
    """True settled rises at some instants of a record, asked once each."""

    def __init__(self, t_s: Array, settled_k: Array, from_s: float) -> None:
        known = (t_s >= from_s) & np.isfinite(settled_k)
        every = max(1, int(known.sum() * TRUTH_EVERY_S / max(t_s[-1] - from_s, 1.0)))
        self._rest = iter(list(zip(t_s[known], settled_k[known], strict=True))[::every])
        self._next = next(self._rest, None)

    def held(self, t_s: float, observer: DeviceObserver) -> bool | None:
        """Does the 95 % interval hold the truth, if there is one to be asked by now?"""
        due, figures = self._next, observer.figures
        if due is None or due[0] > t_s or figures is None:
            return None
        self._next = next(self._rest, None)
        return bool(abs(figures.settled_rise_k - due[1]) <= 1.96 * figures.settled_rise_sd_k)


def run_fault(observer: DeviceObserver, record: Record, fault: Fault, outcome: Outcome) -> None:
    """Run a copy of the observer through one fault."""
    delay = INFINITE
    last = record.t_s < fault.end_s
    heading = record.faulty_c[last & (record.t_s >= fault.start_s)]
    threshold_c, half_s = _threshold_halfway(record, fault)
    forecast_done = threshold_c is None or len(heading) == 0
    truth = Truth(record.t_s, record.faulty_settled_k, fault.start_s + fault.ramp_s)
    for row in events(record, record.faulty_c, fault.start_s, fault.end_s):
        if not feed(observer, record.has_power, row):
            continue
        since_s = row[0] - fault.start_s
        verdict = truth.held(row[0], observer)
        if verdict is not None:
            outcome.judged_lost += 1
            outcome.covered_lost += verdict
        if observer.cooling_loss.standing and delay == INFINITE:
            delay = since_s
        if not forecast_done and threshold_c is not None and since_s >= half_s:
            forecast_done = True
            answer = observer.forecast(threshold_c, 20 * half_s).time_left_s
            left = 2 * half_s - since_s
            if left > 0:
                error = INFINITE if answer is None else answer / left - 1
                outcome.forecasts.append((fault.kind, error))
    setpoint = tightest_setpoint_k(record, LEARN_DAYS * DAY_S)
    outcome.delays.append(
        (
            fault.kind,
            delay,
            setpoint_delay_s(record, fault, setpoint),
            oracle_delay_s(record, fault),
        )
    )


def _threshold_halfway(record: Record, fault: Fault) -> tuple[float | None, float]:
    """A threshold reached at 60 % of the fault's climb, and half the time to it."""
    during = (record.t_s >= fault.start_s) & (record.t_s < fault.end_s)
    true = record.faulty_true_c[during]
    if len(true) < 8:
        return None, 0.0
    start, top = true[0], true.max()
    threshold = start + 0.6 * (top - start)
    reached = np.nonzero(true >= threshold)[0]
    time_s = record.t_s[during][reached[0]] - fault.start_s
    if top - start < max(2.0, 10 * record.noise_k) or time_s < 8 * max(record.interval_s, 10):
        return None, 0.0
    return float(threshold), float(time_s) / 2


def run_device(task: tuple[Record, str]) -> Outcome:
    """Run one device in one mode through its sound record, and through each fault."""
    record, mode = task
    observer = DeviceObserver(settings_for(record, mode))
    from_s = LEARN_DAYS * DAY_S + 3600
    years = (record.t_s[-1] - from_s) / (365.25 * DAY_S)
    outcome = Outcome(mode, record.has_power, years)
    faults = sorted(record.faults, key=lambda f: f.start_s)
    truth = Truth(record.t_s, record.sound_settled_k, from_s)
    standing = missing = coming = False
    watch = ForecastWatch()
    threshold_c = float(record.sound_true_c[record.t_s >= from_s].max()) + CLEARANCE_K
    for row in events(record, record.sound_c, 0.0, INFINITE):
        while faults and row[0] >= faults[0].start_s:
            copy = DeviceObserver.load(observer.settings, observer.save())
            run_fault(copy, record, faults.pop(0), outcome)
        judged = feed(observer, record.has_power, row)
        if not judged or row[0] < from_s:
            continue
        loss, gone = observer.cooling_loss.standing, observer.rise_missing.standing
        if loss and not standing:
            outcome.false_alarms.append(row[0])
        if gone and not missing:
            outcome.false_missing.append(row[0])
        probability = observer.forecast(threshold_c, HORIZON_S).probability
        told = watch.observe(round(1000 * row[0]), probability)
        if told and not coming:
            outcome.false_forecasts.append(row[0])
        standing, missing, coming = loss, gone, told
        verdict = truth.held(row[0], observer)
        if verdict is not None and observer.figures is not None:
            outcome.judged += 1
            outcome.covered += verdict
            outcome.widths_k.append(1.96 * observer.figures.settled_rise_sd_k)
    return outcome


def table(outcomes: list[Outcome]) -> None:
    """Print the results by mode."""
    for mode in MODES:
        for has_power in (True, False):
            group = [o for o in outcomes if o.mode == mode and o.has_power == has_power]
            if group:
                _print_group(mode, has_power, group)


def _print_group(mode: str, has_power: bool, group: list[Outcome]) -> None:
    years = sum(o.years for o in group)
    alarms = sum(len(o.false_alarms) for o in group)
    alarmed = sum(bool(o.false_alarms) for o in group)
    missing = sum(len(o.false_missing) for o in group)
    coverage = np.array([o.covered / max(o.judged, 1) for o in group])
    widths = [w for o in group for w in o.widths_k]
    lost = sum(o.judged_lost for o in group)
    known = "known" if has_power else "unknown"
    print(f"\n== {mode}, power {known}: {len(group)} devices, {years:.2f} device-years")
    print(
        f"  false cooling-loss {alarms} ({alarms / years:.2f} a year, {alarmed} devices),"
        f" rise-missing {missing}, derating-forecast {sum(len(o.false_forecasts) for o in group)}"
    )
    print(
        f"  settled rise: coverage {coverage.mean():.3f}, worst {coverage.min():.3f},"
        f" devices under 0.9: {(coverage < 0.9).sum()}; half width {np.median(widths):.2f} K;"
        f" with cooling lost {sum(o.covered_lost for o in group) / max(lost, 1):.3f}"
    )
    for kind in KINDS:
        rows = np.array([d[1:] for o in group for d in o.delays if d[0] == kind])
        if len(rows):
            _print_delays(kind, rows)
    for kind in KINDS:
        errors = np.array([e for o in group for k, e in o.forecasts if k == kind])
        if len(errors):
            within = (np.abs(errors) <= 0.3).mean()
            quartiles = np.quantile(errors, [0.1, 0.25, 0.5, 0.75, 0.9], method="higher")
            print(
                f"  forecast halfway, {kind}: n {len(errors)}, within 30 %: {within:.2f},"
                f" 10/25/50/75/90 % of the error: {quartiles.round(2)}"
            )


def _print_delays(kind: str, rows: Array) -> None:
    """One line: our delays, the setpoint's, the oracle's, and the ratios of the medians."""
    ours, plain, oracle = rows.T
    median, plain_median, best = np.median(ours), np.median(plain), np.median(oracle)
    late = np.quantile(ours, 0.95, method="higher")
    print(
        f"  {kind:8} n {len(rows):3}: found {np.isfinite(ours).mean():.2f},"
        f" delay {median:.0f} s, 95 % {late:.0f} s;"
        f" setpoint found {np.isfinite(plain).mean():.2f}, {plain_median:.0f} s,"
        f" {plain_median / median:.1f} x ours;"
        f" oracle {best:.0f} s, ours {median / best:.1f} x that,"
        f" each by itself {np.median(ours / np.maximum(oracle, 10)):.1f} x"
    )


Simulated = TypeVar("Simulated")


def once(name: str, simulate: Callable[[], list[Simulated]]) -> list[Simulated]:
    """Simulate, or take the last simulation of that name from the temporary folder."""
    path = Path(tempfile.gettempdir()) / f"cooling-{name}.pickle"
    if path.exists():
        return pickle.loads(path.read_bytes())  # type: ignore[no-any-return]
    made = simulate()
    path.write_bytes(pickle.dumps(made))
    return made


def load_records(
    source: str, devices: int, days: int, seed: int, calm: bool = False
) -> list[Record]:
    """Records of single devices."""

    def simulate() -> list[Record]:
        if source == "one":
            return physics.simulate(devices, days, seed, calm=calm)
        return physics_two.simulate(devices // 5, days, seed, calm)

    return once(f"records-{source}-{devices}-{days}-{seed}{'-calm' * calm}", simulate)


def watch_houses(arguments: argparse.Namespace) -> None:
    """Run the engine through whole houses, and print what it did in each mode."""
    count, days = arguments.devices // 4, arguments.days
    made = [
        house
        for seed in arguments.seeds
        for house in once(
            f"houses-{count}-{days}-{seed}", partial(physics_three.simulate, count, days, seed)
        )
    ]
    for mode in arguments.modes:
        tasks = [(house, mode, tuple(arguments.kinds)) for house in made]
        with Pool(arguments.processes) as pool:
            tallies = pool.map(houses.run_house, tasks, chunksize=1)
        print(f"\n== {mode}")
        houses.table(tallies)


def main() -> None:
    """Parse, run, print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--physics", choices=("one", "two", "three"), default="two")
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--devices", type=int, default=40)
    parser.add_argument("--days", type=int, default=21)
    parser.add_argument("--seeds", type=int, nargs="+", default=[1])
    parser.add_argument("--modes", nargs="+", default=list(MODES), choices=MODES)
    parser.add_argument("--every", type=int, default=1, help="take every nth record only")
    parser.add_argument("--longest-interval", type=int, default=600)
    parser.add_argument("--calm", action="store_true", help="judge forecasts")
    whole = parser.add_argument_group("whole houses of four devices (--physics three)")
    kinds = (*physics_three.FAULTS, *physics_three.STUCK)
    whole.add_argument("--kinds", nargs="*", default=list(kinds), choices=kinds)
    arguments = parser.parse_args()
    begun = time.perf_counter()
    if arguments.physics == "three":
        watch_houses(arguments)
        print(f"\n{time.perf_counter() - begun:.0f} s")
        return
    records = [
        r
        for s in arguments.seeds
        for r in load_records(
            arguments.physics, arguments.devices, arguments.days, s, arguments.calm
        )
    ]
    records = [r for r in records if r.interval_s <= arguments.longest_interval]
    records = records[:: arguments.every]
    tasks = [(record, mode) for mode in arguments.modes for record in records]
    with Pool(arguments.processes) as pool:
        outcomes = pool.map(run_device, tasks, chunksize=1)
    table(outcomes)
    print(f"\n{time.perf_counter() - begun:.0f} s")


if __name__ == "__main__":
    main()
