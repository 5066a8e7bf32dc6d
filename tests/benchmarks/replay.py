"""How fast the engine runs over the store, beside a loop that only decodes a recording.

    python -m tests.benchmarks.replay [--hours 24] [--profile]

50 sensors at 2 s: ten devices with temperature, power and fan in two ambients, and twenty-odd
sensors more. The store holds a day as the daemon writes it. The yardstick reads a recording of an
hour of the same and decodes each message, and does nothing else.
"""

import argparse
import cProfile
import math
import pstats
import random
import tempfile
import time
from collections import deque
from collections.abc import Iterator
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

DEVICES = 10
SENSORS = 50
INTERVAL_MS = 2_000
FLUSH_MS = 10_000
START_MS = 1_780_000_000_000
TAU_S = 900.0


def configuration() -> Config:
    """Make the configuration: each device with a curve, limits and everything else by default."""
    lines = ['[site]\nname = "Under the stairs"']
    for number in range(DEVICES):
        outer = "hall" if number % 5 == 0 else "cabinet"
        lines += [
            _sensor(f"air-{number}", "temperature"),
            _sensor(f"power-{number}", "power"),
            _sensor(f"fan-{number}", "fan-speed"),
            f'[devices.device-{number}]\ntemperature = "air-{number}"\nambient = "{outer}"',
            f'power = "power-{number}"\nfan = "fan-{number}"\nmin_fan_rpm = 600',
            "derating = [[60.0, 1.0], [75.0, 0.5]]\nrated_power_w = 90.0\nmax_rise_k = 40.0",
        ]
    lines += [_sensor("hall", "temperature"), _sensor("cabinet", "temperature")]
    lines += [_sensor("damp", "humidity")]
    others = SENSORS - 3 * DEVICES - 3
    lines += [_sensor(f"other-{number}", "temperature") for number in range(others)]
    return parse("\n".join(lines), Path("/nowhere/config.toml"), SPECS)


def _sensor(name: str, quantity: str) -> str:
    high = "\nhigh = 90.0" if quantity == "temperature" else ""
    return (
        f'[sensors.{name}]\ntopic = "house/{name}"\nquantity = "{quantity}"\ninterval_s = 2{high}'
    )


def rounds(hours: float, seed: int = 20260701) -> Iterator[list[Reading]]:
    """Yield a round of readings every 2 s: loads step, ambients wander, gear follows."""
    source = random.Random(seed)
    powers = [source.uniform(20.0, 60.0) for _ in range(DEVICES)]
    rises = [power * 0.25 for power in powers]
    phases = [source.randrange(INTERVAL_MS) for _ in range(SENSORS)]
    for number in range(round(hours * 3_600_000 / INTERVAL_MS)):
        hall = 20.0 + 2.0 * math.sin(number / 7000.0)
        values = {"hall": hall, "cabinet": hall + 4.0, "damp": 45.0}
        for device in range(DEVICES):
            if source.random() < 0.0005:
                powers[device] = source.uniform(20.0, 60.0)
            rises[device] += (0.25 * powers[device] - rises[device]) * INTERVAL_MS / 1000.0 / TAU_S
            values[f"air-{device}"] = hall + (0.0 if device % 5 == 0 else 4.0) + rises[device]
            values[f"power-{device}"] = powers[device] * source.gauss(1.0, 0.01)
            values[f"fan-{device}"] = 1100.0
        for other in range(SENSORS - len(values)):
            values[f"other-{other}"] = hall + other
        t = START_MS + number * INTERVAL_MS
        readings = [
            Reading(name, t + phase, _noisy(name, value, source))
            for (name, value), phase in zip(values.items(), phases, strict=True)
        ]
        yield sorted(readings, key=lambda reading: reading.t)


def _noisy(name: str, value: float, source: random.Random) -> float:
    if name.startswith("fan"):
        return round(value + source.gauss(0.0, 8.0), 0)
    if name.startswith("power"):
        return round(value, 1)
    return round(value + source.gauss(0.0, 0.04), 2)


def fill(url: str, config: Config, hours: float) -> int:
    """Write what the daemon would have written; give the number of readings."""
    migrate(url)
    start = {"offset_ms": 0, "boot_ms": START_MS - 86_400_000, "ran_until_ms": None}
    opening = [
        Entry(START_MS, EntryKind.CONFIG, {"config": config.as_json()}),
        Entry(START_MS, EntryKind.START, start),
        Entry(START_MS, EntryKind.CONNECT, {"session_present": False}),
    ]
    count, pending = 0, list[Reading | Entry](opening)
    with Store.open(url) as store:
        for number, readings in enumerate(rounds(hours), 1):
            pending += readings
            count += len(readings)
            if number % (FLUSH_MS // INTERVAL_MS) == 0:
                store.commit(Batch(START_MS + number * INTERVAL_MS, 0, pending))
                pending = []
    return count


def replay(url: str) -> tuple[float, int]:
    """Run the engine over the store; give the seconds it took, and how many transitions came."""
    began = time.perf_counter()
    with Store.open(url, read_only=True) as store:
        told = deque(Replayer().run(item for _, item in store.inputs()))
    return time.perf_counter() - began, len(told)


def read_only(url: str) -> float:
    """Only read the store; give the seconds it took."""
    began = time.perf_counter()
    with Store.open(url, read_only=True) as store:
        deque(store.inputs(), maxlen=0)
    return time.perf_counter() - began


def decode(folder: Path, config: Config) -> float:
    """Decode a recording of an hour and nothing else; give the messages a second."""
    path = folder / "hour.jsonl"
    topics = {name: sensor.topic for name, sensor in config.sensors.items()}
    with recording.Recorder(path) as recorder:
        for readings in rounds(1.0):
            for reading in readings:
                payload = f"{reading.value}".encode()
                recorder.write(recording.Recorded(reading.t, topics[reading.sensor], payload))
        count = recorder.count
    decoder = Decoder(config.sensors)
    began = time.perf_counter()
    for message in recording.read_recording(path, print):
        decoder.decode(message.topic, message.payload, message.utc_ms)
    return count / (time.perf_counter() - began)


def main() -> int:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--hours", type=float, default=24.0, help="simulated (default: 24)")
    parser.add_argument("--profile", action="store_true", help="show where the time goes")
    options = parser.parse_args()
    config = configuration()
    with tempfile.TemporaryDirectory() as name:
        url = database_url(Path(name) / "day.db")
        count = fill(url, config, options.hours)
        profile = cProfile.Profile()
        if options.profile:
            profile.enable()
        took_s, told = replay(url)
        if options.profile:
            profile.disable()
            pstats.Stats(profile).sort_stats("tottime").print_stats(35)
        reading_s = read_only(url)
        decoded_per_s = decode(Path(name), config)
    print(f"replay from the store   {count / took_s:12,.0f} readings/s ({count:,}, {told} told)")
    print(f"reading it only         {count / reading_s:12,.0f} readings/s")
    print(f"decoding a recording    {decoded_per_s:12,.0f} messages/s")
    print(f"replay over decode-only {count / took_s / decoded_per_s:12.2f}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
