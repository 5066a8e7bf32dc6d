"""One connection to the broker after another, as the network thread sees it.

`Connection` drives the client library and notes what there is to report. `Publications` and
`Acknowledgements` say what may go out now: no more than the broker takes unconfirmed (MQTT 5.0,
4.9), and PUBACKs in the order of arrival (4.6).

Three surprises of the library shape it. An exception in one of its callbacks ends its network
thread while `is_connected` still says yes: so the thread is ours, and the callbacks only note what
happened. Callbacks of connecting and disconnecting can come twice: so they only count the first
time. And it sends from whatever thread calls it: so only the session's thread calls it.
"""

import logging
import socket
import time
from collections import Counter, deque
from collections.abc import Callable, Sequence
from typing import Any, Literal, NamedTuple

from paho.mqtt.client import Client, ConnectFlags, DisconnectFlags, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from pydantic import SecretStr

from cabinetwatch.clock import WatchTime
from cabinetwatch.config.services import Mqtt
from cabinetwatch.mqtt import link
from cabinetwatch.mqtt.backlog import ProblemLog
from cabinetwatch.mqtt.link import ConnectionEvent, Incoming, Will

_log = logging.getLogger(__name__)

# The library would wait for the answer to CONNECT for the whole keepalive. There are brokers of
# 3.1.1 that take the properties of a CONNECT of 5 for its payload and wait for the rest.
_ANSWER_WITHIN_S = 5.0
# Messages, and bytes of them, read before other work gets its turn.
_MOST_READS = 256
_MOST_READ_BYTES = 1024 * 1024
_NEVER_EXPIRES = 0xFFFFFFFF


Answer = Callable[[bool], None]


class Publication(NamedTuple):
    """A message to publish. `on_done` is told whether the broker confirmed it."""

    topic: str
    payload: bytes
    retain: bool
    qos: int
    on_done: Answer


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

    def give_up(self, *, client_dropped: bool = False) -> None:
        """The connection is gone: nobody will confirm what waits.

        With the library's client goes what it would have sent again.
        """
        unconfirmed = [*self._waiting.values(), *(each.on_done for each in self._queued)]
        self._settled += [(on_done, False) for on_done in unconfirmed]
        self._sent_again = set() if client_dropped else self._sent_again | self._waiting.keys()
        self._waiting.clear()
        self._queued.clear()

    def take_settled(self) -> list[tuple[Answer, bool]]:
        """Take out whom to tell what."""
        settled, self._settled = self._settled, []
        return settled


class Acknowledgements:
    """Messages of one connection whose receipt the broker has not been told.

    PUBACKs must go out in the order of arrival (MQTT 5.0 and 3.1.1, section 4.6), in whatever order
    the messages are done with. While `window` of them are outstanding, or we leave the socket
    unread (`hold`), nothing can arrive. Watch times are in ms.
    """

    def __init__(self, window: int) -> None:
        self._window = window
        self._arrived: deque[int] = deque()
        # Counted, for a broker that breaks the rules and uses an identifier twice at once.
        self._done: Counter[int] = Counter()
        self._full = False
        self._held = False
        self._stalled_since_t: int | None = None
        self.stalled_ms = 0
        """How long nothing could arrive so far; a stall that lasts counts when it is over."""

    def arrive(self, packet_id: int, t: int) -> None:
        """A message came in at `t`."""
        if self._full:
            # It came although the window was thought to be full: this broker's is wider.
            self._window = 2 * len(self._arrived)
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

    def _note_stall(self, t: int) -> None:
        if self._full or self._held:
            if self._stalled_since_t is None:
                self._stalled_since_t = t
        elif self._stalled_since_t is not None:
            self.stalled_ms += t - self._stalled_since_t
            self._stalled_since_t = None


