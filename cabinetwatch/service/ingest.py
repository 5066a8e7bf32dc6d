"""From a message to readings: repeats told apart, payload decoded, backlog dated."""

from collections.abc import Iterable, Mapping, Sequence

from cabinetwatch.clock import WatchTime
from cabinetwatch.config.model import Config
from cabinetwatch.mqtt.backlog import (
    Backlog,
    ProblemLog,
    Released,
    Repeats,
    UnheardCounts,
    UnreadableCounts,
    identify,
)
from cabinetwatch.mqtt.decoding import Decoder
from cabinetwatch.mqtt.link import ConnectionEvent, Incoming
from cabinetwatch.store.records import Batch, Receipt, Repeatable
from cabinetwatch.text import to_rfc3339
from cabinetwatch.watch.events import Quality, Reading

_DAY_MS = 86_400_000
_WINDOW_WITHOUT_MAXIMUM = 20
"""What a broker may leave unacknowledged at once when it knows no Receive Maximum (Mosquitto's
default), so that held messages never make it wait for us."""


class Ingest:
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
        self.unheard = UnheardCounts()
        self._decoder = Decoder(config.sensors)
        self._watch = watch
        self._lateness_ms = round(config.site.lateness_s * 1000)
        self._keep_raw_days = config.store.keep_raw_days
        self._repeats = Repeats(window)
        intervals = {name: sensor.interval_s for name, sensor in config.sensors.items()}
        self._backlog = Backlog(intervals, last_live_t)

    def connection(self, event: ConnectionEvent, work: Batch) -> list[Reading]:
        """Take news of the connection; what was held back from before it comes out."""
        if not event.up:
            return self._let_go(self._backlog.disconnected(), work)
        # Messages are taken in turns, not in the order of their arrival: those of two windows may
        # be taken after one that the broker has yet to hear of.
        window = None if event.receive_maximum is None else 2 * event.receive_maximum
        self._repeats.connected(session_present=event.session_present, receive_maximum=window)
        released = self._backlog.connected(
            event.t,
            session_present=event.session_present,
            window=event.receive_maximum or _WINDOW_WITHOUT_MAXIMUM,
        )
        return self._let_go(released, work)

    def paused(self, t: int, work: Batch) -> list[Reading]:
        """Nobody took anything until now: what waited comes in a burst, as after a reconnect."""
        return self._let_go(self._backlog.paused(t), work)

    def unread(self, sensors: Iterable[str], problem: str, t: int, utc_ms: int) -> None:
        """Count one message that can't be read for some sensors; see `UnreadableCounts.note`."""
        sensors = list(sensors)
        self.unreadable.note(sensors, problem, t, utc_ms)
        self.unheard.note_unread(sensors, problem)

    def is_new(self, message: Incoming, work: Batch) -> bool:
        """Whether a message is no repeat; a repeat is acknowledged and otherwise passed over."""
        if self._repeats.is_repeat(message):
            work.receipts.append(Receipt(message.epoch, message.packet_id))
            return False
        if message.qos:
            self._repeats.take(identify(message))
        return True

    def receive(self, message: Incoming, work: Batch) -> list[Reading]:
        """Take a new message and give the readings that are ready."""
        arrived_utc_ms = self._watch.utc_ms(message.t)
        decoded = self._decoder.decode(message.topic, message.payload, arrived_utc_ms)
        if decoded.problems:
            self._leave_out(message, decoded.unread, decoded.problems)
        readings: list[Reading] = []
        undated: list[tuple[str, float]] = []
        too_old: dict[str, int] = {}
        for sensor, value, own_utc_ms in decoded.values:
            if own_utc_ms is None or message.retain:
                undated.append((sensor, value))
                continue
            before_ms = arrived_utc_ms - own_utc_ms
            if before_ms > self._keep_raw_days * _DAY_MS:
                too_old[sensor] = own_utc_ms
            elif before_ms < 0:
                # A clock that is ahead; the value is there all the same.
                undated.append((sensor, value))
            else:
                readings.append(self._timed(message, sensor, value, own_utc_ms))
            if before_ms < -_DAY_MS:
                ahead = (
                    f"{sensor}: its time lies ahead, at {to_rfc3339(own_utc_ms)}; dated at arrival"
                )
                self.problems.note(message.topic, [ahead], message.t)
        if too_old:
            # They would be pruned as soon as they were written.
            sensor, utc_ms = next(iter(too_old.items()))
            problem = (
                f"{sensor}: its time, {to_rfc3339(utc_ms)}, lies further back than single readings"
                f" are kept ({self._keep_raw_days} days); check the clock of its node"
            )
            self._leave_out(message, too_old, [problem])
        return readings + self._let_go(self._backlog.take(message, undated), work)

    def set_aside(self, message: Incoming, work: Batch) -> None:
        """Take that a message could not be dealt with: it is acknowledged, and no repeat is new."""
        if Receipt(message.epoch, message.packet_id) not in work.receipts:
            self.done_with(message, work)

    def sensors_of(self, topic: str) -> tuple[str, ...]:
        """Give the sensors that a topic feeds: its messages keep their order with those."""
        return self._decoder.sensors_of(topic)

    def refuse(self, message: Incoming, work: Batch) -> None:
        """Pass over a message of which more come than can be judged: count it and let it go."""
        problem = "more arrives than can be judged; left out, so that no other sensor has to wait"
        self._leave_out(message, self.sensors_of(message.topic), [problem])
        work.receipts.append(Receipt(message.epoch, message.packet_id))

    def done_with(self, message: Incoming, work: Batch) -> None:
        """Note in `work` what is due once a message's content is on disk."""
        if message.qos:
            work.receipts.append(Receipt(message.epoch, message.packet_id))
            work.window.append(identify(message))

    def _leave_out(
        self, message: Incoming, sensors: Iterable[str], problems: Sequence[str]
    ) -> None:
        """Log why a message, or a part of it, is left out, and count it for its sensors."""
        self.problems.note(message.topic, problems, message.t)
        self.unread(sensors, problems[0], message.t, self._watch.utc_ms(message.t))

    def _timed(self, message: Incoming, sensor: str, value: float, own_utc_ms: int) -> Reading:
        """Give a reading with the payload's own time."""
        own_t = own_utc_ms - self._watch.offset_ms
        late = own_t + self._lateness_ms < message.t
        if late:
            self.unheard.note_late(sensor, message.t - own_t)
        return Reading(sensor, own_t, value, Quality.LATE if late else Quality.TIMED)

    def _let_go(self, released: Released, work: Batch) -> list[Reading]:
        for message in released.messages:
            self.done_with(message, work)
        return released.readings

    def deadline(self) -> int | None:
        """When something held back must be released although nothing comes (watch ms)."""
        return self._backlog.deadline()

    def due(self, t: int, work: Batch) -> list[Reading]:
        """Give what has been held back long enough at watch time `t` (ms)."""
        return self._let_go(self._backlog.due(t), work)

    def rest(self, work: Batch) -> list[Reading]:
        """Give everything held back: the watch is about to stop."""
        return self._let_go(self._backlog.disconnected(), work)
