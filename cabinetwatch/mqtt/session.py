"""The session with the MQTT broker: one thread that owns the connection, and what waits.

A single topic may bring more than can be judged. Then three things hold. What waits stays within
`MOST_BYTES`: whoever reads the network asks `full` and leaves the rest with the broker, so nothing
is lost. Messages wait in lanes, one for all that feeds the same sensors, and the lanes take turns,
so that a long one holds up no other. And since a broker has but one queue for us, in which an alarm
would stand behind the flood: when reading had to pause and the lanes have not been empty for
`PRESSED_S` since, what comes for a lane that holds more than its share is refused, until nothing
was for as long. Alarms go before records. Refusing from the longest queue is common practice in
packet networks.

No backlog of an ordinary house comes near: our receive window of 4,000 messages of 100 bytes is
1.2 MB with what Python adds to each.

Three surprises of the client library shape it. An exception in one of its callbacks ends its
network thread while `is_connected` still says yes: so the thread is ours, the callbacks only note
what happened, and what ends the thread is kept in `failure`. Callbacks of connecting and
disconnecting can come twice: so they only count the first time. And it may send from whatever
thread calls it: so only our thread calls it, and others leave requests.
"""

import logging
import queue
import random
import select
import threading
import time
from collections import deque
from collections.abc import Callable, Collection, Hashable, Sequence
from dataclasses import dataclass, field
from typing import Generic, NamedTuple, TypeVar

from pydantic import SecretStr

from cabinetwatch.clock import SystemClock, WatchTime
from cabinetwatch.config.services import Mqtt
from cabinetwatch.mqtt import decoding, link
from cabinetwatch.mqtt.connection import Bell, Connection, Publication, Requests
from cabinetwatch.mqtt.link import ConnectionEvent, Incoming, Will
from cabinetwatch.text import CabinetwatchError

_FIRST_S = 1.0
_LONGEST_S = 60.0
# A connection that held this long was a good one: the next wait begins from the start.
_GOOD_AFTER_S = 30.0


class Backoff:
    """Waits that double from 1 s to 60 s, each shortened at random by up to a half.

    The jitter keeps many clients of one broker from coming back all at once.
    """

    def __init__(self) -> None:
        self._next_s = _FIRST_S

    def next_s(self) -> float:
        """Seconds to wait now."""
        wait_s = self._next_s
        self._next_s = min(2 * wait_s, _LONGEST_S)
        return wait_s * random.uniform(0.5, 1.0)  # noqa: S311 - spreads load, guards nothing

    def held(self, seconds: float) -> None:
        """A connection held for so long."""
        if seconds >= _GOOD_AFTER_S:
            self._next_s = _FIRST_S


MOST_BYTES = 4 * 1024 * 1024
"""Our choice: some seconds of judging, in packs of readings."""
PRESSED_S = 3.0
"""Our choice: what a broker had kept of one sensor is through by then."""
_OVERHEAD_BYTES = 200

T = TypeVar("T")


class Refused(NamedTuple):
    """A message that is to be acknowledged, counted as not read, and passed over."""

    message: Incoming


@dataclass(slots=True)
class _Lane:
    waiting: deque[Incoming] = field(default_factory=deque)
    bytes: int = 0


