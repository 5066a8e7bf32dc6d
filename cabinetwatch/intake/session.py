"""The session with the MQTT broker: one thread that owns the connection.

Three surprises of the client library shape it. An exception in one of its callbacks ends its
network thread while `is_connected` still says yes: so the thread is ours, the callbacks only note
what happened, and what ends the thread is kept in `failure`. Callbacks of connecting and
disconnecting can come twice: so they only count the first time. And it may send from whatever
thread calls it: so only our thread calls it, and others leave requests.
"""

import logging
import select
import threading
import time
from collections.abc import Callable, Sequence

from pydantic import SecretStr

from cabinetwatch.clock import WatchTime
from cabinetwatch.config.mqtt import Mqtt
from cabinetwatch.intake import link, topics
from cabinetwatch.intake.backoff import Backoff
from cabinetwatch.intake.connection import Connection
from cabinetwatch.intake.message import ConnectionEvent, Incoming, Will
from cabinetwatch.intake.requests import Bell, Publication, Requests

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
            filters=topics.fold(filters),
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
