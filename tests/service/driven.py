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

from cabinetwatch.service.daemon import Daemon
from cabinetwatch.watch.conditions import load_config
from tests.support.hand_clock import HandClock
from tests.support.patience import WITHIN_S


class Driven:
    """What the test can ask of a daemon, beside time."""

    def __init__(self, daemon: Daemon) -> None:
        self._engine = daemon._engine_loop._engine
        self._ingest = daemon._engine_loop._ingest

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
            _wait(lambda: self._ingest.deadline() is not None, "what waited at the broker")
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
    clock = HandClock(start_utc_ms)
    clock.stand_still()
    daemon = Daemon(load_config(path), clock)
    daemon.start()
    driven = Driven(daemon)
    print(clock.utc_ms(), flush=True)
    for line in sys.stdin:
        word, _, rest = line.strip().partition(" ")
        if word == "stop":
            break
        if word in {"run", "skip", "hang"}:
            clock.go_on()
        if word == "skip":
            clock.let_pass(int(rest) / 1000)
        elif word == "hang":
            clock.hang(int(rest) / 1000)
        elif word == "step":
            clock.set_utc(clock.utc_ms() + int(rest))
        elif word != "run":
            driven.wait(word, rest)
        print(clock.utc_ms(), flush=True)
    failed = daemon.failure is not None
    daemon.stop(WITHIN_S)
    return int(failed)


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1]), int(sys.argv[2])))
