"""Tells what a broker had queued while we were away from what is measured now.

What a resumed session delivers in a burst was measured at some time during the outage, nobody knows
when. It must not be judged as if it were the present: it is kept with quality `backlog`, spread
evenly from the last live reading to the reconnect. A reading is held back until its burst is over,
so that the spreading can count them; its message must not be acknowledged before.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

from cabinetwatch.config.sensors import DEFAULT_INTERVAL_S
from cabinetwatch.intake.message import Incoming
from cabinetwatch.watch.reading import Quality, Reading

# Gaps under this part of the sensor's interval make a burst.
_BURST_PART = 10
# A burst's readings are dated when it has paused this long, even if the sensor is so slow that it
# may still go on: a broker that has a message to send doesn't wait, and acknowledgements do.
_LONGEST_HOLD_MS = 1000
# A burst lasts at most as long as the outage, and as its gaps are under a tenth of the interval, it
# lasts under a tenth of it. The floor is our choice, for a broker that is slow to begin.
_LONGEST_FLOOR_MS = 5_000
# Our choice for a sensor of which nothing is known from before the outage.
_UNKNOWN_OUTAGE_MS = 60_000


class Released(NamedTuple):
    """Readings to be told to the engine, in this order, and messages that are now done with.

    Those of quality LIVE carry their arrival, which may lie before something told already when a
    reading was held back and then found to be no backlog.
    """

    readings: list[Reading]
    messages: list[Incoming]


@dataclass(slots=True)
class _Holding:
    """A message with readings still held back."""

    message: Incoming
    left: int


@dataclass(slots=True)
class _Burst:
    """One sensor after a resumed connect, until its first live reading.

    `from_t` is where the next backlog reading is spread from; `idle_t` is the last arrival on a
    clock that stands still while the receive window is full.
    """

    from_t: int
    longest_ms: int
    idle_t: int
    last_t: int
    held: list[tuple[float, int, _Holding]] = field(default_factory=list)


class Backlog:
    """Holds readings back after a resumed connect until it is clear whether they are backlog.

    Args:
        interval_s: the expected interval of each sensor, None where none is promised.
        last_live_t: watch time (ms) of each sensor's last live reading, as the store knows it.
    """

    def __init__(
        self,
        interval_s: Mapping[str, float | None],
        last_live_t: Mapping[str, int] | None = None,
    ) -> None:
        self._interval_ms = {
            sensor: int((seconds or DEFAULT_INTERVAL_S) * 1000)
            for sensor, seconds in interval_s.items()
        }
        self._gap_ms = {
            sensor: interval_ms / _BURST_PART for sensor, interval_ms in self._interval_ms.items()
        }
        self._last_live_t = dict(last_live_t or {})
        self._bursts: dict[str, _Burst] = {}
        self._held = 0
        self._most_held = 0
        self._reconnect_t = 0

    def connected(self, t: int, *, session_present: bool, window: int) -> Released:
        """A connection came up at watch time `t` (ms).

        Args:
            t: the reconnect.
            session_present: whether the broker kept the session; without it there is no backlog.
            window: how many messages may stay unacknowledged. With half of them held back, what is
                held is dated and let go, so that the broker can go on sending.
        """
        released = self.disconnected()
        self._reconnect_t = t
        self._most_held = max(1, window // 2)
        if session_present:
            self._bursts = {sensor: self._new_burst(sensor, t) for sensor in self._gap_ms}
        return released

    def paused(self, t: int) -> Released:
        """Nothing was taken until watch time `t` (ms), though the connection may have been kept.

        What came meanwhile waited in its socket, and comes in a burst as from a resumed session.
        """
        released = self.disconnected()
        self._reconnect_t = t
        if self._most_held:
            self._bursts = {sensor: self._new_burst(sensor, t) for sensor in self._gap_ms}
        return released

    def disconnected(self) -> Released:
        """The connection is gone: what is held came in a burst, and is let go as backlog."""
        released = Released([], [])
        for sensor, burst in self._bursts.items():
            self._let_go(sensor, burst, released)
        self._bursts = {}
        return released

    def take(self, message: Incoming, values: Iterable[tuple[str, float]]) -> Released:
        """Take the values of one message that carry no time of their own, dated at arrival.

        A retained message is none of the backlog and passes by.
        """
        values = list(values)
        if message.retain or not self._bursts:
            quality = Quality.RETAINED if message.retain else Quality.LIVE
            readings = [Reading(name, message.t, value, quality) for name, value in values]
            if quality is Quality.LIVE:
                for name, _ in values:
                    self._last_live_t[name] = message.t
            return Released(readings, [message])
        released = Released([], [])
        # One more than there are values, so that it can't be done before all are looked at.
        holding = _Holding(message, len(values) + 1)
        for sensor, value in values:
            self._take_one(sensor, value, holding, released)
        self._finish(holding, released)
        if self._held >= self._most_held:
            for sensor, burst in self._bursts.items():
                self._let_go(sensor, burst, released, more_may_follow=True)
        return released

    def due(self, t: int) -> Released:
        """Let go what has been held long enough at watch time `t` (ms)."""
        released = Released([], [])
        if self._held:
            for sensor, burst in self._bursts.items():
                if burst.held and t >= self._due_t(sensor, burst):
                    self._let_go(sensor, burst, released)
        return released

    def deadline(self) -> int | None:
        """Watch time (ms) at which `due` has something to do; None when nothing is held."""
        if not self._held:
            return None
        return min(
            self._due_t(sensor, burst) for sensor, burst in self._bursts.items() if burst.held
        )

    def _new_burst(self, sensor: str, t: int) -> _Burst:
        last_t = self._last_live_t.get(sensor)
        if last_t is None or last_t > t:
            return _Burst(from_t=t, longest_ms=_UNKNOWN_OUTAGE_MS, idle_t=t, last_t=t)
        outage_ms = t - last_t
        longest_ms = min(outage_ms, max(outage_ms // _BURST_PART, _LONGEST_FLOOR_MS))
        return _Burst(from_t=last_t, longest_ms=longest_ms, idle_t=t, last_t=t)

    def _due_t(self, sensor: str, burst: _Burst) -> int:
        return burst.last_t + int(min(self._gap_ms[sensor], _LONGEST_HOLD_MS)) + 1

    def _take_one(self, sensor: str, value: float, holding: _Holding, released: Released) -> None:
        message = holding.message
        burst = self._bursts.get(sensor)
        if burst is not None:
            idle_t = message.t - message.stalled_ms
            in_burst = idle_t - burst.idle_t < self._gap_ms[sensor]
            # What goes on for longer than a backlog can is a sensor that publishes much more often
            # than was configured.
            too_long = idle_t - self._reconnect_t > burst.longest_ms
            if in_burst and not too_long:
                burst.idle_t, burst.last_t = idle_t, message.t
                burst.held.append((value, message.t, holding))
                self._held += 1
                return
            self._let_go(sensor, burst, released, live=in_burst)
            del self._bursts[sensor]
        self._last_live_t[sensor] = message.t
        released.readings.append(Reading(sensor, message.t, value, Quality.LIVE))
        self._finish(holding, released)

    def _let_go(
        self,
        sensor: str,
        burst: _Burst,
        released: Released,
        *,
        live: bool = False,
        more_may_follow: bool = False,
    ) -> None:
        """Release what is held of one sensor, spread over the outage unless live after all."""
        held, burst.held = burst.held, []
        self._held -= len(held)
        span_ms = self._reconnect_t - burst.from_t
        for place, (value, arrival_t, holding) in enumerate(held, 1):
            if live:
                reading = Reading(sensor, arrival_t, value, Quality.LIVE)
            elif more_may_follow:
                # Their number is not known yet: the interval is the best guess of the spacing.
                t = min(burst.from_t + place * self._interval_ms[sensor], self._reconnect_t)
                reading = Reading(sensor, t, value, Quality.BACKLOG)
            else:
                t = burst.from_t + span_ms * place // len(held)
                reading = Reading(sensor, t, value, Quality.BACKLOG)
            released.readings.append(reading)
            self._finish(holding, released)
        if held and not live:
            burst.from_t = released.readings[-1].t

    def _finish(self, holding: _Holding, released: Released) -> None:
        holding.left -= 1
        if holding.left == 0:
            released.messages.append(holding.message)
