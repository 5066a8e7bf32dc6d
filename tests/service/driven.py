"""A daemon on a clock that its test drives: python -m tests.service.driven CONFIG UTC_MS.

It takes lines on standard input ("skip MS", "step MS", "heard SENSOR VALUE", "held", "stop", "" to
ask) and answers each with the wall clock's UTC (ms): "heard" once the engine has taken that value,
"held" once it holds back what came right after a reconnect.

The clock runs as life does, so that a busy machine makes no time pass; only skips do.
"""

import logging
import sys
import time
from collections.abc import Callable
from pathlib import Path

from cabinetwatch.clock import RatedClock
from cabinetwatch.service.daemon import Daemon
from cabinetwatch.watch import configuration
from tests.support.patience import WITHIN_S

_LOOKS = 20.0
"""How many times more often than it need a waiting thread looks whether time was skipped."""


class DrivenClock(RatedClock):
    """A clock that can skip time ahead, and whose wall clock can be set."""

    def __init__(self, start_utc_ms: int) -> None:
        super().__init__(1.0, start_utc_ms)
        self.skipped_ms = 0
        self.stepped_ms = 0

    def utc_ms(self) -> int:
        """The wall clock, as it was set."""
        return super().utc_ms() + self.stepped_ms

    def real_s(self, watch_s: float) -> float:
        """Part of it only: time may be skipped meanwhile."""
        return watch_s / _LOOKS

    def _elapsed_ms(self) -> int:
        return super()._elapsed_ms() + self.skipped_ms


def wait_heard(daemon: Daemon, sensor: str, value: str) -> None:
    """Wait until the engine has taken this value of a sensor."""
    view = daemon._engine_loop._engine.house.sensors[sensor]
    wait(lambda: view.value == float(value), f"{sensor} to be {value}, not {view.value}")


def wait_held(daemon: Daemon) -> None:
    """Wait until something is held back as perhaps of the past."""
    reception = daemon._engine_loop._reception
    wait(lambda: reception.deadline() is not None, "what waited at the broker")


def wait(holds: Callable[[], bool], what: str) -> None:
    """Wait until something holds."""
    until = time.monotonic() + WITHIN_S / 2
    while not holds():
        if time.monotonic() > until:
            raise TimeoutError(f"waited for {what}")
        time.sleep(0.0005)


def main(path: Path, start_utc_ms: int) -> int:
    """Run until told to stop; 1 when a part of the daemon died."""
    logging.basicConfig(level=logging.INFO, format="%(levelname)s %(name)s: %(message)s")
    clock = DrivenClock(start_utc_ms)
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
        elif word == "held":
            wait_held(daemon)
        print(clock.utc_ms(), flush=True)
    failed = daemon.failure is not None
    daemon.stop()
    return int(failed)


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1]), int(sys.argv[2])))