class Inbox(Generic[T]):
    """Messages and other items on their way to the one thread that takes them.

    The messages of one lane come out in their order. Any other item is taken before the messages
    that wait, unless it is of a kind in `last`: that one comes out after all that was put before
    it, and before all that was put after.

    Args:
        lane_of: gives the lane of a message; called by the thread that takes. Without it all stand
            in one, and none is ever refused.
        last: the kinds of items that keep their place among the messages.
    """

    def __init__(
        self,
        lane_of: Callable[[Incoming], Hashable] | None = None,
        last: tuple[type, ...] = (),
    ) -> None:
        self._lane_of = lane_of
        self._last = last
        self._most_bytes = MOST_BYTES
        self._arrived: queue.SimpleQueue[Incoming | T] = queue.SimpleQueue()
        # Each of these two is written by one thread only: the one that reads the network, and ours.
        self._bytes_in = 0
        self._bytes_out = 0
        self._full = False
        self._pressed_since_s: float | None = None
        self._refused_s: float | None = None
        self._at_once: deque[Refused | T] = deque()
        self._lanes: dict[Hashable, _Lane] = {}
        self._turns: deque[Hashable] = deque()
        self._barrier: T | None = None

    # -- called by other threads --------------------------------------------------------------

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
            return waiting > 2 * self._most_bytes
        self._full = waiting > (self._most_bytes // 2 if self._full else self._most_bytes)
        if self._full and self._pressed_since_s is None and self._lane_of is not None:
            self._pressed_since_s = time.monotonic()
        return self._full

    # -- called by the thread that takes ------------------------------------------------------

    def take(self, wait_s: float) -> Incoming | Refused | T | None:
        """Give what is next, waiting at most so long; None when nothing has come."""
        self._sort_all()
        item = self._next()
        if item is None and wait_s > 0:
            try:
                self._sort(self._arrived.get(timeout=wait_s))
            except queue.Empty:
                return None
            self._sort_all()
            item = self._next()
        return item

    def _next(self) -> Incoming | Refused | T | None:
        if self._at_once:
            return self._at_once.popleft()
        if self._turns:
            key = self._turns.popleft()
            lane = self._lanes[key]
            message = lane.waiting.popleft()
            size = _size(message)
            lane.bytes -= size
            self._bytes_out += size
            if lane.waiting:
                self._turns.append(key)
            else:
                del self._lanes[key]
            return message
        if self._pressed_since_s is not None and not self._has_refused_lately():
            self._pressed_since_s = None
        barrier, self._barrier = self._barrier, None
        return barrier

    def _sort_all(self) -> None:
        try:
            while self._barrier is None:
                self._sort(self._arrived.get_nowait())
        except queue.Empty:
            pass

    def _sort(self, item: Incoming | T) -> None:
        if isinstance(item, Incoming):
            self._sort_message(item)
        elif isinstance(item, self._last):
            self._barrier = item
        else:
            self._at_once.append(item)

    def _sort_message(self, message: Incoming) -> None:
        key = None if self._lane_of is None else self._lane_of(message)
        lane = self._lanes.get(key)
        size = _size(message)
        if lane is not None and lane.bytes + size > self._share() and self._pressed:
            self._bytes_out += size
            self._refused_s = time.monotonic()
            self._at_once.append(Refused(message))
            return
        if lane is None:
            lane = self._lanes[key] = _Lane()
            self._turns.append(key)
        lane.waiting.append(message)
        lane.bytes += size

    def _share(self) -> int:
        """How many bytes a lane may hold while others want to be read: together half of all."""
        return self._most_bytes // 2 // max(1, len(self._lanes))

    @property
    def _pressed(self) -> bool:
        since_s = self._pressed_since_s
        return since_s is not None and time.monotonic() - since_s >= PRESSED_S

    def _has_refused_lately(self) -> bool:
        return self._refused_s is not None and time.monotonic() - self._refused_s < PRESSED_S


def _size(message: Incoming) -> int:
    return len(message.topic) + len(message.payload) + _OVERHEAD_BYTES


_log = logging.getLogger(__name__)

# The loop turns at least this often, so that `progress_t` tells that the thread is alive.
_TURN_S = 1.0
# How often to look whether there is room again.
_HELD_TURN_S = 0.02
# Reading pauses for no longer than this part of the keepalive. The library gives a connection up
# on which no byte came for so long; the answer to its ping stands behind all that is unread.
_LONGEST_HOLD_PART = 3


class MqttSession:
    """A session that is kept up, over any number of connections, until it is stopped.

    Subscribes on every connect. Messages are acknowledged when `ack` is called, by the broker's
    rules in the order of their arrival: one that is never acknowledged holds up all after it.

    Args:
        settings: the table [mqtt].
        secret: the password, where there is a user name.
        filters: topic filters to read; overlapping ones are folded.
        watch: gives arrivals their time.
        deliver: gets messages and news of the connection, in their order, on the network thread.
            It must not block for long. An exception out of it ends the session, see `failure`.
        client_id: the name of the session; of two clients with one the broker sends one away.
        clean: begin anew, leave nothing behind, and acknowledge everything at once.
        will: published by the broker when we vanish.
        forget: filters of an earlier configuration that the kept session may still hold.
        full: asked before each reading of the socket. While it says yes the broker is left waiting,
            with all it has: only acknowledgements, publications and signs of life go on.

    Raises:
        ConfigError: a TLS file that can't be used.
    """

    def __init__(
        self,
        settings: Mqtt,
        secret: SecretStr | None,
        filters: Sequence[str],
        *,
        watch: WatchTime,
        deliver: Callable[[Incoming | ConnectionEvent], None],
        client_id: str,
        clean: bool = False,
        will: Will | None = None,
        forget: Sequence[str] = (),
        full: Callable[[], bool] = lambda: False,
    ) -> None:
        self._watch = watch
        self._full = full
        self._read_s = 0.0
        self._deliver = deliver
        self._requests = Requests()
        self._bell: Bell | None = None
        self._stop_by: float | None = None
        self._ended = False
        self.failure: Exception | None = None
        self.progress_t = watch.now_ms()
        self._connection = Connection(
            settings,
            secret,
            watch=watch,
            client_id=client_id,
            clean=clean,
            will=will,
            filters=decoding.fold(filters),
            forget=forget,
        )
        self._thread = threading.Thread(target=self._main, name="mqtt", daemon=True)

    @property
    def connected(self) -> bool:
        """Whether the broker has let us in and the connection stands."""
        return self._connection.up

    @property
    def subscribed(self) -> bool:
        """Whether the broker has answered all that was asked for in this connection."""
        return self._connection.up and self._connection.subscribed

    @property
    def refusals(self) -> dict[str, str]:
        """The filters that the broker would not let us read, with its reasons."""
        return dict(self._connection.refusals)

    def start(self) -> None:
        """Begin to connect; returns at once."""
        self._bell = Bell()
        self._thread.start()

    def stop(self, timeout_s: float = 5.0) -> bool:
        """Send what was asked for so far, disconnect in good order, and end the thread.

        A kept session stays with the broker. The will is not published.

        Returns:
            Whether the thread ended in time.
        """
        self._stop_by = time.monotonic() + timeout_s
        if self._thread.is_alive():
            self._ring()
            self._thread.join(timeout_s + _TURN_S)
        if self._thread.is_alive():
            return False
        if self._bell is not None:
            self._bell.close()
        return True

    def ack(self, epoch: int, packet_id: int) -> None:
        """Acknowledge a message. One of an earlier connection is dropped: it will come again."""
        self._requests.acknowledgements.append((epoch, packet_id))
        self._ring()

    def publish(
        self,
        topic: str,
        payload: bytes,
        *,
        retain: bool = False,
        qos: int = 1,
        on_done: Callable[[bool], None] = lambda _: None,
    ) -> None:
        """Publish a message.

        `on_done` is called on the network thread, with True once the broker has confirmed it (at
        QoS 0: once it was sent), with False when it was refused, when there is no connection, or
        when that was lost before the confirmation; then it may have arrived nevertheless. Once the
        network thread has ended, with False and by whoever asks.
        """
        self._requests.publications.append(Publication(topic, payload, retain, qos, on_done))
        self._ring()
        if self._ended:
            self._refuse_publications()

    def _ring(self) -> None:
        if self._bell is not None:
            self._bell.ring()

    def _main(self) -> None:
        try:
            if self._bell is not None:
                self._run(self._bell)
        except Exception as error:  # noqa: BLE001 - kept for the owner, and logged
            self.failure = error
            _log.exception("the network thread has ended")
        finally:
            self._connection.abandon()
            for on_done, confirmed in self._connection.publications.take_settled():
                on_done(confirmed)
            # Before the last look: who asks after that refuses by himself.
            self._ended = True
            self._refuse_publications()

    def _run(self, bell: Bell) -> None:
        backoff = Backoff()
        while self._stop_by is None:
            opened = time.monotonic()
            self.progress_t = self._watch.now_ms()
            if self._connection.open():
                self._serve(bell)
                backoff.held(time.monotonic() - opened)
            self._tell()
            if self._stop_by is None and not self._connection.retry_at_once:
                self._rest(backoff.next_s(), bell)

    def _serve(self, bell: Bell) -> None:
        """Work until the connection is gone, or stopping is done."""
        while self._connection.socket is not None:
            self._carry_out_requests()
            if self._stop_by is not None and self._may_leave():
                self._connection.leave()
                return
            self._turn(bell)
            self._tell()
        self._connection.lost()

    def _may_leave(self) -> bool:
        unconfirmed = self._connection.up and len(self._connection.publications) > 0
        return not unconfirmed or time.monotonic() >= (self._stop_by or 0.0)

    def _turn(self, bell: Bell) -> None:
        """Wait for something to do, and let the connection do it."""
        sock = self._connection.socket
        if sock is None:
            return
        stopping = self._stop_by is not None
        full = self._full()
        longest_hold_s = link.KEEPALIVE_S / _LONGEST_HOLD_PART
        held = full and time.monotonic() - self._read_s < longest_hold_s
        self._connection.hold(held=held)
        pending = self._connection.bytes_pending and not held
        wait_s = 0.0 if pending else _HELD_TURN_S if held else 0.05 if stopping else _TURN_S
        readers = [bell.socket] if held else [bell.socket, sock]
        writers = [sock] if self._connection.wants_to_write else []
        readable, writable, _ = select.select(readers, writers, [], wait_s)
        self.progress_t = self._watch.now_ms()
        if bell.socket in readable:
            bell.silence()
        if not held:
            self._read_s = time.monotonic()
        self._connection.work(
            readable=sock in readable or pending, writable=bool(writable), sparingly=full
        )

    def _rest(self, seconds: float, bell: Bell) -> None:
        """Wait before the next attempt, and say no to what is asked for meanwhile."""
        until = time.monotonic() + seconds
        while self._stop_by is None and (left_s := until - time.monotonic()) > 0:
            select.select([bell.socket], [], [], min(left_s, _TURN_S))
            self.progress_t = self._watch.now_ms()
            bell.silence()
            self._carry_out_requests()

    def _carry_out_requests(self) -> None:
        requests = self._requests
        while requests.acknowledgements:
            self._connection.acknowledge(*requests.acknowledgements.popleft())
        self._connection.send_acknowledgements()
        while requests.publications:
            self._connection.publish(requests.publications.popleft())
        self._connection.send_publications()
        self._tell()

    def _refuse_publications(self) -> None:
        """Say no to what was asked for; several threads may do so at once."""
        while True:
            try:
                publication = self._requests.publications.popleft()
            except IndexError:
                return
            publication.on_done(False)

    def _tell(self) -> None:
        """Hand over what the connection has noted, outside the library's callbacks."""
        for on_done, confirmed in self._connection.publications.take_settled():
            on_done(confirmed)
        for item in self._connection.take_arrivals():
            self._deliver(item)


_CLEARING_TURN_S = 0.1
_MOST_TOPICS = 10_000
"""Gathered in one go; whoever may publish may invent topics. A site has some dozens."""
_MOST_BYTES = 4_000_000
_LOOK_EVERY = 10
_QUIET_S = 1.0
"""What the broker keeps comes at once after the subscription; so long a silence ends it."""


class RetainedError(CabinetwatchError):
    """The broker could not be reached or would not do it: one sentence."""


def clear_retained(
    mqtt: Mqtt, secret: SecretStr | None, client_id: str, within_s: float
) -> list[str]:
    """Clear what stands below PREFIX/watch, PREFIX/device and PREFIX/alarm; give those topics.

    A clean session under the watch's own `client_id` ends the one that the broker keeps for it. So
    the watch must not run: the broker would throw it out.

    Raises:
        RetainedError: it could not be done in time.
        ConfigError: a TLS file can't be used.
    """
    items: Inbox[ConnectionEvent] = Inbox(last=(ConnectionEvent,))
    prefix = mqtt.publish_under
    session = MqttSession(
        mqtt,
        secret,
        [f"{prefix}/watch", f"{prefix}/device/#", f"{prefix}/alarm/#"],
        watch=WatchTime(SystemClock()),
        deliver=items.put,
        client_id=client_id,
        clean=True,
        full=lambda: items.full,
    )
    session.start()
    try:
        until = time.monotonic() + within_s
        topics = _kept(session, items, until)
        _clear(session, topics, until)
    finally:
        session.stop(1.0)
    if _are_too_many(topics):
        raise RetainedError(f"{len(topics)} topics are cleared, and more stand there: run it again")
    return topics


def _are_too_many(topics: Collection[str]) -> bool:
    return len(topics) >= _MOST_TOPICS or sum(map(len, topics)) >= _MOST_BYTES


def _kept(session: MqttSession, items: Inbox[ConnectionEvent], until: float) -> list[str]:
    """Gather the topics that the broker keeps, until no more come, or enough for once."""
    topics: set[str] = set()
    reason = "the broker has not answered"
    quiet_since = time.monotonic()
    while not session.subscribed or time.monotonic() - quiet_since < _QUIET_S:
        item = items.take(_CLEARING_TURN_S)
        if isinstance(item, ConnectionEvent):
            reason = item.reason
        if isinstance(item, Incoming) and item.retain:
            topics.add(item.topic)
            if len(topics) % _LOOK_EVERY == 0 and _are_too_many(topics):
                break
        if item is not None or not session.subscribed:
            quiet_since = time.monotonic()
        if time.monotonic() > until:
            raise RetainedError(f"the retained topics could not be read: {reason}")
    if session.refusals:
        topic_filter, refusal = next(iter(session.refusals.items()))
        raise RetainedError(f"the broker does not let us read {topic_filter}: {refusal}")
    return sorted(topics)


def _clear(session: MqttSession, topics: list[str], until: float) -> None:
    """Publish an empty retained message to each: the broker forgets it (MQTT 5.0, 3.3.1.3)."""
    answers: queue.SimpleQueue[bool] = queue.SimpleQueue()
    for topic in topics:
        session.publish(topic, b"", retain=True, qos=1, on_done=answers.put)
    refused = 0
    for _ in topics:
        try:
            refused += not answers.get(timeout=max(0.0, until - time.monotonic()))
        except queue.Empty:
            raise RetainedError("the broker did not confirm in time that it forgot") from None
    if refused:
        raise RetainedError(f"the broker did not let us clear {refused} of {len(topics)} topics")
