"""How long from a reading on the wire to its notice on the wire, beyond the on-delay.

    python -m tests.benchmarks.latency [--raises 60] [--load 0] [--json]

A real broker, a real mail server and the daemon as a process of its own, all on this machine, with
default settings but for an on-delay of 0. A temperature goes over its threshold again and again.
Measured from the call that publishes the reading to the retained transition at a subscriber, and to
the mail at the mail server. Between the two ends the raise, its notices and the readings before it
are committed, synced to the disk in the folder for temporary files (TMPDIR). The broker is told to
hold back no small packets (`set_tcp_nodelay`): otherwise TCP adds up to 40 ms between two of them,
to the yardstick as well, which is the same client's bare round trip over the same broker, publish
to receipt, in the same run. With --load so many readings a second of 50 other sensors and ten
devices come in all the while, at QoS 1, and are committed.
"""

import statistics
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from tests.benchmarks.intake import TABLES
from tests.benchmarks.timing import command
from tests.service.site import NAS, Site
from tests.service.watching import WatchProcess
from tests.service.wire import Wire, wire
from tests.support.broker import Broker
from tests.support.flood import Flood
from tests.support.mail import MailDrop

ROUND_TRIP = "bare round trip"
TRANSITION = "transition (MQTT)"
MAIL = "mail (SMTP)"


def measure(folder: Path, raises: int, load: float) -> dict[str, dict[str, float]]:
    """Measure so many raises, and as many bare round trips."""
    lines = ["set_tcp_nodelay true", "max_queued_messages 0"]
    broker = Broker(folder / "broker", config_lines=lines).start()
    smtp = MailDrop().start()
    site = Site(folder / "watch", broker.port, smtp.port, flush_s=10.0)
    if load:
        site.tables += TABLES
    watch = WatchProcess(site.write())
    flood: Flood | None = None
    try:
        with wire(broker.port) as cabinet:
            cabinet.wait_online()
            if load:
                flood = Flood(broker.port, round(120 * load), load, payload="warmth")
            return summary(_measured(max(2, raises), cabinet, smtp))
    finally:
        if flood is not None:
            flood.close()
        watch.stop()
        smtp.stop()
        broker.stop()


def _measured(raises: int, cabinet: Wire, smtp: MailDrop) -> dict[str, list[float]]:
    took: dict[str, list[float]] = {ROUND_TRIP: [], TRANSITION: [], MAIL: []}
    with ThreadPoolExecutor(1) as pool:
        for number in range(raises):
            began = time.perf_counter()
            cabinet.mark()
            took[ROUND_TRIP].append(_since_ms(began))

            heard = len(cabinet.messages)
            began = time.perf_counter()
            mailed = pool.submit(_wait_mail, smtp, 2 * number + 1, began)
            cabinet.send(NAS, "55")
            cabinet.wait_transition("nas", "over-derating", "unacknowledged", after=heard)
            took[TRANSITION].append(_since_ms(began))
            took[MAIL].append(mailed.result())

            cabinet.send(NAS, "40")
            cabinet.wait_transition("nas", "over-derating", "returned", after=heard)
            smtp.wait_for(2 * number + 2, 30)
    return took


def _wait_mail(smtp: MailDrop, count: int, began: float) -> float:
    smtp.wait_for(count, 30)
    return _since_ms(began)


def _since_ms(began: float) -> float:
    return (time.perf_counter() - began) * 1000


def summary(took: dict[str, list[float]]) -> dict[str, dict[str, float]]:
    """Give median, 95 % and maximum (ms) of each, and its median over that of a round trip."""
    yardstick = statistics.median(took[ROUND_TRIP])
    return {
        what: {
            "median_ms": statistics.median(times),
            "p95_ms": statistics.quantiles(times, n=20)[-1],
            "max_ms": max(times),
            "ratio": statistics.median(times) / yardstick,
        }
        for what, times in took.items()
    }


def show(figures: dict[str, dict[str, float]]) -> None:
    """Print a table."""
    print(f"{'':20} {'median':>9} {'95 %':>9} {'longest':>9} {'times a bare round trip':>24}")
    for what, row in figures.items():
        times = " ".join(f"{row[key]:6.1f} ms" for key in ("median_ms", "p95_ms", "max_ms"))
        print(f"{what:20} {times} {row['ratio']:24.1f}")


if __name__ == "__main__":
    numbers = {"raises": (60, "how many"), "load": (0.0, "other readings a second meanwhile")}
    sys.exit(command(__doc__, numbers, measure, show))
