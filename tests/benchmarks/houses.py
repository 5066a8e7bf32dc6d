"""Whole houses of the third physics through the whole engine, for the detection benchmark.

A house runs once without a fault; what it then raises is false. At each branch the engine is copied
and the copy goes on with what the sensors say there: after how long is lost cooling found, or a
sensor that stands still, and is that taken for heat?
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from cabinetwatch.config import Config, parse
from cabinetwatch.watch.conditions import SPECS
from cabinetwatch.watch.engine import Engine
from cabinetwatch.watch.events import Entry, EntryKind, Reading
from tests.benchmarks import yardsticks
from tests.benchmarks.physics_three import (
    DEVICES,
    FAULTS,
    METERED,
    RESOLUTION_K,
    STUCK,
    Branch,
    Floats,
    House,
    Stream,
)

T0 = 1_780_012_800_000
DAY_MS = 86_400_000
NEVER = float("inf")
LEARN_DAYS = 7
DAYS_TOLD = (2, 7)
"""False alarms are told apart up to the end of these days, and after."""

_NEVER_TRUE = {"rise-missing", "derating-forecast", "stuck", "implausible"}
"""What else is false in ordinary life; sensors do fall silent, and hot days come."""

_QUANTITIES = {"power": "power", "fan": "fan-speed", "damp": "humidity"}
_MARGIN_SHARE = 0.5
"""Hot-day margin of the devices, as a share of their normal rise."""


@dataclass
class Tally:
    """What the engine did with one house. Times of false alarms in days, delays in seconds."""

    name: str
    device_years: float
    false_losses: list[tuple[float, str]] = field(default_factory=list)
    false_others: list[tuple[float, str]] = field(default_factory=list)
    delays: list[tuple[str, str, float, float, float]] = field(default_factory=list)
    """Kind, device, our delay, the tightest setpoint's, the oracle's."""
    stuck: list[tuple[str, str, float, float, bool]] = field(default_factory=list)
    """Kind, sensor, our delay, how long until what it measures had moved, read as heat."""


def config_of(house: House, mode: str) -> Config:
    """The configuration of a house; by mode its devices are learnt or commissioned."""
    lines = ['[site]\nname = "house"']
    for name, interval_s in house.interval_s.items():
        quantity = _QUANTITIES.get(name.rpartition("-")[2], "temperature")
        lines.append(
            f'[sensors.{name}]\ntopic = "house/{name}"\nquantity = "{quantity}"\n'
            f"interval_s = {interval_s}"
        )
    for number, name in enumerate(DEVICES):
        lines.append(f'[devices.{name}]\ntemperature = "{name}-air"\nambient = "cabinet"')
        limit_c = 35.0 + (1.0 + _MARGIN_SHARE) * house.normal_k[number]
        lines.append(f"derating = [[{limit_c:.1f}, 1.0], [{limit_c + 0.1:.1f}, 0.9]]")
        lines.append(f"rated_power_w = {2.0 * house.normal_w[number]:.1f}")
        if name in METERED:
            lines.append(f'power = "{name}-power"\nfan = "{name}-fan"')
        if mode != "learnt":
            factor = {"commissioned": 1.0, "tau x 0.6": 0.6, "tau x 1.4": 1.4}[mode]
            lines.append(f"normal_rise_k = {house.normal_k[number]:.2f}")
            lines.append(f"time_constant_s = {factor * house.tau_s[number]:.0f}")
            if name in METERED:
                lines.append(f"normal_power_w = {house.normal_w[number]:.1f}")
    return parse("\n".join(lines), Path("/nowhere/config.toml"), SPECS)


def readings(
    streams: dict[str, Stream], from_s: float = 0.0, to_s: float = NEVER
) -> Iterator[Reading]:
    """What all sensors say between two instants, in order."""
    names = list(streams)
    spans = [np.searchsorted(each.t_s, [from_s, to_s]) for each in streams.values()]
    cut = [
        (each.t_s[a:b], each.value[a:b])
        for each, (a, b) in zip(streams.values(), spans, strict=True)
    ]
    times = np.concatenate([t_s for t_s, _ in cut])
    values = np.concatenate([value for _, value in cut])
    whose = np.repeat(np.arange(len(names)), [len(t_s) for t_s, _ in cut])
    order = np.argsort(times, kind="stable")
    rows = zip(
        whose[order].tolist(),
        np.round(1000 * times[order]).astype(int).tolist(),
        np.round(values[order].astype(float), 3).tolist(),
        strict=True,
    )
    return (Reading(names[number], T0 + t_ms, value) for number, t_ms, value in rows)


def run_house(task: tuple[House, str, tuple[str, ...]]) -> Tally:
    """Run the engine through a house, and through its branches of these kinds."""
    house, mode, kinds = task
    tally = Tally(house.name, len(DEVICES) * house.days / 365.25)
    config = config_of(house, mode)
    engine = Engine(config)
    engine.tell(Entry(T0, EntryKind.START, {"offset_ms": 0, "boot_ms": T0 - DAY_MS}))
    engine.tell(Entry(T0, EntryKind.CONNECT, {"session_present": False}))
    branches = sorted((b for b in house.branches if b.kind in kinds), key=lambda b: -b.start_s)
    next_ms = _begins_ms(branches)
    for reading in readings(house.streams):
        while reading.t >= next_ms:
            _run_branch(engine, config, house, branches.pop(), tally)
            next_ms = _begins_ms(branches)
        for told in engine.observe(reading):
            if told.previous.value != "normal" or told.state.value == "normal":
                continue
            at = (told.t - T0) / DAY_MS, f"{told.subject}/{told.condition}"
            if told.condition == "cooling-loss":
                tally.false_losses.append(at)
            elif told.condition in _NEVER_TRUE:
                tally.false_others.append(at)
    return tally


def _begins_ms(branches: list[Branch]) -> float:
    return T0 + 1000.0 * branches[-1].start_s if branches else NEVER


def _run_branch(engine: Engine, config: Config, house: House, branch: Branch, tally: Tally) -> None:
    """Let a copy of the engine go on with what the branch's sensors say."""
    copy = Engine(config)
    copy.load(json.loads(json.dumps(engine.save())))
    streams = house.streams | branch.streams
    device = DEVICES[branch.device]
    own = "cabinet" if branch.device < 0 else f"{device}-air"
    begun_ms = T0 + 1000.0 * branch.start_s
    delay_s, heat = NEVER, False
    for reading in readings(streams, branch.start_s, branch.end_s):
        told = copy.observe(reading)
        if branch.kind in STUCK:
            heat = heat or any(t.condition == "cooling-loss" and t.is_raise for t in told)
            if copy.model.sensors[own].stuck:
                delay_s = (reading.t - begun_ms) / 1000.0
                break
        elif copy.model.devices[device].observer.cooling_loss.standing:
            delay_s = (reading.t - begun_ms) / 1000.0
            break
    if branch.kind in STUCK:
        tally.stuck.append((branch.kind, own, delay_s, branch.moved_s, heat))
        return
    setpoint_s, oracle_s = _setpoint_s(house, branch, own), _oracle_s(house, branch, own)
    tally.delays.append((branch.kind, device, delay_s, setpoint_s, oracle_s))


