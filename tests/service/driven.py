"""A daemon on a clock that its test drives: python -m tests.service.driven CONFIG UTC_MS.

It takes lines on standard input and answers each, once done, with the wall clock's UTC (ms):

- "run", "skip MS" and "step MS" let time pass, move it on and set the wall clock; "hang MS" moves
  it on as for a process that is stopped.
- "heard SENSOR VALUE" waits until the engine has taken that value, "away" until it knows that the
  broker is gone, "raised CONDITION" until it has raised that alarm, and "held" until it holds back
  what came right after a reconnect.
- "" only asks, and "stop" ends.

The clock stands until the first run or skip and then goes as life does, so that a busy machine
makes no time pass: neither between a reconnect and the look at what is held, nor in a day.
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
    """A clock that stands, then runs, can skip time ahead, and whose wall clock can be set."""

    def __init__(self, start_utc_ms: int) -> None:
        super().__init__(1.0, start_utc_ms)
        self._stood_until_ms: int | None = None
        # In one: who looks sees both change at once.
        self._skipped_and_hung_ms = 0, 0
        self.stepped_ms = 0

    def run(self) -> None:
        """Let time pass by itself from now on."""
        if self._stood_until_ms is None:
            self._stood_until_ms = super()._elapsed_ms()

    def skip(self, ms: int, hung_ms: int = 0) -> None:
        """Let time pass at once, and from now on by itself; live through all but `hung_ms`."""
        self.run()
        skipped_ms, before_ms = self._skipped_and_hung_ms
        self._skipped_and_hung_ms = skipped_ms + ms, before_ms + hung_ms

    def utc_ms(self) -> int:
        """The wall clock, as it was set."""
        return super().utc_ms() + self.stepped_ms

    def real_s(self, watch_s: float) -> float:
        """Part of it only: time may be skipped meanwhile."""
        return watch_s / _LOOKS

    def life_ms(self) -> int:
        """However busy the machine is, what passes is lived through, but for what hangs."""
        return self._skipped_and_hung_ms[1]

    def _elapsed_ms(self) -> int:
        stood_until_ms = self._stood_until_ms
        if stood_until_ms is None:
            return 0
        return super()._elapsed_ms() - stood_until_ms + self._skipped_and_hung_ms[0]


class Driven:
    """What the test can ask of a daemon, beside time."""

    def __init__(self, daemon: Daemon) -> None:
        self._engine = daemon._engine_loop._engine
        self._reception = daemon._engine_loop._reception

    def wait(self, word: str, rest: str) -> None:
        """Wait for what a line of the test names."""
        if word == "heard":
            sensor, value = rest.split()
            view = self._engine.model.sensors[sensor]
            _wait(lambda: view.value == float(value), f"{sensor} to be {value}, not {view.value}")
        elif word == "away":
            _wait(lambda: not self._engine.model.site.connected, "the broker to be gone")
        elif word == "raised":
            raised = [a for a in self._engine.alarms.values() if a.condition.name == rest]
            _wait(lambda: any(each.state == "unacknowledged" for each in raised), rest)
        elif word == "held":
            _wait(lambda: self._reception.deadline() is not None, "what waited at the broker")
        else:
            assert not word, word


def _wait(holds: Callable[[], bool], what: str) -> None:
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
    driven = Driven(daemon)
    print(clock.utc_ms(), flush=True)
    for line in sys.stdin:
        word, _, rest = line.strip().partition(" ")
        if word == "stop":
            break
        if word == "run":
            clock.run()
        elif word == "skip":
            clock.skip(int(rest))
        elif word == "hang":
            clock.skip(int(rest), hung_ms=int(rest))
        elif word == "step":
            clock.stepped_ms += int(rest)
        else:
            driven.wait(word, rest)
        print(clock.utc_ms(), flush=True)
    failed = daemon.failure is not None
    daemon.stop(WITHIN_S)
    return int(failed)


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1]), int(sys.argv[2])))
