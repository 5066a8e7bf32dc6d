"""What the store costs: bytes written and kept for each reading, and how fast it reads back.

    python -m tests.benchmarks.store [--hours 28] [--json]

50 sensors at 2 s, a commit every 10 s, the identifiers of 250 MQTT messages with each commit, the
engine's state every quarter of an hour, the figures of ten devices every minute, and the round of
upkeep every hour, on the file system of the folder for temporary files (TMPDIR).
Beside it the yardstick, the way one would write it first: one row a reading under a key of sensor
and time, one commit each round of 2 s, over an hour.

"written" is what the kernel counts for this process in /proc/self/io as write_bytes: whole pages of
4 KiB that became dirty in its cache, each time they did so after having been written out. As every
commit is synced, that is what goes to the disk, but for the file system's own journal. For tmpfs it
is nothing, so that the figure would be 0: the benchmark refuses to measure there.

"a year" is what the file takes after a year at this rate with the default keeping times: the bytes
that each tier took of whole days (SQLite's dbstat), times the days that it is kept. It needs more
than 26 hours, so that a day was merged; with less it is left out.
"""

import random
import sqlite3
import sys
import time
from collections import deque
from collections.abc import Iterator
from contextlib import closing
from itertools import chain
from pathlib import Path

from cabinetwatch.config.services import Store as StoreConfig
from cabinetwatch.service.engine_loop import SAMPLE_EVERY_MS
from cabinetwatch.service.store_loop import ROUND_MS
from cabinetwatch.store.codecs import FigureMinute, FigureSampler
from cabinetwatch.store.database import PAGE_BYTES
from cabinetwatch.store.migrate import migrate
from cabinetwatch.store.place import database_url
from cabinetwatch.store.records import Batch, Repeatable
from cabinetwatch.store.store import Store
from cabinetwatch.store.upkeep import Keeping, Now
from cabinetwatch.watch.events import Entry, EntryKind, Reading
from tests.benchmarks.timing import command

SENSORS = 50
INTERVAL_MS = 2_000
FLUSH_MS = 10_000
STATE_EVERY_MS = 900_000
STATE_BYTES = 20_000
START_MS = 1_780_012_800_000  # midnight, UTC
DEVICES = 10
YARDSTICK_HOURS = 1.0
KEEPING = Keeping.of(StoreConfig())


def rounds(hours: float, seed: int = 20260701) -> Iterator[list[Reading]]:
    """Yield the readings of one round after the other, in order of arrival.

    Each sensor speaks at its own phase with some ms of jitter; temperatures wander with two
    decimals, every fifth sensor is a power with one decimal.
    """
    source = random.Random(seed)
    phases = [source.uniform(0, INTERVAL_MS - 50) for _ in range(SENSORS)]
    levels = [source.uniform(20.0, 48.0) for _ in range(SENSORS)]
    for number in range(round(hours * 3_600_000 / INTERVAL_MS)):
        readings = []
        for index, phase in enumerate(phases):
            levels[index] += source.gauss(0.0, 0.01)
            noisy = levels[index] + source.gauss(0.0, 0.04)
            value = round(noisy, 2) if index % 5 else round(noisy * 1.5, 1)
            t = START_MS + number * INTERVAL_MS + round(phase + abs(source.gauss(0.0, 4.0)))
            readings.append(Reading(f"sensor-{index}", t, value))
        readings.sort(key=lambda reading: reading.t)
        yield readings


