"""The one injected clock, and watch time, the time line on which everything is judged."""

import time
from typing import Protocol

_BOOT_CLOCK = getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC)


class Clock(Protocol):
    """What the daemon and the simulation take for time."""

    def monotonic_ms(self) -> int:
        """Milliseconds since the machine started, on a clock that never steps."""
        ...

    def utc_ms(self) -> int:
        """Milliseconds since 1970 as the wall clock shows them; may step either way."""
        ...

    def real_s(self, watch_s: float) -> float:
        """Seconds to really wait so that `watch_s` pass on this clock."""
        ...

    def life_ms(self) -> int:
        """Milliseconds of life, whatever passes on this clock: a process that hangs misses them."""
        ...


class SystemClock:
    """The machine's own clocks, at their own rate."""

    def monotonic_ms(self) -> int:
        """Milliseconds since boot, a suspended machine's sleep included."""
        return time.clock_gettime_ns(_BOOT_CLOCK) // 1_000_000

    def utc_ms(self) -> int:
        """Milliseconds since 1970."""
        return time.time_ns() // 1_000_000

    def real_s(self, watch_s: float) -> float:
        """At rate one a second is a second."""
        return watch_s

    def life_ms(self) -> int:
        """The monotonic clock is that of life."""
        return self.monotonic_ms()


class RatedClock:
    """A clock that runs `rate` times faster than life from a given instant (demo and soak only)."""

    def __init__(self, rate: float, start_utc_ms: int) -> None:
        self._rate = rate
        self._start_utc_ms = start_utc_ms
        self._started_ns = time.monotonic_ns()

    def monotonic_ms(self) -> int:
        """Milliseconds, sped up, of a machine that had been up for a day when this was made."""
        return 86_400_000 + self._elapsed_ms()

    def utc_ms(self) -> int:
        """The start instant plus the sped-up time since."""
        return self._start_utc_ms + self._elapsed_ms()

    def real_s(self, watch_s: float) -> float:
        """Seconds to really wait for `watch_s` of this clock."""
        return watch_s / self._rate

    def life_ms(self) -> int:
        """The machine's own clock."""
        return SystemClock().monotonic_ms()

    def _elapsed_ms(self) -> int:
        return int((time.monotonic_ns() - self._started_ns) * self._rate) // 1_000_000


class WatchTime:
    """Watch time: a time line of milliseconds that no step of the wall clock can bend.

    It runs with the monotonic clock. At a start it is set to the wall clock's UTC, unless that
    lies before `not_before_ms`, the last instant the store knows (a machine without a battery
    clock wakes in 1970): then it goes on from there. `offset_ms` is what must be added to watch
    time to get UTC; only `remeasure` changes it.
    """

    # The clock discipline slews errors below 128 ms (ntpd's step threshold, from memory), so a
    # smaller difference is the scatter of reading two clocks one after the other.
    STEP_MS = 100

    def __init__(self, clock: Clock, not_before_ms: int | None = None) -> None:
        self._clock = clock
        utc_ms, monotonic_ms = clock.utc_ms(), clock.monotonic_ms()
        start_ms = utc_ms if not_before_ms is None else max(utc_ms, not_before_ms + 1)
        self._boot_ms = start_ms - monotonic_ms
        self.offset_ms = utc_ms - start_ms

    def now_ms(self) -> int:
        """Watch time now."""
        return self._clock.monotonic_ms() + self._boot_ms

    def boot_ms(self) -> int:
        """Watch time at which the machine started."""
        return self._boot_ms

    def utc_ms(self, watch_ms: int) -> int:
        """UTC of an instant of watch time, by the offset in force."""
        return watch_ms + self.offset_ms

    def remeasure(self) -> int | None:
        """Compare both clocks; take and return the new offset if the wall clock stepped."""
        offset_ms = self._clock.utc_ms() - self.now_ms()
        if abs(offset_ms - self.offset_ms) < self.STEP_MS:
            return None
        self.offset_ms = offset_ms
        return offset_ms
