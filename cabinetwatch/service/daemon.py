"""The daemon: makes the parts, starts them, and stops them in order.

A reading goes through the network's thread (in the MQTT session), the engine's, the store's, and
one for each channel of delivery; none waits for the disk but the store's and, for some seconds, one
that delivers. Beside them stand the summary's, the page's where the configuration wants it, and for
a while that of a salvage. The parts know nothing of one another but what they are handed here.
"""

import logging
import threading
import time
from collections.abc import Callable, Sequence
from functools import partial
from typing import Any

from cabinetwatch import __version__
from cabinetwatch.clock import Clock, SystemClock, WatchTime
from cabinetwatch.config.model import Config
from cabinetwatch.mqtt.decoding import Decoder
from cabinetwatch.mqtt.link import ConnectionEvent, Incoming, Will
from cabinetwatch.mqtt.session import MqttSession
from cabinetwatch.notify.links import NoKeyError, make_key
from cabinetwatch.notify.people import Told
from cabinetwatch.notify.plan import last_told, plan_elsewhere
from cabinetwatch.service import startup
from cabinetwatch.service.delivery_loop import DeliveryLoop, PageLoop, SummaryLoop, carriers
from cabinetwatch.service.engine_loop import Command, EngineInput, EngineLoop, Ingest
from cabinetwatch.service.parts import (
    ATTEMPT_S,
    ENGINE_S,
    NETWORK_S,
    STORE_S,
    Frame,
    Notifier,
    Part,
    Stall,
    Vital,
    Vitality,
)
from cabinetwatch.service.publisher import Publisher, offline_payload, topics_gone
from cabinetwatch.service.store_loop import StoreLoop
from cabinetwatch.store.place import DamagedStoreError, WriterLock, pending_salvage
from cabinetwatch.store.records import Batch, Notice, Outcome, Receipt
from cabinetwatch.store.replay import running_since, warm_engine
from cabinetwatch.text import describe_duration
from cabinetwatch.watch.engine import Engine
from cabinetwatch.watch.events import Entry, EntryKind, Transition

_log = logging.getLogger(__name__)

_LAST_PAGE_S = 4.0