class Connection:
    """The state of the present connection, and what is left to tell of it.

    Nothing here blocks but `open`, and nothing is called by another thread but the properties.
    """

    def __init__(
        self,
        settings: Mqtt,
        secret: SecretStr | None,
        filters: list[str],
        *,
        forget: Sequence[str],
        watch: WatchTime,
        client_id: str,
        clean: bool,
        will: Will | None,
    ) -> None:
        self._settings = settings
        self._secret = secret
        self._watch = watch
        self._client_id = client_id
        self._clean = clean
        self._will = will
        self._tls = link.make_tls_context(settings)
        self._where = f"{settings.host}:{settings.port}"
        # With `auto`, 5 first, and 3.1.1 to a broker that knows no other. One that says so is
        # believed for good. One that gives no answer may be such a broker or may be ill: every
        # other attempt tries 3.1.1.
        self._protocol: link.Protocol = "3.1.1" if settings.protocol == "3.1.1" else "5"
        self._knows_no_5 = False
        self._client: Client | None = None
        self._filters = filters
        self._forget = set(forget) - set(filters)
        self._asked: dict[int, str] = {}
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
        if self._client is None:
            self._client = self._make_client()
        try:
            self._client.reconnect()
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

    def _make_client(self) -> Client:
        """Make a client that is ready for `reconnect`.

        When `clean` the session begins anew and ends with the connection, and messages are
        acknowledged as they come; else the broker keeps it for as long as it can.
        """
        settings, modern = self._settings, self._protocol == "5"
        client = Client(
            CallbackAPIVersion.VERSION2,
            client_id=self._client_id,
            clean_session=None if modern else self._clean,
            protocol=MQTTProtocolVersion.MQTTv5 if modern else MQTTProtocolVersion.MQTTv311,
            reconnect_on_failure=False,
            manual_ack=not self._clean,
        )
        if settings.username is not None:
            password = self._secret.get_secret_value() if self._secret else None
            client.username_pw_set(settings.username, password)
        if self._tls is not None:
            client.tls_set_context(self._tls)
        if self._will is not None:
            client.will_set(self._will.topic, self._will.payload(), qos=1, retain=True)
        options: dict[str, Any] = {}
        if modern:
            properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
            properties.ReceiveMaximum = link.RECEIVE_MAXIMUM
            properties.MaximumPacketSize = link.MAXIMUM_PACKET_BYTES
            if not self._clean:
                # Absent means that the session ends with the connection (MQTT 5.0, 3.1.2.11.2).
                properties.SessionExpiryInterval = _NEVER_EXPIRES
            options = {"clean_start": self._clean, "properties": properties}
        client.connect_async(settings.host, settings.port, link.KEEPALIVE_S, **options)
        # The client and its user data, which come first, are nothing new to us.
        client.on_connect = lambda _, __, flags, code, more: self._on_connect(flags, code, more)
        client.on_disconnect = lambda _, __, flags, code, *___: self._on_disconnect(flags, code)
        client.on_message = lambda _, __, message: self._on_message(message)
        client.on_subscribe = lambda _, __, mid, codes, *___: self._on_subscribe(mid, codes)
        client.on_publish = lambda _, __, mid, code, *___: self._on_publish(mid, code)
        return client

    def hold(self, *, held: bool) -> None:
        """Note whether the socket is left unread for now."""
        if self.up:
            self._unacknowledged.hold(self._watch.now_ms(), held=held)

    def work(self, *, readable: bool, writable: bool, sparingly: bool) -> None:
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

    def acknowledge(self, epoch: int, packet_id: int) -> None:
        """Note that a message is done with, unless it came in an earlier connection."""
        if self.up and epoch == self._epoch and packet_id and not self._clean:
            self._unacknowledged.done(packet_id)

    def send_acknowledgements(self) -> None:
        """Acknowledge what is done with, in the order of arrival."""
        if self.up and self._client is not None:
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

    def _send(self, publication: Publication) -> None:
        topic, payload, retain, qos, on_done = publication
        sent = self._client.publish(topic, payload, qos, retain) if self._client else None
        if sent is None or sent.rc != MQTTErrorCode.MQTT_ERR_SUCCESS:
            self.publications.settle(on_done, done=False)
        elif qos == 0:
            self.publications.settle(on_done, done=True)
        else:
            self.publications.wait(sent.mid, on_done)

    def _is_too_large(self, publication: Publication) -> bool:
        """Whether the broker would end the connection for it (MQTT 5.0, 3.2.2.3.6)."""
        most = self._most_packet_bytes
        if most is None:
            return False
        # MQTT 5.0, 3.3; 3.1.1 has no properties.
        topic, payload, _, qos, _ = publication
        head = 2 + len(topic.encode()) + (2 if qos else 0) + (self._protocol == "5")
        body = head + len(payload)
        # The remaining length takes a byte for every seven of its bits (1.5.5).
        size = 1 + -(-max(body.bit_length(), 1) // 7) + body
        if size <= most:
            return False
        problem = (
            f"not published: it takes {size} bytes, and the broker {self._where} allows {most}"
        )
        self._problems.note(publication.topic, [problem], self._watch.now_ms())
        return True

    def lost(self) -> None:
        """The socket is gone: say why, and settle how the next attempt is made."""
        was_up, self.up = self.up, False
        self.publications.give_up()
        if was_up:
            reason = self._reason or "the connection broke"
            self._tell_down(f"the connection to the broker {self._where} is lost: {reason}")
        else:
            reason = self._reason or link.of_silence(self._settings)
            self._tell_down(f"the broker {self._where} did not let us in: {reason}")
        if self._sent_too_much:
            self._sent_too_much = False
            self._drop_client()
        unanswered = not was_up and self._reason is None
        fall_back = self._knows_no_5 or (unanswered and self._protocol == "5")
        protocol: link.Protocol = "3.1.1" if fall_back else "5"
        if self._settings.protocol == "auto" and protocol != self._protocol:
            self._protocol = protocol
            self.retry_at_once = protocol == "3.1.1"
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

    def _drop_client(self) -> None:
        sock = self.socket
        if sock is not None:
            sock.close()
        self._client = None
        self.publications.give_up(client_dropped=True)

    def take_arrivals(self) -> list[Incoming | ConnectionEvent]:
        """Take out the messages and news noted since the last time."""
        arrivals, self._arrivals = self._arrivals, []
        return arrivals

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
                self._asked[packet_id] = topic_filter
        if self._forget:
            self._client.unsubscribe(sorted(self._forget))
        self._asked_for_all = True

    def _tell_down(self, sentence: str) -> None:
        """Tell that there is no connection; the same again and again is told once."""
        if sentence != self._told_down:
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
                protocol=self._protocol,
                receive_maximum=link.RECEIVE_MAXIMUM if self._protocol == "5" else None,
                end="" if up else self._end,
            )
        )

    # -- called by the library, on our thread, out of `work` --------------------------------------

    def _on_connect(
        self, flags: ConnectFlags, code: ReasonCode, properties: Properties | None
    ) -> None:
        if self.up:
            return
        # Before `up`: another thread that looks in between must not find us subscribed.
        self._asked_for_all = False
        if code.is_failure:
            self._reason = link.of_code(code)
            if code.value == link.UNSUPPORTED_PROTOCOL:
                self._reason = link.of_refused_version(self._settings.protocol, self._protocol)
                self._knows_no_5 |= self._protocol == "5"
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
        self._unacknowledged = Acknowledgements(
            link.RECEIVE_MAXIMUM if self._protocol == "5" else link.WINDOW_WITHOUT_MAXIMUM
        )
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

    def _on_disconnect(self, flags: DisconnectFlags, code: ReasonCode) -> None:
        if flags.is_disconnect_packet_from_server:
            self._reason = self._reason or link.of_code(code)
            self._end = "taken" if code.value == link.SESSION_TAKEN_OVER else ""
            # Reasons that lie in what we sent: it is not sent again.
            self._sent_too_much = code.value in {
                link.PACKET_TOO_LARGE,
                link.RECEIVE_MAXIMUM_EXCEEDED,
            }
        elif self.up and self._reason is None and code.value != link.KEEP_ALIVE_TIMEOUT:
            self._end = "closed"

    def _on_message(self, message: MQTTMessage) -> None:
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
                self._unacknowledged.stalled_ms,
            )
        )

    def _on_subscribe(self, packet_id: int, codes: list[ReasonCode]) -> None:
        topic_filter = self._asked.pop(packet_id, None)
        if topic_filter is None or not codes:
            return
        code = codes[0]
        if code.is_failure:
            # 3.1.1 knows only 0x80, a failure of any kind.
            forbidden = code.value in {0x80, 0x87}
            advice = "it does not allow it; correct its access list"
            reason = self.refusals[topic_filter] = advice if forbidden else link.of_code(code)
            _log.error(
                "the broker %s does not let us read %s: %s", self._where, topic_filter, reason
            )
        elif code.value == 0:
            _log.warning(
                "the broker %s gives %s at QoS 0 only, so that messages may be lost",
                self._where,
                topic_filter,
            )

    def _on_publish(self, packet_id: int, code: ReasonCode) -> None:
        self.publications.confirm(packet_id, accepted=not code.is_failure)
