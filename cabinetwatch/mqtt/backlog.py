"""What stands between the network and the engine: what waits, what comes late, what comes again.

`Inbox` holds what has come until it is taken. `Backlog` tells what the broker had queued for us
from what is measured now, `Repeats` what it sends again. The counts and the log at the end say what
could not be read. All of them are bounded, whatever is sent.
"""

import logging
import queue
import time
from array import array
from collections import deque
from collections.abc import Callable, Hashable, Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any, Generic, NamedTuple, TypeVar

from cabinetwatch.config.model import DEFAULT_INTERVAL_S
from cabinetwatch.mqtt.link import Incoming, excerpt
from cabinetwatch.store.records import HOUR_MS, Repeatable, Unreadable
from cabinetwatch.text import describe_duration
from cabinetwatch.watch.events import Quality, Reading

_log = logging.getLogger(__name__)

# -- what waits -----------------------------------------------------------------------------------

MOST_BYTES = 4 * 1024 * 1024
"""Our choice: some seconds of judging, in packs of readings. No backlog of an ordinary house comes
near: our receive window of 4,000 messages of 100 bytes is 1.2 MB with what Python adds to each."""
PRESSED_S = 3.0
"""Our choice: what a broker had kept of one sensor is through by then."""
_OVERHEAD_BYTES = 200

T = TypeVar("T")


class Refused(NamedTuple):
    """A message that is to be acknowledged, counted as not read, and passed over."""

    message: Incoming


@dataclass(slots=True)
class _Queue:
    waiting: deque[Incoming] = field(default_factory=deque)
    bytes: int = 0