class Daemon:
    """One watch over one site, from start to stop.

    `reloaded`: it goes on for another one, whose file was read again. `lock` is that of the store,
    where that other one has held it for it.
    """

    watch: WatchTime
    client_id: str
    _session: MqttSession
    _store_loop: StoreLoop
    _engine_loop: EngineLoop
    _summary_loop: SummaryLoop

    def __init__(
        self,
        config: Config,
        clock: Clock | None = None,
        *,
        reloaded: bool = False,
        lock: WriterLock | None = None,
    ) -> None:
        self.config = config
        self._lock = lock
        self._reloaded = reloaded
        self.clock = clock or SystemClock()
        self.failure: tuple[str, BaseException] | None = None
        """The part that died and its error: the whole must stop then."""
        self._failed = threading.Event()
        self._deliveries: list[DeliveryLoop] = []
        self._page: list[Part] = []
        self._salvage: list[Part] = []

    def start(self) -> None:
        """Open the store, warm the engine, start the threads and begin to connect.

        A store is damaged when an ordinary open, with all that the engine reads of it, says so
        twice: then it is set aside, and what can be read of it is carried over into a new one.

        Raises:
            StoreError: the store can't be used.
        """
        try:
            self._open()
        except DamagedStoreError as first:
            _log.error("%s; it is opened once more", first)
            try:
                self._open()
            except DamagedStoreError as error:
                startup.put_aside(self.config.store.url, error)
                self._open()
        page, url = self.config.page, self.config.store.url
        if page is not None and page.actions:
            try:
                make_key(self._store.path)
            except NoKeyError as error:
                _log.warning("nobody can act through the page: %s", error)
        if page is not None and page.directory is not None:
            self._page = [PageLoop(url, page.directory, page.every_s, self._part_failed)]
        path = self._store.path
        salvage = pending_salvage(path)
        if salvage is not None:
            zone = self.config.site.timezone
            loop = startup.SalvageLoop(path, salvage, self.tell_store, self._part_failed, zone)
            self._salvage = [loop]
        self._store_loop.start()
        for delivery in self._deliveries:
            delivery.start()
        self._engine_loop.start()
        self._session.start()
        self._summary_loop.start()
        for part in (*self._page, *self._salvage):
            part.start()

    def _open(self) -> None:
        try:
            self._store = startup.open_or_make(self.config.store.url, watch=True, lock=self._lock)
        except BaseException:
            if self._lock is not None:
                self._lock.release()
            raise
        try:
            self._make_parts()
        except BaseException:
            self._store.close()
            raise

    def _make_parts(self) -> None:
        store, config = self._store, self.config
        startup.rename_sensors(store, config)
        before = warm_engine(store)
        engine = before or Engine(config)
        ran_until_ms = store.last_t()
        self.watch = WatchTime(self.clock, ran_until_ms)
        self.client_id = startup.client_id_of(
            config.mqtt,
            config.store_path(),
            has_run=bool(store.entries(EntryKind.START)),
            last="" if before is None else before.model.site.connection.client_id,
        )
        now = self.watch.now_ms()
        renamed = [rename.old for rename in store.renames_unpublished()]
        self._restate = bool(renamed)
        self._session = MqttSession(
            config.mqtt,
            config.secret("mqtt-password"),
            _filters(config),
            watch=self.watch,
            deliver=self._from_network,
            client_id=self.client_id,
            will=Will(
                f"{config.mqtt.publish_under}/watch",
                lambda: offline_payload(connected_at=self.watch.utc_ms(self.watch.now_ms())),
            ),
            forget=[] if before is None else _filters(before.config),
            full=lambda: self._engine_loop.full or self._store_loop.behind,
        )
        frame = Frame(config, self.watch, self.clock, self._part_failed)
        self._store_loop = StoreLoop(
            store,
            frame,
            acknowledge=self._acknowledge,
            deliver=self._deliver,
            report=lambda ok, error, lost: self.tell_store(ok=ok, error=error, lost=lost),
            command=lambda row, command: self._engine_loop.post(Command(command, row)),
        )
        self._publisher = Publisher(
            config,
            (running_since(store) if self._reloaded else None) or now,
            topics_gone(before, config, renamed),
            self._session.publish,
        )
        last_live_t = {
            name: sensor.last_live_t
            for name, sensor in engine.model.sensors.items()
            if sensor.last_live_t is not None
        }
        self._engine_loop = EngineLoop(
            engine,
            frame,
            Ingest(config, self.watch, store.window(), last_live_t),
            self._store_loop,
            self._publisher,
            client_id=self.client_id,
            told=self._tell_deliveries,
            stepped=lambda: self._summary_loop.clock_stepped(),  # noqa: PLW0108 - made below
        )
        self._summary_loop = SummaryLoop(frame, self._store_loop, self._engine_loop.post)
        self._make_deliveries(frame, now)
        self._engine_loop.begin(self._beginning(before, ran_until_ms))

    def _make_deliveries(self, frame: Frame, now: int) -> None:
        waiting, standing = self._store.waiting(), self._store.standing()
        # From the raise that began each incident: who was notified of it then hears its end.
        incidents = {each.incident or each.id for each in standing}
        incidents |= {each.id for notice, _ in waiting for each in notice.accounts}
        began = (self._store.transitions(alarm_id=each) for each in incidents)
        since_ms = min((each[0].utc_ms for each in began if each), default=self.watch.utc_ms(now))
        posted = self._store.notices(since_ms)
        told = Told(posted)
        engine = self._engine_loop
        made = carriers(
            self.config, self._session, self._summary_loop.compose, engine.account, told
        )
        self._deliveries = [
            DeliveryLoop(
                *(channel, carrier, frame, self._store_loop, engine.post),
                present=engine.account,
                told=told,
            )
            for channel, carrier in made.items()
        ]
        why = "this channel is no longer in the configuration"
        gone, instead = plan_elsewhere(waiting, posted, standing, self.config)
        if gone:
            withdrawn = [Outcome(each.id, "withdrawn", now, error=why) for each in gone]
            self._store_loop.put(Batch(notices=instead, outcomes=withdrawn))
            waiting = [each for each in waiting if each[0] not in gone]
            waiting += [(each, None) for each in instead]
        last = last_told(notice for notice, _ in posted)
        all_since = self._store.transitions(since_ms)
        lived = [each for each in all_since if (each.incident or each.id) in incidents]
        for each in self._deliveries:
            each.delivery.restore(waiting, standing, lived, last, now)

    def _beginning(self, before: Engine | None, ran_until_ms: int | None) -> list[Entry]:
        """Give the journal entries of a start.

        What went before is ended under the configuration it ran under, so a new one comes after.
        """
        now = self.watch.now_ms()
        data: dict[str, Any] = {
            "offset_ms": self.watch.offset_ms,
            "boot_ms": self.watch.boot_ms(),
            "ran_until_ms": ran_until_ms,
            "version": __version__,
        }
        if self._reloaded:
            data["reloaded"] = True
        start = Entry(now, EntryKind.START, data)
        in_force = Entry(now, EntryKind.CONFIG, {"config": self.config.as_json()})
        if before is None:
            return [in_force, start]
        if before.config.as_json() == self.config.as_json():
            return [start]
        return [start, in_force]

    @property
    def store_works(self) -> bool:
        """Whether everything up to now is on disk, or soon will be."""
        return not self._store_loop.failing

    @property
    def connected(self) -> bool:
        """Whether the broker has let us in."""
        return self._session.connected

    @property
    def damage(self) -> DamagedStoreError | None:
        """What the store's thread died of, when its file is damaged.

        Once the daemon is stopped the file is set aside, so that another start begins a new one.
        """
        error = None if self.failure is None else self.failure[1]
        return error if isinstance(error, DamagedStoreError) else None

    def vitals(self) -> list[Vital]:
        """Give what must make progress: network, engine, store, and each channel of delivery.

        Not the page and the summary: their work is done by children with time limits, and nothing
        that becomes of them touches an alarm.
        """
        vitals = [
            Vital("network", lambda: self._session.progress_t, NETWORK_S),
            Vital("engine", lambda: self._engine_loop.progress_t, ENGINE_S),
            Vital("store", lambda: self._store_loop.progress_t, STORE_S),
        ]
        notify = self.config.notify
        for each in self._deliveries:
            # Between two attempts it makes progress.
            slow = {"command": notify.command, "http": notify.http}
            longer_s = getattr(slow.get(each.delivery.channel), "timeout_s", 0.0)
            vitals.append(
                Vital(each.name, partial(getattr, each, "progress_t"), ATTEMPT_S + longer_s)
            )
        return vitals

    def wait(self, timeout_s: float | None = None) -> bool:
        """Wait until a part has failed; say whether one has."""
        waited_s = 0.0
        while timeout_s is None or waited_s < timeout_s:
            step_s = 0.2 if timeout_s is None else min(0.2, timeout_s - waited_s)
            if self._failed.wait(step_s):
                return True
            if self._session.failure is not None:
                self._part_failed("network", self._session.failure)
            waited_s += step_s
        return self._failed.is_set()

    def stop(
        self,
        patience_s: float = 1.0,
        stepped: Callable[[], None] = lambda: None,
        *,
        hold: bool = False,
    ) -> WriterLock | None:
        """Stop every part, in the way of a reading; each step is bounded and none skips the next.

        What is in flight is written and acknowledged; notices not yet delivered wait in the store.
        The page is last of all, so that the last one says that the watch has stopped. Engine,
        deliveries, store and session have up to `patience_s` each; `stepped` is called after each
        step. To `hold` is to go on holding the lock of the store, which is given for the daemon
        that goes on with it, if the store was let go in good order.
        """
        steps: dict[str, Callable[[], None]] = {
            "salvage": lambda: _end(self._salvage, patience_s),
            "summary": lambda: _end([self._summary_loop], patience_s),
            "engine": lambda: _end([self._engine_loop], patience_s),
            "deliveries": lambda: _end(self._deliveries, patience_s),
            "store": lambda: _end([self._store_loop], patience_s),
            "session": lambda: self._leave_broker(patience_s),
            "page": lambda: _end(self._page, max(patience_s, _LAST_PAGE_S)),
        }
        for name, step in steps.items():
            try:
                step()
            except Exception:  # noqa: BLE001 - logged; the next step must still be taken
                _log.exception("stopping the %s failed", name)
            stepped()
        if self._store_loop.join(0.0):
            if hold and self.damage is None:
                return self._store.close_holding()
            self._store.close()
            if self.damage is not None:
                startup.put_aside_if_damaged(self.config.store.url, self.damage)
        return None

    def _leave_broker(self, patience_s: float) -> None:
        topic = f"{self.config.mqtt.publish_under}/watch"
        payload = offline_payload(time=self.watch.utc_ms(self.watch.now_ms()))
        self._session.publish(topic, payload, retain=True, qos=1)
        # The session takes up to a second longer than it is told.
        if not self._session.stop(patience_s / 2):
            _log.warning("the network thread is still busy and is left behind")

    def tell_store(self, *, ok: bool, error: str = "", lost: int = 0, **more: Any) -> None:
        """Tell the engine how the disk is; from outside, beyond what this daemon's store shows."""
        data = {"ok": ok, "error": error, "lost": lost, **more}
        self._engine_loop.post(EngineInput(EntryKind.STORE, data))

    # -- between the parts: called from their threads -------------------------------------------

    def _from_network(self, item: Incoming | ConnectionEvent) -> None:
        self._engine_loop.post(item)
        if isinstance(item, ConnectionEvent) and item.up:
            for each in self._deliveries:
                if each.delivery.channel == "mqtt":
                    # Under its new ID the broker has nothing yet of a sensor that was renamed.
                    each.delivery.hurry(forgetful=self._restate or not item.session_present)
                    self._restate = False

    def _acknowledge(self, receipts: Sequence[Receipt]) -> None:
        for receipt in receipts:
            self._session.ack(receipt.epoch, receipt.packet_id)

    def _deliver(self, notices: Sequence[Notice]) -> None:
        for each in self._deliveries:
            each.delivery.add(notices)

    def _tell_deliveries(self, transitions: list[Transition]) -> None:
        for each in self._deliveries:
            each.delivery.observe(transitions)

    def _part_failed(self, name: str, error: BaseException) -> None:
        self.failure = self.failure or (name, error)
        self._failed.set()


