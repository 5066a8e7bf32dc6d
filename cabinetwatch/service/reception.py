"""From a message to readings: repeats told apart, payload decoded, dated, backlog held back."""

from collections.abc import Iterable, Mapping

from cabinetwatch.clock import WatchTime
from cabinetwatch.config.model import Config
from cabinetwatch.intake.backlog import Backlog, Released
from cabinetwatch.intake.decode import Decoder
from cabinetwatch.intake.message import ConnectionEvent, Incoming
from cabinetwatch.intake.problems import ProblemLog
from cabinetwatch.intake.repeats import Repeats, identify
from cabinetwatch.intake.unreadable import UnreadableCounts
from cabinetwatch.service.work import Receipt, Work
from cabinetwatch.store.batch import Repeatable
from cabinetwatch.watch.reading import Quality, Reading

_WINDOW_WITHOUT_MAXIMUM = 20
"""What a broker may leave unacknowledged at once when it knows no Receive Maximum (Mosquitto's
default), so that held messages never make it wait for us."""


class Reception:
    """Takes messages in their order and gives the readings they bring.

    A message's receipt, and the mark by which its repeat is known, go into the work that holds the
    last of its readings: neither may be on disk, or known to the broker, before. Owned by the
    engine's thread.
    """

    def __init__(
        self,
        config: Config,
        watch: WatchTime,
        window: Iterable[Repeatable],
        last_live_t: Mapping[str, int],
    ) -> None:
        self.problems = ProblemLog()
        self.unreadable = UnreadableCounts()
        self._decoder = Decoder(config.sensors)
        self._watch = watch
        self._lateness_ms = round(config.site.lateness_s * 1000)
        self._repeats = Repeats(window)
        intervals = {name: sensor.interval_s for name, sensor in config.sensors.items()}
        self._backlog = Backlog(intervals, last_live_t)

    def connection(self, event: ConnectionEvent, work: Work) -> list[Reading]:
        """Take news of the connection; what was held back from before it comes out."""
        if not event.up:
            return self._let_go(self._backlog.disconnected(), work)
        self._repeats.connected(
            session_present=event.session_present, receive_maximum=event.receive_maximum
        )
        released = self._backlog.connected(
            event.t,
            session_present=event.session_present,
            window=event.receive_maximum or _WINDOW_WITHOUT_MAXIMUM,
        )
        return self._let_go(released, work)

    def is_new(self, message: Incoming, work: Work) -> bool:
        """Whether a message is no repeat; a repeat is acknowledged and otherwise passed over."""
        if self._repeats.is_repeat(message):
            work.receipts.append(Receipt(message.epoch, message.packet_id))
            return False
        if message.qos:
            self._repeats.take(identify(message))
        return True

    def receive(self, message: Incoming, work: Work) -> list[Reading]:
        """Take a new message and give the readings that are ready."""
        arrived_utc_ms = self._watch.utc_ms(message.t)
        decoded = self._decoder.decode(message.topic, message.payload, arrived_utc_ms)
        if decoded.problems:
            self.problems.note(message.topic, decoded.problems, message.t)
            problem = decoded.problems[0]
            self.unreadable.note(decoded.unread, problem, message.t, arrived_utc_ms)
        readings: list[Reading] = []
        undated: list[tuple[str, float]] = []
        for sensor, value, own_utc_ms in decoded.values:
            dated = self._dated(message, sensor, value, own_utc_ms)
            if dated is None:
                undated.append((sensor, value))
            else:
                readings.append(dated)
        return readings + self._let_go(self._backlog.take(message, undated), work)

    def set_aside(self, message: Incoming, work: Work) -> None:
        """Take that a message could not be dealt with: it is acknowledged, and no repeat is new."""
        if Receipt(message.epoch, message.packet_id) not in work.receipts:
            self.done_with(message, work)

    def done_with(self, message: Incoming, work: Work) -> None:
        """Note in `work` what is due once a message's content is on disk."""
        if message.qos:
            work.receipts.append(Receipt(message.epoch, message.packet_id))
            work.window.append(identify(message))

    def _dated(
        self, message: Incoming, sensor: str, value: float, own_utc_ms: int | None
    ) -> Reading | None:
        """Give a reading with the payload's own time; None if there is none, or it lies ahead."""
        if own_utc_ms is None or message.retain:
            return None
        own_t = own_utc_ms - self._watch.offset_ms
        if own_t > message.t:
            return None
        late = own_t + self._lateness_ms < message.t
        return Reading(sensor, own_t, value, Quality.LATE if late else Quality.TIMED)

    def _let_go(self, released: Released, work: Work) -> list[Reading]:
        for message in released.messages:
            self.done_with(message, work)
        return released.readings

    def deadline(self) -> int | None:
        """When something held back must be released although nothing comes (watch ms)."""
        return self._backlog.deadline()

    def due(self, t: int, work: Work) -> list[Reading]:
        """Give what has been held back long enough at watch time `t` (ms)."""
        return self._let_go(self._backlog.due(t), work)

    def rest(self, work: Work) -> list[Reading]:
        """Give everything held back: the watch is about to stop."""
        return self._let_go(self._backlog.disconnected(), work)
