"""A daemon on a fast clock that its test drives: python -m tests.service.driven CONFIG UTC_MS RATE.

It takes lines on standard input ("skip MS", "step MS", "heard SENSOR VALUE", "stop", "" to ask) and
answers each with the wall clock's UTC (ms). "heard" is answered once the engine has taken that
value, or after ten seconds.
"""

import logging
import sys
import time
from pathlib import Path

from cabinetwatch.clock import RatedClock
from cabinetwatch.service.daemon import Daemon
from cabinetwatch.watch import configuration


class DrivenClock(RatedClock):
    """A clock that runs fast, can skip time ahead, and whose wall clock can be set."""

    def __init__(self, rate: float, start_utc_ms: int) -> None:
        super().__init__(rate, start_utc_ms)
        self.skipped_ms = 0
        self.stepped_ms = 0

    def utc_ms(self) -> int:
        """The wall clock, as it was set."""
        return super().utc_ms() + self.stepped_ms

    def _elapsed_ms(self) -> int:
        return super()._elapsed_ms() + self.skipped_ms


def wait_heard(daemon: Daemon, sensor: str, value: str) -> None:
    """Wait until the engine has taken this value of a sensor."""
    until = time.monotonic() + 10.0
    view = daemon._engine_loop._engine.house.sensors[sensor]
    while view.value != float(value) and time.monotonic() < until:
        time.sleep(0.0005)


def main(path: Path, start_utc_ms: int, rate: float) -> int:
    """Run until told to stop; 1 when a part of the daemon died."""
    logging.basicConfig(level=logging.INFO, format="%(levelname)s %(name)s: %(message)s")
    clock = DrivenClock(rate, start_utc_ms)
    daemon = Daemon(configuration.load(path), clock)
    daemon.start()
    print(clock.utc_ms(), flush=True)
    for line in sys.stdin:
        word, _, amount = line.strip().partition(" ")
        if word == "stop":
            break
        if word == "skip":
            clock.skipped_ms += int(amount)
        elif word == "step":
            clock.stepped_ms += int(amount)
        elif word == "heard":
            wait_heard(daemon, *amount.split())
        print(clock.utc_ms(), flush=True)
    failed = daemon.failure is not None
    daemon.stop()
    return int(failed)


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1]), int(sys.argv[2]), float(sys.argv[3])))