def _end(parts: Sequence[Part], patience_s: float) -> None:
    """Ask parts to stop, and wait for all of them together no longer than `patience_s`."""
    for part in parts:
        part.stop()
    until = time.monotonic() + patience_s
    for part in parts:
        if not part.join(max(0.0, until - time.monotonic())):
            _log.warning("the %s thread is still busy and is left behind", part.name)


def _filters(config: Config) -> list[str]:
    """Give the topic filters that a configuration needs."""
    filters = list(Decoder(config.sensors).filters)
    if config.mqtt.commands:
        filters.append(f"{config.mqtt.publish_under}/command")
    return filters


_LOOK_AT_LEAST_EVERY_S = 5.0
_LOOKS_IN_A_LIMIT = 4


class Watchdog:
    """Looks after one daemon, from its start to its end; to be called from the main thread."""

    def __init__(self, daemon: Daemon, notifier: Notifier) -> None:
        self._daemon = daemon
        self._notifier = notifier
        self._vitality = Vitality(daemon.vitals(), time.monotonic())
        limit_s = notifier.watchdog_s or _LOOK_AT_LEAST_EVERY_S * _LOOKS_IN_A_LIMIT
        self._every_s = min(_LOOK_AT_LEAST_EVERY_S, limit_s / _LOOKS_IN_A_LIMIT)
        self._next_s = time.monotonic()
        self._told: set[str] = set()
        self._status = ""

    def look(self) -> None:
        """Look at the parts when it is time; feed the watchdog, or say who makes no progress."""
        now_s = time.monotonic()
        if now_s < self._next_s:
            return
        self._next_s = now_s + self._every_s
        stalls = self._vitality.stalls(now_s)
        if not stalls:
            self._notifier.alive()
        for stall in stalls:
            if stall.name not in self._told:
                _log.critical(
                    "the %s thread has made no progress for %s: the watchdog is fed no longer",
                    stall.name,
                    describe_duration(stall.for_s),
                )
        for name in self._told - {stall.name for stall in stalls}:
            _log.warning("the %s thread goes on again", name)
        self._told = {stall.name for stall in stalls}
        status = _status(self._daemon, stalls)
        if status != self._status:
            self._status = status
            self._notifier.status(status)


def _status(daemon: Daemon, stalls: list[Stall]) -> str:
    """Say in one line how the watch does."""
    broker = "connected to the broker" if daemon.connected else "no connection to the broker"
    parts = [f"watching {daemon.config.site.name}: {broker}"]
    if not daemon.store_works:
        parts.append("the store can't be written")
    if stalls:
        parts.append(f"NO PROGRESS: {', '.join(stall.name for stall in stalls)}")
    return "; ".join(parts)