def _setpoint_s(house: House, branch: Branch, own: str) -> float:
    """Delay of the tightest setpoint on raw rise that raises nothing on the sound record."""

    def held_k(streams: dict[str, Stream]) -> Floats:
        warm, cool = streams[own], streams["cabinet"]
        every_s = house.interval_s[own]
        return yardsticks.held_rise_k(warm.t_s, warm.value, cool.t_s, cool.value, every_s)

    sound, faulty = house.streams[own], branch.streams[own]
    limit_k = held_k(house.streams)[sound.t_s > 86_400.0 * LEARN_DAYS].max()
    late = np.nonzero(held_k(branch.streams) > limit_k + 1e-6)[0]
    return float(faulty.t_s[late[0]] - branch.start_s) if len(late) else NEVER


def _oracle_s(house: House, branch: Branch, own: str) -> float:
    faulty, sound = branch.streams[own], house.streams[own]
    first = np.searchsorted(sound.t_s, faulty.t_s[0])
    gap_k = faulty.true - sound.true[first : first + len(faulty.t_s)]
    noise_k = float(np.hypot(house.noise_k[own], RESOLUTION_K / 12.0**0.5))
    return yardsticks.oracle_delay_s(faulty.t_s - branch.start_s, gap_k, noise_k)


# --- what is told ----------------------------------------------------------------------------


