"""How fast the engine runs over the store, beside a loop that only decodes a recording.

    python -m tests.benchmarks.replay [--hours 24] [--sensors 50] [--slow] [--profile]

50 sensors at 2 s: ten devices with temperature, power and fan in two ambients, and twenty-odd
sensors more; of another number a fifth are devices. With `--slow` the sensors speak every
10 to 60 s, so that many readings are a step of an observer. The store holds a day as the daemon
writes it; the same readings go into an engine from memory, too. The yardstick reads a recording of
the first hour and decodes each message, and does nothing else. Times are the processor's.
"""

import argparse
import cProfile
import math
import pstats
import random
import tempfile
import time
from collections import deque
from collections.abc import Iterator, Mapping
from pathlib import Path

from cabinetwatch.config import Config, parse
from cabinetwatch.mqtt import recording
from cabinetwatch.mqtt.decoding import Decoder
from cabinetwatch.store.migrate import migrate
from cabinetwatch.store.place import database_url
from cabinetwatch.store.records import Batch
from cabinetwatch.store.replay import Replayer
from cabinetwatch.store.store import Store
from cabinetwatch.watch.conditions import SPECS
from cabinetwatch.watch.events import Entry, EntryKind, Reading

INTERVAL_MS = 2_000
SLOW_S = (10, 30, 20, 60)
"""Intervals by turns."""
FLUSH_MS = 10_000
START_MS = 1_780_000_000_000
TAU_S = 900.0


