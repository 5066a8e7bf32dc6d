"""The session with the MQTT broker: kept up over any number of connections, by a thread of its own.

Other threads leave requests and ring its bell; the thread carries them out on the present
`Connection`, hands on what came, and connects again when it is lost. What ends the thread is kept
in `failure`, for the owner to see.
"""

import logging
import queue
import random
import select
import socket
import ssl
import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from contextlib import suppress

from pydantic import SecretStr

from cabinetwatch.clock import SystemClock, WatchTime
from cabinetwatch.config.services import Mqtt
from cabinetwatch.mqtt import link
from cabinetwatch.mqtt.connection import Connection, Publication
from cabinetwatch.mqtt.decoding import fold
from cabinetwatch.mqtt.link import ConnectionEvent, Incoming, Will
from cabinetwatch.text import CabinetwatchError

_log = logging.getLogger(__name__)

_FIRST_RETRY_S = 1.0
_LONGEST_RETRY_S = 60.0
# A connection that held this long was a good one: the next wait begins from the start.
_GOOD_AFTER_S = 30.0
# The loop turns at least this often, so that `progress_t` tells that the thread is alive.
_TURN_S = 1.0
# How often to look whether there is room again, and whether all is sent before we leave.
_HELD_TURN_S = 0.02
_LEAVING_TURN_S = 0.05
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
        self._acknowledgements: deque[tuple[int, int]] = deque()
        self._publications: deque[Publication] = deque()
        self._bell: Bell | None = None
        self._stop_by: float | None = None
        self._ended = False
        self.failure: Exception | None = None
        self.progress_t = watch.now_ms()
        self._connection = Connection(
            settings,
            secret,
            fold(filters),
            forget=forget,
            watch=watch,
            client_id=client_id,
            clean=clean,
            will=will,
        )
        self._thread = threading.Thread(target=self._main, name="mqtt", daemon=True)

    @property
    def connected(self) -> bool:
        """Whether there is a connection and the broker has let us in."""
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

        A kept session stays with the broker. The will is not published. Says whether the thread
        ended in time.
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
        self._acknowledgements.append((epoch, packet_id))
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
        self._publications.append(Publication(topic, payload, retain, qos, on_done))
        self._ring()
        if self._ended:
            self._refuse_publications()

    def _ring(self) -> None:
        if self._bell is not None:
            self._bell.ring()

    # -- the network thread ---------------------------------------------------------------------

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

    def _run(self, bell: "Bell") -> None:
        failures = 0
        while self._stop_by is None:
            opened = time.monotonic()
            self.progress_t = self._watch.now_ms()
            if self._connection.open():
                self._serve(bell)
                if time.monotonic() - opened >= _GOOD_AFTER_S:
                    failures = 0
            self._tell()
            if self._stop_by is None and not self._connection.retry_at_once:
                failures += 1
                wait_s = link.backoff_s(failures, _FIRST_RETRY_S, _LONGEST_RETRY_S)
                # The jitter keeps many clients of one broker from coming back all at once.
                self._rest(wait_s * random.uniform(0.5, 1.0), bell)  # noqa: S311 - guards nothing

    def _serve(self, bell: "Bell") -> None:
        """Work until the connection is gone, or stopping is done."""
        while (sock := self._connection.socket) is not None:
            # Looked at first: what was asked for before the stop is carried out before we leave.
            stop_by = self._stop_by
            self._carry_out_requests()
            if stop_by is not None:
                unconfirmed = self._connection.up and len(self._connection.publications) > 0
                if not unconfirmed or time.monotonic() >= stop_by:
                    self._connection.leave()
                    return
            # What was just sent may have found the connection broken, and closed it.
            if sock.fileno() >= 0:
                self._turn(sock, bell)
            self._tell()
        self._connection.lost()

    def _turn(self, sock: socket.socket, bell: "Bell") -> None:
        """Wait for something to do, and let the connection do it."""
        full = self._full()
        longest_hold_s = link.KEEPALIVE_S / _LONGEST_HOLD_PART
        held = full and time.monotonic() - self._read_s < longest_hold_s
        self._connection.hold(held=held)
        # TLS may have bytes that `select` knows nothing of.
        pending = not held and isinstance(sock, ssl.SSLSocket) and sock.pending() > 0
        wait_s = _TURN_S if self._stop_by is None else _LEAVING_TURN_S
        if pending or held:
            wait_s = _HELD_TURN_S if held else 0.0
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

    def _rest(self, seconds: float, bell: "Bell") -> None:
        """Wait before the next attempt, and say no to what is asked for meanwhile."""
        until = time.monotonic() + seconds
        while self._stop_by is None and (left_s := until - time.monotonic()) > 0:
            select.select([bell.socket], [], [], min(left_s, _TURN_S))
            self.progress_t = self._watch.now_ms()
            bell.silence()
            self._carry_out_requests()

    def _carry_out_requests(self) -> None:
        while self._acknowledgements:
            self._connection.acknowledge(*self._acknowledgements.popleft())
        self._connection.send_acknowledgements()
        while self._publications:
            self._connection.publish(self._publications.popleft())
        self._connection.send_publications()
        self._tell()

    def _refuse_publications(self) -> None:
        """Say no to what was asked for; several threads may do so at once."""
        with suppress(IndexError):
            while True:
                publication = self._publications.popleft()
                publication.on_done(False)

    def _tell(self) -> None:
        """Hand over what the connection has noted, outside the library's callbacks."""
        for on_done, confirmed in self._connection.publications.take_settled():
            on_done(confirmed)
        for item in self._connection.take_arrivals():
            self._deliver(item)


