"""A clock that tests move by hand: hours pass at once, and the wall clock can be set wrong."""

import time

_LOOKS = 20.0
"""How many times more often than it need a waiting thread looks whether time was let pass."""


class HandClock:
    """Runs as life does, but for what the test lets pass; serves as the clock of a watch."""

    def __init__(self, utc_ms: int, up_ms: int = 86_400_000) -> None:
        self._began_ms = time.monotonic_ns() // 1_000_000
        # In one: who looks sees both change at once.
        self._up_and_hung_ms = up_ms, 0
        self._wrong_by_ms = utc_ms - up_ms
        self._stood_still_ms: int | None = None

    def monotonic_ms(self) -> int:
        """Milliseconds since the machine started."""
        if self._stood_still_ms is not None:
            return self._up_and_hung_ms[0] + self._stood_still_ms
        return self._up_and_hung_ms[0] + time.monotonic_ns() // 1_000_000 - self._began_ms

    def utc_ms(self) -> int:
        """What the wall clock shows."""
        return self.monotonic_ms() + self._wrong_by_ms

    def real_s(self, watch_s: float) -> float:
        """Part of it only: time may be let pass meanwhile."""
        return watch_s / _LOOKS

    def life_ms(self) -> int:
        """What the test lets pass is lived through, however busy the machine, but for `hang`."""
        return self._up_and_hung_ms[1]

    def hang(self, seconds: float) -> None:
        """Let time pass in which the process is stopped: it lives through none of it."""
        up_ms, hung_ms = self._up_and_hung_ms
        passed_ms = round(seconds * 1000)
        self._up_and_hung_ms = up_ms + passed_ms, hung_ms + passed_ms

    def stand_still(self) -> None:
        """From now on only what the test lets pass does, however long the machine takes."""
        self._stood_still_ms = self.monotonic_ms() - self._up_and_hung_ms[0]

    def go_on(self) -> None:
        """Run again as life does, from where it stands still."""
        if self._stood_still_ms is not None:
            self._began_ms = time.monotonic_ns() // 1_000_000 - self._stood_still_ms
            self._stood_still_ms = None

    def let_pass(self, seconds: float) -> None:
        """Let time pass at once."""
        up_ms, hung_ms = self._up_and_hung_ms
        self._up_and_hung_ms = up_ms + round(seconds * 1000), hung_ms

    def set_utc(self, utc_ms: int) -> None:
        """Step the wall clock; no time passes."""
        self._wrong_by_ms = utc_ms - self.monotonic_ms()
