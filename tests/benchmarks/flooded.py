"""How late another sensor's alarm comes while one topic floods, and what memory that takes.

    python -m tests.benchmarks.flooded [--records 13000] [--rate 20] [--seconds 30] [--json]

A real broker and the daemon as a process of its own, on this machine, with an on-delay of 0. One
client publishes SenML packs of so many records at QoS 1 on one configured topic, so many a second,
for so long; meanwhile another sensor goes over its threshold and back, again and again. Measured
from the call that publishes its reading to the retained transition at a subscriber, beside the same
before the flood, in the same run; and the highest resident memory of the daemon's process. It ends
by itself.
"""

import statistics
import sys
import threading
import time
from contextlib import suppress
from math import inf
from pathlib import Path

import psutil

from tests.benchmarks.timing import command
from tests.service.site import CABINET, NAS, Site
from tests.service.watching import WatchProcess
from tests.service.wire import Wire, wire
from tests.support.broker import Broker

TOPIC = "cabinet/gateway"
TABLES = (
    CABINET
    + f"""
[sensors.gateway-air]
topic = "{TOPIC}"
senml_name = "air"
quantity = "temperature"
silent_after = 10000
"""
)
CALM = 10


def pack(records: int) -> bytes:
    """Give a pack of so many records of some 20 bytes each, all of the last two seconds."""
    one = ",".join(f'{{"t":-{number % 2000 / 1000:.3f},"v":21}}' for number in range(records - 1))
    return f'[{{"bn":"air","u":"Cel","v":21}},{one}]'.encode()


class PackFlood:
    """Publishes the same pack again and again, in a thread, for a time."""

    def __init__(self, cabinet: Wire, records: int, rate: float, seconds: float = inf) -> None:
        self._cabinet = cabinet
        self._payload = pack(records)
        self._rate, self._seconds = rate, seconds
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._pour, daemon=True)
        self.sent = 0

    def __enter__(self) -> "PackFlood":
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._over.set()
        self._thread.join()

    @property
    def going_on(self) -> bool:
        """Whether it still publishes."""
        return self._thread.is_alive()

    def _pour(self) -> None:
        began = time.monotonic()
        while (passed_s := time.monotonic() - began) < self._seconds:
            if self._over.wait(max(0.0, self.sent / self._rate - passed_s)):
                return
            self._cabinet.send(TOPIC, self._payload)
            self.sent += 1


def measure(folder: Path, records: int, rate: float, seconds: float) -> dict[str, float]:
    """Give the delays (s) and the memory (MB) with and without the flood."""
    broker = Broker(folder / "broker", config_lines=["max_queued_messages 0"]).start()
    site = Site(folder / "watch", broker.port, tables=TABLES, flush_s=10.0)
    watch = WatchProcess(site.write())
    process = psutil.Process(watch.pid)
    most = [0]
    over = threading.Event()

    def look() -> None:
        while not over.wait(0.1) and watch.running:
            most[0] = max(most[0], process.memory_info().rss)

    try:
        with wire(broker.port) as cabinet, wire(broker.port) as gateway:
            cabinet.wait_online()
            calm = [_raise_s(cabinet) for _ in range(CALM)]
            calm_mb = process.memory_info().rss / 1e6
            looker = threading.Thread(target=look, daemon=True)
            looker.start()
            late: list[float] = []
            with PackFlood(gateway, records, rate, seconds) as flood:
                while flood.going_on:
                    late.append(_raise_s(cabinet))
            late.append(_raise_s(cabinet))
            over.set()
            looker.join()
            return {
                "sent": flood.sent,
                "raises": len(late),
                "calm_median_s": statistics.median(calm),
                "flooded_median_s": statistics.median(late),
                "flooded_longest_s": max(late),
                "calm_mb": calm_mb,
                "most_mb": most[0] / 1e6,
            }
    finally:
        over.set()
        watch.stop()
        broker.stop()


def _raise_s(cabinet: Wire) -> float:
    """Let the NAS go over its threshold and back; give how long the slower of the two took."""
    took_s = []
    for value, state in (("55", "unacknowledged"), ("40", "returned")):
        heard = len(cabinet.messages)
        began = time.perf_counter()
        cabinet.send(NAS, value)
        # One that never comes counts with all the patience there is.
        with suppress(TimeoutError):
            cabinet.wait_transition("nas", "over-derating", state, after=heard)
        took_s.append(time.perf_counter() - began)
    return max(took_s)


def show(figures: dict[str, float]) -> None:
    """Print a table."""
    print(f"packs sent          {figures['sent']:8.0f}, with {figures['raises']:.0f} raises")
    print(f"an alarm before     {figures['calm_median_s']:8.3f} s (median)")
    print(f"meanwhile           {figures['flooded_median_s']:8.3f} s (median)")
    print(f"                    {figures['flooded_longest_s']:8.3f} s (longest)")
    print(f"memory before       {figures['calm_mb']:8.1f} MB")
    print(f"at most             {figures['most_mb']:8.1f} MB")


if __name__ == "__main__":
    numbers = {
        "records": (13_000, "in a pack"),
        "rate": (20.0, "packs a second"),
        "seconds": (30.0, "of flood"),
    }
    sys.exit(command(__doc__, numbers, measure, show))