def intervals_s(sensors: int, *, slow: bool) -> dict[str, int]:
    """Give the sensors, each with its interval: of the devices, around them, and others."""
    parts = ("air", "power", "fan")
    names = [f"{part}-{number}" for number in range(sensors // 5) for part in parts]
    names += ["hall", "cabinet", "damp"]
    names += [f"other-{number}" for number in range(sensors - len(names))]
    return {
        name: SLOW_S[number % len(SLOW_S)] if slow else INTERVAL_MS // 1000
        for number, name in enumerate(names[:sensors])
    }


def configuration(intervals: Mapping[str, int]) -> Config:
    """Make the configuration: each device with a curve, limits and everything else by default."""
    lines = ['[site]\nname = "Under the stairs"']
    kinds = {"power": "power", "fan": "fan-speed", "damp": "humidity"}
    for name, interval_s in intervals.items():
        lines.append(_sensor(name, kinds.get(name.partition("-")[0], "temperature"), interval_s))
    for number in range(len(intervals) // 5):
        outer = "hall" if number % 5 == 0 else "cabinet"
        lines += [
            f'[devices.device-{number}]\ntemperature = "air-{number}"\nambient = "{outer}"',
            f'power = "power-{number}"\nfan = "fan-{number}"\nmin_fan_rpm = 600',
            "derating = [[60.0, 1.0], [75.0, 0.5]]\nrated_power_w = 90.0\nmax_rise_k = 40.0",
        ]
    return parse("\n".join(lines), Path("/nowhere/config.toml"), SPECS)


def _sensor(name: str, quantity: str, interval_s: int) -> str:
    high = "\nhigh = 90.0" if quantity == "temperature" else ""
    return (
        f'[sensors.{name}]\ntopic = "house/{name}"\nquantity = "{quantity}"\n'
        f"interval_s = {interval_s}{high}"
    )


def rounds(
    intervals: Mapping[str, int], hours: float, seed: int = 20260701
) -> Iterator[list[Reading]]:
    """Yield a round of readings every 2 s: loads step, ambients wander, gear follows."""
    source, devices = random.Random(seed), len(intervals) // 5
    powers = [source.uniform(20.0, 60.0) for _ in range(devices)]
    rises = [power * 0.25 for power in powers]
    phases = [source.randrange(INTERVAL_MS) for _ in intervals]
    for number in range(round(hours * 3_600_000 / INTERVAL_MS)):
        hall = 20.0 + 2.0 * math.sin(number / 7000.0)
        values = {"hall": hall, "cabinet": hall + 4.0, "damp": 45.0}
        for device in range(devices):
            if source.random() < 0.0005:
                powers[device] = source.uniform(20.0, 60.0)
            rises[device] += (0.25 * powers[device] - rises[device]) * INTERVAL_MS / 1000.0 / TAU_S
            values[f"air-{device}"] = hall + (0.0 if device % 5 == 0 else 4.0) + rises[device]
            values[f"power-{device}"] = powers[device] * source.gauss(1.0, 0.01)
            values[f"fan-{device}"] = 1100.0
        for other in range(len(intervals) - len(values)):
            values[f"other-{other}"] = hall + other % 20
        t = START_MS + number * INTERVAL_MS
        readings = [
            Reading(name, t + phase, _noisy(name, values[name], source))
            for (name, interval_s), phase in zip(intervals.items(), phases, strict=True)
            if number * INTERVAL_MS % (1000 * interval_s) == 0
        ]
        yield sorted(readings, key=lambda reading: reading.t)


def _noisy(name: str, value: float, source: random.Random) -> float:
    if name.startswith("fan"):
        return round(value + source.gauss(0.0, 8.0), 0)
    if name.startswith("power"):
        return round(value, 1)
    return round(value + source.gauss(0.0, 0.04), 2)


def fill(url: str, config: Config, intervals: Mapping[str, int], hours: float) -> int:
    """Write what the daemon would have written; give the number of readings."""
    migrate(url)
    count, pending = 0, list[Reading | Entry](opening(config))
    with Store.open(url) as store:
        for number, readings in enumerate(rounds(intervals, hours), 1):
            pending += readings
            count += len(readings)
            if number % (FLUSH_MS // INTERVAL_MS) == 0:
                store.commit(Batch(START_MS + number * INTERVAL_MS, 0, pending))
                pending = []
    return count


def opening(config: Config) -> list[Entry]:
    """What the journal begins with."""
    start = {"offset_ms": 0, "boot_ms": START_MS - 86_400_000, "ran_until_ms": None}
    return [
        Entry(START_MS, EntryKind.CONFIG, {"config": config.as_json()}),
        Entry(START_MS, EntryKind.START, start),
        Entry(START_MS, EntryKind.CONNECT, {"session_present": False}),
    ]


def replay(url: str) -> tuple[float, int]:
    """Run the engine over the store; give the seconds it took, and how many transitions came."""
    began = time.process_time()
    with Store.open(url, read_only=True) as store:
        told = deque(Replayer().run(item for _, item in store.inputs()))
    return time.process_time() - began, len(told)


def from_memory(config: Config, intervals: Mapping[str, int], hours: float) -> float:
    """Run the engine over readings that are there already; give the seconds it took."""
    took_s = 0.0
    replayer = Replayer()
    deque(replayer.run(opening(config)))
    for readings in rounds(intervals, hours):
        began = time.process_time()
        deque(replayer.run(readings), maxlen=0)
        took_s += time.process_time() - began
    return took_s


def read_only(url: str) -> float:
    """Only read the store; give the seconds it took."""
    began = time.process_time()
    with Store.open(url, read_only=True) as store:
        deque(store.inputs(), maxlen=0)
    return time.process_time() - began


def decode(folder: Path, config: Config, intervals: Mapping[str, int], hours: float) -> float:
    """Decode a recording and nothing else; give the messages a second."""
    path = folder / "hour.jsonl"
    topics = {name: sensor.topic for name, sensor in config.sensors.items()}
    with recording.Recorder(path) as recorder:
        for readings in rounds(intervals, hours):
            for reading in readings:
                payload = f"{reading.value}".encode()
                recorder.write(recording.Recorded(reading.t, topics[reading.sensor], payload))
        count = recorder.count
    decoder = Decoder(config.sensors)
    began = time.process_time()
    for message in recording.read_recording(path, print):
        decoder.decode(message.topic, message.payload, message.utc_ms)
    return count / (time.process_time() - began)


def main() -> int:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--hours", type=float, default=24.0, help="simulated (default: 24)")
    parser.add_argument("--sensors", type=int, default=50, help="from 3 on (default: 50)")
    parser.add_argument("--slow", action="store_true", help="every 10 to 60 s in place of 2 s")
    parser.add_argument("--profile", action="store_true", help="show where the time goes")
    options = parser.parse_args()
    intervals = intervals_s(options.sensors, slow=options.slow)
    config = configuration(intervals)
    with tempfile.TemporaryDirectory() as name:
        url = database_url(Path(name) / "day.db")
        count = fill(url, config, intervals, options.hours)
        profile = cProfile.Profile()
        if options.profile:
            profile.enable()
        took_s, told = replay(url)
        if options.profile:
            profile.disable()
            pstats.Stats(profile).sort_stats("tottime").print_stats(35)
        reading_s = read_only(url)
        memory_s = from_memory(config, intervals, options.hours)
        decoded_per_s = decode(Path(name), config, intervals, min(1.0, options.hours))
    print(f"replay from the store   {count / took_s:12,.0f} readings/s ({count:,}, {told} told)")
    print(f"replay from memory      {count / memory_s:12,.0f} readings/s")
    print(f"reading it only         {count / reading_s:12,.0f} readings/s")
    print(f"decoding a recording    {decoded_per_s:12,.0f} messages/s")
    print(f"replay over decode-only {count / took_s / decoded_per_s:12.2f}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