def ours(folder: Path, hours: float) -> dict[str, float]:
    """Write as the daemon does; then read everything back."""
    path = folder / "ours.db"
    migrate(database_url(path))
    written, count, slowest_s = _bytes_written(), 0, 0.0
    figures = DeviceFigures()
    with Store.open(database_url(path)) as store:
        start = Entry(START_MS, EntryKind.START, {"offset_ms": 0})
        store.commit(Batch(START_MS, 0, [start]))
        pending: list[Reading] = []
        packet_id, commits = 0, 0
        took_s = 0.0
        for number, readings in enumerate(rounds(hours), 1):
            pending += readings
            if number % (FLUSH_MS // INTERVAL_MS):
                continue
            messages = []
            for reading in pending:
                packet_id = packet_id % 65535 + 1
                payload = f"{reading.value}".encode()
                messages.append(Repeatable.of(packet_id, f"house/{reading.sensor}", payload))
            commits += 1
            saves = commits % (STATE_EVERY_MS // FLUSH_MS) == 0
            state = random.Random(commits).randbytes(STATE_BYTES) if saves else None
            began = time.perf_counter()
            advanced_to = START_MS + number * INTERVAL_MS
            minutes = figures.until(advanced_to)
            batch = Batch(advanced_to, 0, list(pending), messages, figures=minutes, state=state)
            store.commit(batch)
            took_s += time.perf_counter() - began
            if advanced_to % ROUND_MS == 0:
                slowest_s = max(slowest_s, _round(store, advanced_to))
            count += len(pending)
            pending.clear()
    written = _bytes_written() - written
    return {
        "readings": count,
        "written_bytes_per_reading": written / count,
        "kept_bytes_per_reading": path.stat().st_size / count,
        "commit_ms": 1000 * took_s / commits,
        "longest_upkeep_step_ms": 1000 * slowest_s,
        "read_back_per_s": _read_back(path, count),
        **_a_year(path, hours),
    }


class DeviceFigures:
    """What the engine's thread would tell of ten devices, a minute at a time."""

    def __init__(self) -> None:
        self._random = random.Random(20260702)
        self._sampler = FigureSampler()
        self._next_t = START_MS

    def until(self, t: int) -> list[FigureMinute]:
        """Give the minutes that are over."""
        told: list[FigureMinute] = []
        while self._next_t <= t:
            told += self._sampler.sample(self._next_t, self._devices())
            self._next_t += SAMPLE_EVERY_MS
        return told

    def _devices(self) -> dict[str, dict[str, float]]:
        noise = self._random.gauss
        return {
            f"device-{index}": {
                "temperature_c": 40.0 + index + noise(0.0, 0.04),
                "ambient_c": 24.0 + noise(0.0, 0.04),
                "raw_rise_k": 16.0 + index + noise(0.0, 0.06),
                "rise_k": 16.0 + index + noise(0.0, 0.05),
                "settled_rise_k": 16.5 + index + noise(0.0, 0.2),
                "settled_rise_sd_k": 0.2 + noise(0.0, 0.01),
                "normal_rise_k": 16.0 + index,
                "resistance_k_per_w": 0.4 + noise(0.0, 0.002),
                "power_w": round(41.0 + noise(0.0, 0.4), 1),
                "load_fraction": 0.45 + noise(0.0, 0.004),
                "fan_rpm": 1200.0 + noise(0.0, 6.0),
                "threshold_c": 55.0 + noise(0.0, 0.1),
                "margin_k": 15.0 - index + noise(0.0, 0.1),
                "hot_day_temperature_c": 52.0 + index + noise(0.0, 0.2),
                "hot_day_margin_k": 3.0 - index + noise(0.0, 0.2),
                "off": False,
            }
            for index in range(DEVICES)
        }


def _round(store: Store, t: int) -> float:
    """Run a round of upkeep; give the seconds of its longest step."""
    now, longest_s = Now(t, t), 0.0
    began = time.perf_counter()
    for _ in chain(store.tidy(now), store.clear(now, KEEPING)):
        longest_s = max(longest_s, time.perf_counter() - began)
        began = time.perf_counter()
    return longest_s


def _a_year(path: Path, hours: float) -> dict[str, float]:
    """Reckon what is kept after a year, from what the days that are over took in the tiers."""
    days_over = int((hours - 2) // 24)
    if days_over < 1:
        return {}
    daily = {}
    with closing(sqlite3.connect(path)) as connection:
        for table in ("minute_block", "quarter_block"):
            rows = connection.execute(f"SELECT length(data) FROM {table} WHERE NOT is_part")  # noqa: S608
            # A row takes whole pages; a little more for its index.
            pages = sum(-(-size // PAGE_BYTES) * PAGE_BYTES + 60 for (size,) in rows)
            daily[table] = pages / days_over
        raw = connection.execute("SELECT sum(pgsize) FROM dbstat WHERE name = 'block'").fetchone()
    daily["block"] = raw[0] / hours * 24
    kept = StoreConfig()
    days_kept = {
        "block": min(365, kept.keep_raw_days),
        "minute_block": min(365, kept.keep_minutes_days),
        "quarter_block": min(365, kept.keep_quarters_days),
    }
    return {
        "raw_mb_a_day": daily["block"] / 1e6,
        "minutes_mb_a_day": daily["minute_block"] / 1e6,
        "quarters_mb_a_day": daily["quarter_block"] / 1e6,
        "a_year_mb": sum(daily[table] * days for table, days in days_kept.items()) / 1e6,
    }


def naive(folder: Path, hours: float) -> dict[str, float]:
    """Write a row a reading under a key of sensor and time, a commit each round."""
    path = folder / "naive.db"
    written, count = _bytes_written(), 0
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute(
            "CREATE TABLE reading (sensor TEXT, t INTEGER, value REAL, PRIMARY KEY (sensor, t))"
            " WITHOUT ROWID"
        )
        for readings in rounds(hours):
            connection.execute("BEGIN")
            rows = [(reading.sensor, reading.t, reading.value) for reading in readings]
            connection.executemany("INSERT INTO reading VALUES (?, ?, ?)", rows)
            connection.execute("COMMIT")
            count += len(readings)
    return {
        "readings": count,
        "written_bytes_per_reading": (_bytes_written() - written) / count,
        "kept_bytes_per_reading": path.stat().st_size / count,
    }


def _read_back(path: Path, count: int) -> float:
    """Give the readings a second that `Store.inputs` yields, best of three."""
    best = 0.0
    with Store.open(database_url(path), read_only=True) as store:
        for _ in range(3):
            began = time.perf_counter()
            deque(store.inputs(), maxlen=0)
            best = max(best, count / (time.perf_counter() - began))
    return best


def _bytes_written() -> int:
    lines = Path("/proc/self/io").read_text(encoding="ascii").splitlines()
    figures = dict(line.split(": ") for line in lines)
    return int(figures["write_bytes"])


def _counts_writes(folder: Path) -> bool:
    probe, before = folder / "probe", _bytes_written()
    probe.write_bytes(bytes(8192))
    return _bytes_written() > before


def measure(folder: Path, hours: float) -> dict[str, dict[str, float]]:
    """Measure both."""
    if not _counts_writes(folder):
        raise SystemExit(f"{folder} is no file system on a disk; set TMPDIR to one")
    return {"ours": ours(folder, hours), "naive": naive(folder, min(hours, YARDSTICK_HOURS))}


def show(figures: dict[str, dict[str, float]]) -> None:
    """Print both side by side."""
    for who, measured in figures.items():
        for what, figure in measured.items():
            print(f"{who:6} {what:28} {figure:14,.2f}")
    ratio = (
        figures["naive"]["written_bytes_per_reading"] / figures["ours"]["written_bytes_per_reading"]
    )
    print(f"written: {ratio:.0f} times less than naively")


if __name__ == "__main__":
    sys.exit(command(__doc__, {"hours": (28.0, "simulated hours")}, measure, show))