def table(tallies: list[Tally]) -> None:
    """Print it: false alarms by days, delays by kind and device, sensors that stood still."""
    years = sum(each.device_years for each in tallies)
    losses = [at for each in tallies for at in each.false_losses]
    others = [at for each in tallies for at in each.false_others]
    print(f"{len(tallies)} houses, {years:.2f} device-years without a fault")
    early, learnt = (sum(day < edge for day, _ in losses) for edge in DAYS_TOLD)
    print(
        f"  false cooling-loss: {len(losses)} ({len(losses) / years:.2f} a device-year):"
        f" {early} on days 1 and 2, {learnt - early} on days 3 to 7, {len(losses) - learnt} after"
    )
    for title, false in (("cooling-loss", losses), ("other", others)):
        names = sorted({name for _, name in false})
        for name in names:
            days = ", ".join(f"{day:.2f}" for day, each in false if each == name)
            print(f"    {title}: {name} on days {days}")
    for kind in FAULTS:
        rows = [each for tally in tallies for each in tally.delays if each[0] == kind]
        for name in (*DEVICES, "all"):
            chosen = np.array([each[2:] for each in rows if name in (each[1], "all")])
            if len(chosen):
                _print_delays(kind, name, chosen)
    for kind in STUCK:
        for where in ("device", "ambient"):
            _print_stuck(kind, where, tallies)


def _late(values: Floats) -> tuple[float, float]:
    """Median and 95th percentile."""
    middle, late = np.quantile(values, [0.5, 0.95], method="higher")
    return float(middle), float(late)


def _print_delays(kind: str, name: str, rows: Floats) -> None:
    ours, plain, oracle = rows.T
    middle, late = _late(ours)
    metered = "power" if name in METERED else "     "
    within = float((ours <= 4.0 * np.maximum(oracle, 15.0)).mean())
    print(
        f"  {kind:8} {name:10} {metered if name != 'all' else '     '} n {len(rows):3}:"
        f" found {np.isfinite(ours).mean():.2f}, {middle:5.0f} s, 95 % {late:6.0f} s;"
        f" setpoint {np.median(plain):6.0f} s; oracle {np.median(oracle):4.0f} s,"
        f" within 4 times that {within:.2f}"
    )


def _print_stuck(kind: str, where: str, tallies: list[Tally]) -> None:
    rows = [
        each[2:]
        for tally in tallies
        for each in tally.stuck
        if each[0] == kind and (each[1] == "cabinet") == (where == "ambient")
    ]
    if not rows:
        return
    found, moved, heat = np.array(rows, dtype=float).T
    soon = moved <= 6 * 3600.0
    for told, chosen in (("moved within 6 h", soon), ("later or never", ~soon)):
        if chosen.any():
            middle, late = _late(found[chosen])
            print(
                f"  {kind:8} {where:8} {told:17} n {chosen.sum():3}:"
                f" within 6 h {(found[chosen] <= 6 * 3600.0).mean():.2f},"
                f" {middle / 3600:.1f} h, 95 % {late / 3600:.1f} h;"
                f" read as heat {int(heat[chosen].sum())}"
            )
