"""One connection after another to the broker, as the network thread sees it.

Nothing here blocks but `open`, and nothing here is called by another thread but the properties.
"""

import logging
import socket
import ssl
import time
from collections import Counter, deque
from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from typing import Literal, NamedTuple

from paho.mqtt.client import Client, ConnectFlags, DisconnectFlags, MQTTMessage
from paho.mqtt.enums import MQTTErrorCode
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from pydantic import SecretStr

from cabinetwatch.clock import WatchTime, describe_duration
from cabinetwatch.config.services import Mqtt
from cabinetwatch.mqtt import link
from cabinetwatch.mqtt.link import ConnectionEvent, Incoming, ProtocolChoice, Will, excerpt

Answer = Callable[[bool], None]


class Publication(NamedTuple):
    """A message to publish. `on_done` is told whether the broker confirmed it."""

    topic: str
    payload: bytes
    retain: bool
    qos: int
    on_done: Answer

    def packet_bytes(self, *, properties: bool) -> int:
        """Give the size of its PUBLISH packet (MQTT 5.0, 3.3); 3.1.1 has no properties."""
        body = (
            2 + len(self.topic.encode()) + (2 if self.qos else 0) + properties + len(self.payload)
        )
        # The remaining length takes a byte for every seven of its bits (1.5.5).
        return 1 + -(-max(body.bit_length(), 1) // 7) + body


class Bell:
    """Wakes a thread that waits in `select`. `ring` may be called by any thread."""

    def __init__(self) -> None:
        self._inner, self._outer = socket.socketpair()
        self._inner.setblocking(False)
        self._outer.setblocking(False)
        self._rung = False

    @property
    def socket(self) -> socket.socket:
        """The socket that becomes readable."""
        return self._inner

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
            self._inner.recv(4096)
        self._rung = False

    def close(self) -> None:
        """Free its sockets; ringing does nothing from now on."""
        self._inner.close()
        self._outer.close()


class Requests:
    """The requests of other threads, in the order in which they were made."""

    def __init__(self) -> None:
        self.acknowledgements: deque[tuple[int, int]] = deque()
        self.publications: deque[Publication] = deque()


class Publications:
    """Publications of one connection after another, by packet identifier.

    `most` is how many the broker takes before it has confirmed one; the others wait for their turn.
    """

    def __init__(self) -> None:
        self.most = 1
        self._queued: deque[Publication] = deque()
        self._waiting: dict[int, Answer] = {}
        # Unconfirmed in an earlier connection: the library sends them again (MQTT 5.0, 4.4).
        self._sent_again: set[int] = set()
        self._settled: list[tuple[Answer, bool]] = []

    def __len__(self) -> int:
        return len(self._waiting) + len(self._queued)

    def queue(self, publication: Publication) -> None:
        """One is to be sent when its turn comes."""
        self._queued.append(publication)

    def next(self) -> Publication | None:
        """Take out the next to be sent, if the broker takes one more now."""
        in_flight = len(self._waiting) + len(self._sent_again)
        return self._queued.popleft() if self._queued and in_flight < self.most else None

    def wait(self, packet_id: int, on_done: Answer) -> None:
        """One was sent that the broker is to confirm."""
        self._waiting[packet_id] = on_done

    def confirm(self, packet_id: int, *, accepted: bool) -> None:
        """The broker has answered; an answer to something unknown counts for nothing."""
        self._sent_again.discard(packet_id)
        on_done = self._waiting.pop(packet_id, None)
        if on_done is not None:
            self.settle(on_done, done=accepted)

    def settle(self, on_done: Answer, *, done: bool) -> None:
        """What became of one is known."""
        self._settled.append((on_done, done))

    def give_up(self) -> None:
        """The connection is gone: nobody will confirm what waits."""
        self._settled += [(on_done, False) for on_done in self._waiting.values()]
        self._settled += [(publication.on_done, False) for publication in self._queued]
        self._sent_again |= self._waiting.keys()
        self._waiting.clear()
        self._queued.clear()

    def forget(self) -> None:
        """The library's client is gone as well, with what it would have sent again."""
        self.give_up()
        self._sent_again.clear()

    def take_settled(self) -> list[tuple[Answer, bool]]:
        """Take out whom to tell what."""
        settled, self._settled = self._settled, []
        return settled


class Acknowledgements:
    """Messages of one connection that the broker has not been told we keep.

    PUBACKs must go out in the order of arrival (MQTT 5.0 and 3.1.1, section 4.6), in whatever order
    the messages are done with. Watch times are in ms.

    Args:
        window: how many may be outstanding before the broker sends no more.

    While the window is full, or we leave the socket unread (`hold`), nothing can arrive.
    """

    def __init__(self, window: int) -> None:
        self._window = window
        self._arrived: deque[int] = deque()
        # Counted, for a broker that breaks the rules and uses an identifier twice at once.
        self._done: Counter[int] = Counter()
        self._full = False
        self._held = False
        self._stalled_since_t: int | None = None
        self._stalled_ms = 0

    def __len__(self) -> int:
        return len(self._arrived)

    def arrive(self, packet_id: int, t: int) -> None:
        """A message came in at `t`."""
        if self._full:
            # It came although the window was thought to be full: this broker's is wider.
            self._window = 2 * len(self._arrived)
            self._full = False
            self._stalled_since_t = None
        self._arrived.append(packet_id)
        self._full = len(self._arrived) >= self._window
        self._note_stall(t)

    def hold(self, t: int, *, held: bool) -> None:
        """From `t` on the socket is left unread, or it no longer is."""
        self._held = held
        self._note_stall(t)

    def done(self, packet_id: int) -> None:
        """A message is durably kept, or not wanted."""
        self._done[packet_id] += 1

    def sendable(self, t: int) -> list[int]:
        """Take out the identifiers whose turn has come at `t`."""
        identifiers: list[int] = []
        while self._arrived and self._done[self._arrived[0]]:
            packet_id = self._arrived.popleft()
            identifiers.append(packet_id)
            self._done[packet_id] -= 1
            if not self._done[packet_id]:
                # Or all the identifiers there are would be kept in the end.
                del self._done[packet_id]
        self._full = self._full and len(self._arrived) >= self._window
        self._note_stall(t)
        return identifiers

    def stalled_ms(self) -> int:
        """How long nothing could arrive so far; a stall that lasts counts when it is over."""
        return self._stalled_ms

    def _note_stall(self, t: int) -> None:
        if self._full or self._held:
            if self._stalled_since_t is None:
                self._stalled_since_t = t
        elif self._stalled_since_t is not None:
            self._stalled_ms += t - self._stalled_since_t
            self._stalled_since_t = None


_log = logging.getLogger(__name__)

_QUIET_MS = 600_000
# Topics told apart; whoever may publish may invent topics, so the rest share one entry.
_MOST_TOPICS = 256
_OTHERS = "other topics"


class ProblemLog:
    """Writes at most one line in ten minutes for each topic, with what it left out since.

    `count` is the number of problems so far.
    """

    def __init__(self) -> None:
        self.count = 0
        self._last_t: dict[str, int] = {}
        self._left_out: dict[str, int] = {}

    def note(self, topic: str, problems: Iterable[str], t: int) -> None:
        """Take the problems of one message that arrived at watch time `t` (ms)."""
        for problem in problems:
            self.count += 1
            self._note_one(topic, problem, t)

    def _note_one(self, topic: str, problem: str, t: int) -> None:
        shown = excerpt(topic)
        known = shown in self._last_t or len(self._last_t) < _MOST_TOPICS
        key = shown if known else _OTHERS
        last_t = self._last_t.get(key)
        if last_t is not None and t - last_t < _QUIET_MS:
            self._left_out[key] = self._left_out.get(key, 0) + 1
            return
        self._last_t[key] = t
        left_out = self._left_out.pop(key, 0)
        more = ""
        if left_out and last_t is not None:
            more = f" ({left_out} more in the last {describe_duration((t - last_t) / 1000)})"
        _log.warning("%s: %s%s", shown, excerpt(problem, 300), more)


# The library would wait for the answer to CONNECT for the whole keepalive. There are brokers of
# 3.1.1 that take the properties of a CONNECT of 5 for its payload and wait for the rest.
_ANSWER_WITHIN_S = 5.0
# A broker's reasons that lie in what we sent: Packet too large, Receive Maximum exceeded.
_SENT_TOO_MUCH = frozenset([0x95, 0x93])
# Messages, and bytes of them, read before other work gets its turn.
_MOST_READS = 256
_MOST_READ_BYTES = 1024 * 1024


class Connection:
    """The state of the present connection, and what is left to tell of it."""

    def __init__(
        self,
        settings: Mqtt,
        secret: SecretStr | None,
        *,
        watch: WatchTime,
        client_id: str,
        clean: bool,
        will: Will | None,
        filters: Sequence[str],
        forget: Sequence[str],
    ) -> None:
        self._settings = settings
        self._secret = secret
        self._watch = watch
        self._client_id = client_id
        self._clean = clean
        self._will = will
        self._tls = link.make_tls_context(settings)
        self._where = f"{settings.host}:{settings.port}"
        self._protocol = ProtocolChoice(settings.protocol)
        self._client: Client | None = None
        self._filters = list(filters)
        self._forget = set(forget) - set(filters)
        self._asked: dict[int, list[str]] = {}
        self._asked_for_all = False
        self.publications = Publications()
        self._problems = ProblemLog()
        self._most_packet_bytes: int | None = None
        self._sent_too_much = False
        self._arrivals: list[Incoming | ConnectionEvent] = []
        self._read_bytes = 0
        self._unacknowledged = Acknowledgements(link.WINDOW_WITHOUT_MAXIMUM)
        self._epoch = 0
        self._session_present = False
        self._reason: str | None = None
        self._end: Literal["taken", "closed", ""] = ""
        self._told_down: str | None = None
        self._answer_by = 0.0
        self.up = False
        self.retry_at_once = False
        self.refusals: dict[str, str] = {}

    @property
    def socket(self) -> socket.socket | None:
        """The connection's socket; None when there is none."""
        sock = self._client.socket() if self._client else None
        return sock if isinstance(sock, socket.socket) else None

    @property
    def bytes_pending(self) -> bool:
        """Whether TLS has bytes that `select` knows nothing of."""
        sock = self.socket
        return isinstance(sock, ssl.SSLSocket) and sock.pending() > 0

    @property
    def wants_to_write(self) -> bool:
        """Whether something waits to be sent."""
        return self._client is not None and self._client.want_write()

    @property
    def subscribed(self) -> bool:
        """Whether every subscription of this connection has been answered."""
        return self._asked_for_all and not self._asked

    def open(self) -> bool:
        """Try to reach the broker; True when a connection stands, before any answer of its own."""
        self.retry_at_once = False
        self._reason, self._end = None, ""
        client = self._client or self._make_client()
        try:
            client.reconnect()
        except (OSError, ValueError) as error:
            # ValueError: a host name that can't be encoded.
            if self._tls is not None:
                self._tls.close_latest()
            reason = link.of_error(error, self._settings.ca_file)
            self._tell_down(f"the broker {self._where} can't be reached: {reason}")
            return False
        if self.socket is not None:
            # Else a transition that follows an acknowledgement waits for the broker's TCP, 40 ms.
            self.socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._answer_by = time.monotonic() + _ANSWER_WITHIN_S
        return True

    def hold(self, *, held: bool) -> None:
        """Note whether the socket is left unread for now."""
        if self.up:
            self._unacknowledged.hold(self._watch.now_ms(), held=held)

    def work(self, *, readable: bool, writable: bool, sparingly: bool = False) -> None:
        """Read, write and keep alive, as far as the socket allows; `sparingly`, read but once."""
        client = self._client
        if client is None:
            return
        try:
            if readable:
                self._read(client, 1 if sparingly else _MOST_READS)
            if writable:
                client.loop_write()
            client.loop_misc()
        except Exception:  # noqa: BLE001 - logged, and answered by a new connection
            # The library meets a peer that breaks the rules in ways it doesn't expect.
            _log.exception("the MQTT library failed on what the broker %s sent", self._where)
            self._reason = self._reason or "it sent what can't be understood"
            self._drop_client()
        if not self.up and time.monotonic() > self._answer_by:
            self._drop_client()

    def acknowledge(self, epoch: int, packet_id: int) -> None:
        """Note that a message is done with, unless it came in an earlier connection."""
        if self.up and epoch == self._epoch and packet_id and not self._clean:
            self._unacknowledged.done(packet_id)

    def send_acknowledgements(self) -> None:
        """Acknowledge what is done with, in the order of arrival."""
        if not self.up or self._client is None:
            return
        for packet_id in self._unacknowledged.sendable(self._watch.now_ms()):
            self._client.ack(packet_id, 1)

    def publish(self, publication: Publication) -> None:
        """Send a message, or note that it can't be sent."""
        if not self.up or self._is_too_large(publication):
            self.publications.settle(publication.on_done, done=False)
        elif publication.qos == 0:
            self._send(publication)
        else:
            self.publications.queue(publication)
            self.send_publications()

    def send_publications(self) -> None:
        """Send those whose turn has come."""
        while self.up and (publication := self.publications.next()) is not None:
            self._send(publication)

    def lost(self) -> None:
        """The socket is gone: say why, and settle how the next attempt is made."""
        was_up, self.up = self.up, False
        self.publications.give_up()
        if was_up:
            reason = self._reason or "the connection broke"
            self._tell_down(f"the connection to the broker {self._where} is lost: {reason}")
        else:
            bare_tls = self._settings.tls and self._settings.cert_file is None
            silent = link.NO_ANSWER_OVER_TLS if bare_tls else link.NO_ANSWER
            reason = self._reason or silent
            self._tell_down(f"the broker {self._where} did not let us in: {reason}")
        if self._sent_too_much:
            self._sent_too_much = False
            self._drop_client()
        if self._protocol.after_loss(no_answer=not was_up and self._reason is None):
            self.retry_at_once = self._protocol.present == "3.1.1"
            self._drop_client()

    def leave(self) -> None:
        """Disconnect in good order, so that the will is not published."""
        if self._client is not None and self.socket is not None:
            self._client.disconnect()
            # What does not fit into the socket's buffer at once is of no use to a broker that slow.
            self._client.loop_write()
        self.abandon()

    def abandon(self) -> None:
        """Close the connection as it stands; what was not confirmed never will be."""
        self.up = False
        self._drop_client()

    def take_arrivals(self) -> list[Incoming | ConnectionEvent]:
        """Take out the messages and news noted since the last time."""
        arrivals, self._arrivals = self._arrivals, []
        return arrivals

    def _send(self, publication: Publication) -> None:
        sent = None
        if self._client is not None:
            sent = self._client.publish(
                publication.topic,
                publication.payload,
                qos=publication.qos,
                retain=publication.retain,
            )
        if sent is None or sent.rc != MQTTErrorCode.MQTT_ERR_SUCCESS:
            self.publications.settle(publication.on_done, done=False)
        elif publication.qos == 0:
            self.publications.settle(publication.on_done, done=True)
        else:
            self.publications.wait(sent.mid, publication.on_done)

    def _is_too_large(self, publication: Publication) -> bool:
        """Whether the broker would end the connection for it (MQTT 5.0, 3.2.2.3.6)."""
        most = self._most_packet_bytes
        size = publication.packet_bytes(properties=self._protocol.present == "5")
        if most is None or size <= most:
            return False
        problem = (
            f"not published: it takes {size} bytes, and the broker {self._where} allows {most}"
        )
        self._problems.note(publication.topic, [problem], self._watch.now_ms())
        return True

    def _make_client(self) -> Client:
        client = link.make_client(
            self._settings,
            self._secret,
            self._tls,
            protocol=self._protocol.present,
            client_id=self._client_id,
            clean=self._clean,
            will=self._will,
        )
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_message = self._on_message
        client.on_subscribe = self._on_subscribe
        client.on_publish = self._on_publish
        self._client = client
        return client

    def _drop_client(self) -> None:
        sock = self.socket
        if sock is not None:
            sock.close()
        self._client = None
        self.publications.forget()

    def _read(self, client: Client, most: int) -> None:
        """Read on for as long as messages come; the library alone would read one a turn."""
        read_to = self._read_bytes + _MOST_READ_BYTES
        for _ in range(most):
            count = len(self._arrivals)
            client.loop_read()
            if len(self._arrivals) == count or client.socket() is None:
                return
            if self._read_bytes >= read_to:
                return

    def _subscribe(self) -> None:
        """Ask for all filters; then take back those of an earlier configuration.

        In this order nothing is missed; each filter is asked for by itself, because a broker may
        refuse a whole packet for one of them.
        """
        if self._client is None:
            return
        self._asked.clear()
        self.refusals.clear()
        for topic_filter in self._filters:
            _, packet_id = self._client.subscribe(topic_filter, 1)
            if packet_id is not None:
                self._asked[packet_id] = [topic_filter]
        if self._forget:
            self._client.unsubscribe(sorted(self._forget))
        self._asked_for_all = True

    def _tell_down(self, sentence: str) -> None:
        """Tell that there is no connection; the same again and again is told once."""
        if sentence == self._told_down:
            return
        self._told_down = sentence
        _log.warning("%s", sentence)
        self._tell(up=False, reason=sentence)

    def _tell(self, *, up: bool, reason: str) -> None:
        self._arrivals.append(
            ConnectionEvent(
                up=up,
                epoch=self._epoch,
                t=self._watch.now_ms(),
                session_present=self._session_present and up,
                reason=reason,
                protocol=self._protocol.present,
                receive_maximum=link.RECEIVE_MAXIMUM if self._protocol.present == "5" else None,
                end="" if up else self._end,
            )
        )

    # What follows is called by the library, on our thread, out of `work`.

    def _on_connect(
        self,
        _client: Client,
        _userdata: object,
        flags: ConnectFlags,
        code: ReasonCode,
        properties: Properties | None,
    ) -> None:
        if self.up:
            return
        # Before `up`: another thread that looks in between must not find us subscribed.
        self._asked_for_all = False
        if code.is_failure:
            self._reason = link.of_code(code)
            if code.value == link.UNSUPPORTED_PROTOCOL:
                self._reason = link.of_refused_version(
                    self._settings.protocol, self._protocol.present
                )
                self._protocol.refused_version()
            return
        if self._epoch and not flags.session_present and not self._clean:
            _log.warning(
                "the broker %s has forgotten our session: what was sent while we were away is lost;"
                " was it restarted, set persistence true in its configuration (`cabinetwatch check`"
                " tries whether it keeps sessions at all)",
                self._where,
            )
        self.up = True
        self._epoch += 1
        self._session_present = flags.session_present
        self._told_down = None
        self._most_packet_bytes = getattr(properties, "MaximumPacketSize", None)
        most_unconfirmed = getattr(properties, "ReceiveMaximum", link.MOST_UNCONFIRMED)
        self.publications.most = min(most_unconfirmed, link.MOST_UNCONFIRMED)
        window = (
            link.RECEIVE_MAXIMUM if self._protocol.present == "5" else link.WINDOW_WITHOUT_MAXIMUM
        )
        self._unacknowledged = Acknowledgements(window)
        sentence = f"connected to the broker {self._where}"
        _log.info("%s", sentence)
        self._tell(up=True, reason=sentence)
        self._subscribe()
        kept_s = getattr(properties, "SessionExpiryInterval", None)
        if kept_s is not None and not self._clean:
            # MQTT 5.0, 3.2.2.3.2: the broker's figure counts instead of ours.
            _log.warning(
                "the broker %s keeps messages for us for %d s only while we are away",
                self._where,
                kept_s,
            )

    def _on_disconnect(
        self,
        _client: Client,
        _userdata: object,
        flags: DisconnectFlags,
        code: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        if flags.is_disconnect_packet_from_server:
            self._reason = self._reason or link.of_code(code)
            self._end = "taken" if code.value == link.SESSION_TAKEN_OVER else ""
            self._sent_too_much = code.value in _SENT_TOO_MUCH
        elif self.up and self._reason is None and code.value != link.KEEP_ALIVE_TIMEOUT:
            self._end = "closed"

    def _on_message(self, _client: Client, _userdata: object, message: MQTTMessage) -> None:
        t = self._watch.now_ms()
        self._read_bytes += len(message.payload)
        unacknowledged = message.qos > 0 and not self._clean
        if unacknowledged:
            self._unacknowledged.arrive(message.mid, t)
        try:
            topic = message.topic
        except UnicodeDecodeError:
            # MQTT 5.0, 1.5.4 forbids it. Only a broker that checks nothing lets it through.
            _log.warning("a message was left out: its topic is not UTF-8")
            if unacknowledged:
                self._unacknowledged.done(message.mid)
            return
        self._arrivals.append(
            Incoming(
                self._epoch,
                message.mid,
                topic,
                bytes(message.payload),
                message.qos,
                message.dup,
                message.retain,
                t,
                self._session_present,
                self._unacknowledged.stalled_ms(),
            )
        )

    def _on_subscribe(
        self,
        _client: Client,
        _userdata: object,
        packet_id: int,
        codes: list[ReasonCode],
        _properties: Properties | None,
    ) -> None:
        for topic_filter, code in zip(self._asked.pop(packet_id, []), codes, strict=False):
            if code.is_failure:
                reason = link.of_refused_filter(code)
                self.refusals[topic_filter] = reason
                _log.error(
                    "the broker %s does not let us read %s: %s", self._where, topic_filter, reason
                )
            elif code.value == 0:
                _log.warning(
                    "the broker %s gives %s at QoS 0 only, so that messages may be lost",
                    self._where,
                    topic_filter,
                )

    def _on_publish(
        self,
        _client: Client,
        _userdata: object,
        packet_id: int,
        code: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        self.publications.confirm(packet_id, accepted=not code.is_failure)