class Bell:
    """Wakes a thread that waits in `select`. `ring` may be called by any thread."""

    def __init__(self) -> None:
        self.socket, self._outer = socket.socketpair()
        self.socket.setblocking(False)
        self._outer.setblocking(False)
        self._rung = False

    def ring(self) -> None:
        """Wake the thread. What it was rung for must be in place before."""
        if not self._rung:
            self._rung = True
            # Closed meanwhile: then nobody is left to wake.
            with suppress(OSError):
                self._outer.send(b"\0")

    def silence(self) -> None:
        """Take note that it rang; what it was rung for must be looked at afterwards."""
        with suppress(BlockingIOError):
            self.socket.recv(4096)
        self._rung = False

    def close(self) -> None:
        """Free its sockets; ringing does nothing from now on."""
        self.socket.close()
        self._outer.close()


_MOST_TOPICS = 10_000
"""Gathered in one go; whoever may publish may invent topics. A site has some dozens."""
_MOST_TOPIC_BYTES = 4_000_000
_QUIET_S = 1.0
"""What the broker keeps comes at once after the subscription; so long a silence ends it."""


class RetainedError(CabinetwatchError):
    """The broker could not be reached or would not do it: one sentence."""


class _Retained:
    """Collects the topics that the broker keeps."""

    def __init__(self) -> None:
        self.topics: set[str] = set()
        self._bytes = 0
        self.heard_s = 0.0
        self.reason = "the broker has not answered"

    def deliver(self, item: Incoming | ConnectionEvent) -> None:
        self.heard_s = time.monotonic()
        if isinstance(item, ConnectionEvent):
            self.reason = item.reason
        elif item.retain and item.topic not in self.topics:
            self.topics.add(item.topic)
            self._bytes += len(item.topic)

    def too_many(self) -> bool:
        return len(self.topics) >= _MOST_TOPICS or self._bytes >= _MOST_TOPIC_BYTES

    def gather(self, session: MqttSession, until: float) -> list[str]:
        """Wait until no more come, or enough for once."""
        while not self.too_many():
            now_s = time.monotonic()
            if not session.subscribed:
                self.heard_s = now_s
            if now_s - self.heard_s >= _QUIET_S:
                break
            if now_s > until:
                raise RetainedError(f"the retained topics could not be read: {self.reason}")
            time.sleep(_HELD_TURN_S)
        for topic_filter, refusal in session.refusals.items():
            raise RetainedError(f"the broker does not let us read {topic_filter}: {refusal}")
        return sorted(self.topics)


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
    until = time.monotonic() + within_s
    retained, prefix = _Retained(), mqtt.publish_under
    session = MqttSession(
        mqtt,
        secret,
        [f"{prefix}/watch", f"{prefix}/device/#", f"{prefix}/alarm/#"],
        watch=WatchTime(SystemClock()),
        deliver=retained.deliver,
        client_id=client_id,
        clean=True,
        full=retained.too_many,
    )
    answers: queue.SimpleQueue[bool] = queue.SimpleQueue()
    session.start()
    try:
        topics = retained.gather(session, until)
        for topic in topics:
            # The broker forgets what an empty retained message replaces (MQTT 5.0, 3.3.1.3).
            session.publish(topic, b"", retain=True, qos=1, on_done=answers.put)
        refused = 0
        for _ in topics:
            refused += not answers.get(timeout=max(0.0, until - time.monotonic()))
    except queue.Empty:
        raise RetainedError("the broker did not confirm in time that it forgot") from None
    finally:
        session.stop(1.0)
    if refused:
        raise RetainedError(f"the broker did not let us clear {refused} of {len(topics)} topics")
    if retained.too_many():
        raise RetainedError(f"{len(topics)} topics are cleared, and more stand there: run it again")
    return topics