class Inbox(Generic[T]):
    """Messages and other items on their way to the one thread that takes them.

    A single topic may bring more than can be judged. What waits stays within `MOST_BYTES`: whoever
    reads the network asks `full` and leaves the rest with the broker, so nothing is lost. Messages
    wait in queues, one for all that feeds the same sensors, and the queues take turns, so that a
    long one holds up no other. And since a broker has but one queue for us, in which an alarm would
    stand behind the flood: when reading had to pause and the queues have not been empty for
    `PRESSED_S` since, what comes for a queue that holds more than its share is refused, until
    nothing was for as long. Alarms go before records. Refusing from the longest queue is common
    practice in packet networks.

    Any other item is taken before the messages that wait, unless it is of a kind in `last`: that
    one comes out after all that was put before it, and before all that was put after.

    Args:
        queue_of: gives the key of a message's queue; called by the thread that takes. Without it
            all stand in one, and none is ever refused.
        last: the kinds of items that keep their place among the messages.
    """

    def __init__(
        self, queue_of: Callable[[Incoming], Hashable] | None = None, last: tuple[type, ...] = ()
    ) -> None:
        self._queue_of = queue_of
        self._last = last
        self._arrived: queue.SimpleQueue[Incoming | T] = queue.SimpleQueue()
        # Each of these two is written by one thread only: the one that reads the network, and ours.
        self._bytes_in = 0
        self._bytes_out = 0
        self._full = False
        self._pressed_since_s: float | None = None
        self._refused_s = -PRESSED_S
        self._at_once: deque[Refused | T] = deque()
        # Emptied in turns: who was served goes to the end.
        self._queues: dict[Hashable, _Queue] = {}
        self._barrier: T | None = None

    def put(self, item: Incoming | T) -> None:
        """Add an item. Messages are put by one thread only, the one that asks `full`."""
        if isinstance(item, Incoming):
            self._bytes_in += _size(item)
        self._arrived.put(item)

    @property
    def full(self) -> bool:
        """Whether no more should be read for now; once full, until half of it has been taken.

        While a flood is refused reading goes on, so that what stands behind it gets here; what
        nobody has sorted yet is bounded by as much again.
        """
        waiting = self._bytes_in - self._bytes_out
        if self._pressed:
            return waiting > 2 * MOST_BYTES
        self._full = waiting > (MOST_BYTES // 2 if self._full else MOST_BYTES)
        if self._full and self._pressed_since_s is None and self._queue_of is not None:
            self._pressed_since_s = time.monotonic()
        return self._full

    @property
    def _pressed(self) -> bool:
        since_s = self._pressed_since_s
        return since_s is not None and time.monotonic() - since_s >= PRESSED_S

    def take(self, wait_s: float) -> Incoming | Refused | T | None:
        """Give what is next, waiting at most so long; None when nothing has come."""
        self._sort_all()
        item = self._next()
        if item is None and wait_s > 0:
            with suppress(queue.Empty):
                self._sort(self._arrived.get(timeout=wait_s))
                return self.take(0.0)
        return item

    def _sort_all(self) -> None:
        with suppress(queue.Empty):
            while self._barrier is None:
                self._sort(self._arrived.get_nowait())

    def _sort(self, item: Incoming | T) -> None:
        if not isinstance(item, Incoming):
            if isinstance(item, self._last):
                self._barrier = item
            else:
                self._at_once.append(item)
            return
        key = None if self._queue_of is None else self._queue_of(item)
        size = _size(item)
        # While others want to be read, together the queues hold half of all.
        share = MOST_BYTES // 2 // max(1, len(self._queues))
        waiting = self._queues.get(key)
        if waiting is not None and waiting.bytes + size > share and self._pressed:
            self._bytes_out += size
            self._refused_s = time.monotonic()
            self._at_once.append(Refused(item))
            return
        if waiting is None:
            waiting = self._queues[key] = _Queue()
        waiting.waiting.append(item)
        waiting.bytes += size

    def _next(self) -> Incoming | Refused | T | None:
        if self._at_once:
            return self._at_once.popleft()
        if self._queues:
            key = next(iter(self._queues))
            first = self._queues.pop(key)
            message = first.waiting.popleft()
            size = _size(message)
            first.bytes -= size
            self._bytes_out += size
            if first.waiting:
                self._queues[key] = first
            return message
        if time.monotonic() - self._refused_s >= PRESSED_S:
            self._pressed_since_s = None
        barrier, self._barrier = self._barrier, None
        return barrier


def _size(message: Incoming) -> int:
    return len(message.topic) + len(message.payload) + _OVERHEAD_BYTES


# -- what comes late ------------------------------------------------------------------------------

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

    What a resumed session delivers in a burst was measured at some time during the outage, nobody
    knows when. It must not be judged as if it were the present: it is kept with quality `backlog`,
    spread evenly from the last live reading to the reconnect. A reading is held back until its
    burst is over, so that the spreading can count them; until then its message must not be
    acknowledged.

    Args:
        interval_s: the expected interval of each sensor, None where none is promised.
        last_live_t: watch time (ms) of each sensor's last live reading, as the store knows it.
    """

    def __init__(
        self, interval_s: Mapping[str, float | None], last_live_t: Mapping[str, int] | None = None
    ) -> None:
        self._interval_ms = {
            sensor: int((seconds or DEFAULT_INTERVAL_S) * 1000)
            for sensor, seconds in interval_s.items()
        }
        self._last_live_t = dict(last_live_t or {})
        self._bursts: dict[str, _Burst] = {}
        self._held = 0
        self._most_held = 0
        self._reconnect_t = 0

    def connected(self, t: int, *, session_present: bool, window: int) -> Released:
        """A connection came up at watch time `t` (ms); without a kept session there is no backlog.

        `window` is how many messages may stay unacknowledged. With half of them held back, what is
        held is dated and let go, so that the broker can go on sending.
        """
        released = self.disconnected()
        self._most_held = max(1, window // 2)
        self._begin_bursts(t, session_present)
        return released

    def paused(self, t: int) -> Released:
        """Nothing was taken until watch time `t` (ms), though the connection may have been kept.

        What came meanwhile waited in its socket, and comes in a burst as from a resumed session.
        """
        released = self.disconnected()
        self._begin_bursts(t, self._most_held > 0)
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
            if not message.retain:
                self._last_live_t |= {name: message.t for name, _ in values}
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
        dues = (self._due_t(sensor, burst) for sensor, burst in self._bursts.items() if burst.held)
        return min(dues, default=None) if self._held else None

    def _begin_bursts(self, t: int, expected: bool) -> None:
        self._reconnect_t = t
        if not expected:
            return
        for sensor in self._interval_ms:
            from_t, longest_ms = self._last_live_t.get(sensor), _UNKNOWN_OUTAGE_MS
            if from_t is None or from_t > t:
                from_t = t
            else:
                outage_ms = t - from_t
                longest_ms = min(outage_ms, max(outage_ms // _BURST_PART, _LONGEST_FLOOR_MS))
            self._bursts[sensor] = _Burst(from_t, longest_ms, idle_t=t, last_t=t)

    def _gap_ms(self, sensor: str) -> float:
        return self._interval_ms[sensor] / _BURST_PART

    def _due_t(self, sensor: str, burst: _Burst) -> int:
        return burst.last_t + int(min(self._gap_ms(sensor), _LONGEST_HOLD_MS)) + 1

    def _take_one(self, sensor: str, value: float, holding: _Holding, released: Released) -> None:
        message = holding.message
        burst = self._bursts.get(sensor)
        if burst is not None:
            idle_t = message.t - message.stalled_ms
            in_burst = idle_t - burst.idle_t < self._gap_ms(sensor)
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
                t = arrival_t
            elif more_may_follow:
                # Their number is not known yet: the interval is the best guess of the spacing.
                t = min(burst.from_t + place * self._interval_ms[sensor], self._reconnect_t)
            else:
                t = burst.from_t + span_ms * place // len(held)
            quality = Quality.LIVE if live else Quality.BACKLOG
            released.readings.append(Reading(sensor, t, value, quality))
            self._finish(holding, released)
        if held and not live:
            burst.from_t = released.readings[-1].t

    def _finish(self, holding: _Holding, released: Released) -> None:
        holding.left -= 1
        if holding.left == 0:
            released.messages.append(holding.message)


# -- what comes again -----------------------------------------------------------------------------

MOST_SENT_AGAIN = 32_767
"""How many messages are remembered without a Receive Maximum: half of all identifiers. With all of
them an identifier that comes round again would meet its own last use, and a new reading of a value
that never changes would be taken for a repeat."""
_IDENTIFIERS = 65_536


class Repeats:
    """Remembers the last window of messages taken in the present session.

    A repeat has DUP set, comes in a resumed session, and equals in identifier, topic and payload a
    message of that window; anything else is new. A message counts from the moment it is taken, not
    only once it is committed: a reconnect may fall between the two. Its repeat can be acknowledged
    with, or after, the commit that holds the first copy.

    Args:
        window: what the store holds of the session that the broker may still keep, oldest first.
    """

    def __init__(self, window: Iterable[Repeatable] = ()) -> None:
        self._size = MOST_SENT_AGAIN
        # A place for each identifier there is: 1 MB for years, where a dictionary takes six.
        self._digests = array("Q", bytes(8 * _IDENTIFIERS))
        self._turns = array("Q", bytes(8 * _IDENTIFIERS))
        self._turn = 0
        self._first_remembered = 1
        for repeatable in window:
            self.take(repeatable)

    def connected(self, *, session_present: bool, receive_maximum: int | None) -> None:
        """A connection came up; without its session nothing can be a repeat."""
        self._size = receive_maximum or MOST_SENT_AGAIN
        if not session_present:
            self._first_remembered = self._turn + 1
        self._forget_oldest()

    def is_repeat(self, message: Incoming) -> bool:
        """Whether this message was taken before."""
        if not (message.dup and message.resumed and message.qos):
            return False
        if self._turns[message.packet_id] < self._first_remembered:
            return False
        return self._digests[message.packet_id] == _number(identify(message))

    def take(self, repeatable: Repeatable) -> None:
        """Remember a message that is taken now, and forget the one a window before it."""
        self._turn += 1
        self._turns[repeatable.packet_id] = self._turn
        self._digests[repeatable.packet_id] = _number(repeatable)
        self._forget_oldest()

    def _forget_oldest(self) -> None:
        # Never less than before: what a narrow window has let go stays gone in a wider one.
        self._first_remembered = max(self._first_remembered, self._turn - self._size + 1)


def _number(repeatable: Repeatable) -> int:
    return int.from_bytes(repeatable.digest, "big")


def identify(message: Incoming) -> Repeatable:
    """Give what tells a message again."""
    return Repeatable.of(message.packet_id, message.topic, message.payload)


# -- what could not be read -----------------------------------------------------------------------

_LONGEST_PROBLEM = 200


class UnreadableCounts:
    """What was counted and not taken yet, by sensor and hour: bounded, whatever is sent."""

    def __init__(self) -> None:
        self._run_t = 0
        self._counts: dict[tuple[str, int], Unreadable] = {}

    def begin(self, run_t: int) -> None:
        """Learn the watch time (ms) at which this run began, as the journal has it."""
        self._run_t = run_t

    def note(self, unread: Mapping[str, str], t: int, utc_ms: int) -> None:
        """Take one message, arrived at watch time `t` (ms), that held nothing for some sensors.

        `unread` tells for each what is wrong.
        """
        for sensor, problem in unread.items():
            key = sensor, utc_ms // HOUR_MS
            messages = self._counts[key].messages + 1 if key in self._counts else 1
            shown = excerpt(problem, _LONGEST_PROBLEM)
            self._counts[key] = Unreadable(sensor, self._run_t, t, utc_ms, messages, shown)

    def take(self) -> list[Unreadable]:
        """Take out what has been counted."""
        taken, self._counts = list(self._counts.values()), {}
        return taken


class UnheardCounts:
    """News for the engine of what came and can't be judged: at once, then ever more seldom.

    A sensor that sends nothing else for years is then told of every ten minutes.
    """

    FIRST_MS = 10_000
    LONGEST_MS = 600_000

    def __init__(self) -> None:
        self._counts: dict[str, dict[str, Any]] = {}
        self._next_t = 0
        self._pause_ms = self.FIRST_MS

    def note_unread(self, unread: Mapping[str, str]) -> None:
        """Take one message that could not be read for some sensors, and why for each."""
        for sensor, problem in unread.items():
            counts = self._counts.setdefault(sensor, {})
            counts["unreadable"] = counts.get("unreadable", 0) + 1
            counts["problem"] = excerpt(problem, _LONGEST_PROBLEM)

    def note_late(self, sensor: str, late_ms: int) -> None:
        """Take a reading that came so long after its own time that it is not judged."""
        counts = self._counts.setdefault(sensor, {})
        counts["late"] = counts.get("late", 0) + 1
        counts["late_ms"] = max(counts.get("late_ms", 0), late_ms)

    def take(self, now: int | None) -> dict[str, dict[str, Any]]:
        """Take out what was counted, by sensor, if it is time (ms of watch time); None: it is."""
        if not self._counts or (now is not None and now < self._next_t):
            return {}
        if now is not None:
            quiet = now >= self._next_t + self._pause_ms
            self._pause_ms = self.FIRST_MS if quiet else min(2 * self._pause_ms, self.LONGEST_MS)
            self._next_t = now + self._pause_ms
        taken, self._counts = self._counts, {}
        return taken


_QUIET_MS = 600_000
# Topics with an entry each; whoever may publish may invent topics, so the rest share one.
_MOST_TOPICS = 256
_OTHERS = "other topics"


class ProblemLog:
    """Writes at most one line in ten minutes for each topic, with what it left out since.

    `count` is the number of problems so far.
    """

    def __init__(self) -> None:
        self.count = 0
        # By topic: when it was last written of, and how many were left out since.
        self._topics: dict[str, tuple[int, int]] = {}

    def note(self, topic: str, problems: Iterable[str], t: int) -> None:
        """Take the problems of one message that arrived at watch time `t` (ms)."""
        shown = excerpt(topic)
        for problem in problems:
            self.count += 1
            known = shown in self._topics or len(self._topics) < _MOST_TOPICS
            key = shown if known else _OTHERS
            last_t, left_out = self._topics.get(key, (t - _QUIET_MS, 0))
            if t - last_t < _QUIET_MS:
                self._topics[key] = last_t, left_out + 1
                continue
            self._topics[key] = t, 0
            since = describe_duration((t - last_t) / 1000)
            more = f" ({left_out} more in the last {since})" if left_out else ""
            _log.warning("%s: %s%s", shown, excerpt(problem, 300), more)
