"""What the watch costs in ordinary life: processor, memory, and bytes written, as it runs.

    python -m tests.benchmarks.ordinary [--minutes 5] [--devices 500] [--json]

A real broker, and the daemon as a process of its own with default settings: 50 sensors that
publish every 2 s at QoS 1, ten devices, commits every 10 s. With `--devices`: so many, each with
its own temperature and one of twelve ambients, and each sensor publishes every second. After half
a minute the processor time, the bytes written (write_bytes of /proc/PID/io: pages that went to the
disk, the file system's own journal not counted; nothing on tmpfs, so the folder for temporary
files, TMPDIR, must lie on a disk) and the memory that is resident are read from the kernel.
Yardsticks in the same run: a paho client that receives the same messages and does nothing, and a
process that only has the daemon's imports.
"""

import subprocess
import sys
import time
from pathlib import Path

import psutil

from tests.benchmarks.intake import BARE, TABLES
from tests.benchmarks.timing import command
from tests.service.site import Site
from tests.service.watching import WatchProcess
from tests.service.wire import wire
from tests.support.broker import Broker
from tests.support.flood import TOPICS, Flood

PER_S = 25.0
WARM_UP_S = 30.0
AMBIENTS = 12
IMPORTS = """
import sys
import cabinetwatch.service.daemon
print("imported", flush=True)
sys.stdin.read()
"""


class Meter:
    """Processor time and bytes written of a process, from its making on."""

    def __init__(self, pid: int) -> None:
        self._process = psutil.Process(pid)
        self._began = time.monotonic()
        self._cpu_s = self._used_s()
        self._written = self._process.io_counters().write_bytes

    def _used_s(self) -> float:
        # Its children too: what it gives to others to do is its cost all the same.
        times = self._process.cpu_times()
        return float(times.user + times.system + times.children_user + times.children_system)

    def share(self) -> float:
        """Give the part of one core that it has used."""
        return (self._used_s() - self._cpu_s) / (time.monotonic() - self._began)

    def written(self) -> int:
        """Give the bytes that it has written."""
        return int(self._process.io_counters().write_bytes - self._written)

    def resident_mb(self) -> float:
        """Give the memory that is resident now, in MB (1e6 bytes)."""
        return float(self._process.memory_info().rss) / 1e6


def imports_mb() -> float:
    """Give the resident memory of a process with the daemon's imports alone."""
    pipe = subprocess.PIPE
    process = subprocess.Popen([sys.executable, "-c", IMPORTS], stdin=pipe, stdout=pipe)
    try:
        assert process.stdout is not None
        process.stdout.readline()
        return float(psutil.Process(process.pid).memory_info().rss) / 1e6
    finally:
        process.communicate(b"")


def many(devices: int) -> str:
    """Give the tables of many devices in twelve places."""
    sensors = [
        f'[sensors.flood-{number}]\ntopic = "flood/{number}"\nquantity = "temperature"\n'
        "interval_s = 1\nsilent_after = 10000\n"
        for number in range(devices + AMBIENTS)
    ]
    return "".join(sensors) + "".join(
        f'[devices.device-{number}]\ntemperature = "flood-{number}"\n'
        f'ambient = "flood-{devices + number % AMBIENTS}"\nderating = [[50.0, 1.0], [70.0, 0.5]]\n'
        for number in range(devices)
    )


def measure(folder: Path, minutes: float, devices: int) -> dict[str, float]:
    """Let it live for so long and read the meters."""
    broker = Broker(folder / "broker").start()
    tables, topics, per_s = TABLES, TOPICS, PER_S
    if devices:
        tables, topics, per_s = many(devices), devices + AMBIENTS, float(devices + AMBIENTS)
    site = Site(folder / "watch", broker.port, tables=tables, flush_s=10.0)
    watch = WatchProcess(site.write())
    command = [sys.executable, "-c", BARE, str(broker.port), "0"]
    bare = subprocess.Popen(command, stdout=subprocess.DEVNULL)
    seconds = WARM_UP_S + 60 * minutes
    flood: Flood | None = None
    try:
        with wire(broker.port) as cabinet:
            cabinet.wait_online()
        flood = Flood(broker.port, round(per_s * (seconds + 30)), per_s, "warmth", topics)
        time.sleep(WARM_UP_S)
        with site.store() as store:
            before = store.last_seq()
            meters = Meter(watch.pid), Meter(bare.pid)
            time.sleep(60 * minutes)
            ours, yardstick = meters
            readings = store.last_seq() - before
            return {
                "readings": readings,
                "cpu_share": ours.share(),
                "bare_cpu_share": yardstick.share(),
                "written_bytes_per_reading": ours.written() / readings,
                "resident_mb": ours.resident_mb(),
                "imports_mb": imports_mb(),
            }
    finally:
        if flood is not None:
            flood.close()
        bare.kill()
        bare.wait()
        watch.kill()
        broker.stop()


def show(figures: dict[str, float]) -> None:
    """Print a table."""
    ours, bare = 100 * figures["cpu_share"], 100 * figures["bare_cpu_share"]
    print(f"readings           {figures['readings']:6.0f}")
    print(f"processor          {ours:6.2f} % of a core; a client that does nothing {bare:.2f} %")
    print(f"written            {figures['written_bytes_per_reading']:6.1f} bytes a reading")
    print(
        f"resident memory    {figures['resident_mb']:6.1f} MB; with the imports alone"
        f" {figures['imports_mb']:.1f} MB"
    )


if __name__ == "__main__":
    sys.exit(
        command(
            __doc__, {"minutes": (5.0, "how long"), "devices": (0, "many of them")}, measure, show
        )
    )
