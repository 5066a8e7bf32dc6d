"""A thread that delivers: one for each channel, so that none waits for another."""

import threading
from collections.abc import Callable, Iterable, Sequence

from cabinetwatch.clock import Clock, WatchTime
from cabinetwatch.config.model import Config
from cabinetwatch.mqtt.session import MqttSession
from cabinetwatch.notify.channels import CommandChannel, EmailChannel, MqttChannel
from cabinetwatch.notify.delivery import Carrier, Delivery, Fault
from cabinetwatch.service.engine_loop import EngineInput
from cabinetwatch.service.parts import WatchedPart, Work
from cabinetwatch.service.store_loop import StoreLoop
from cabinetwatch.store.records import Channel, Notice, Outcome
from cabinetwatch.watch.events import EntryKind, Transition


def carriers(
    config: Config, session: MqttSession, compose: Callable[[Notice], bytes] | None = None
) -> dict[Channel, Carrier]:
    """Make the channels that are switched on.

    Args:
        config: in force.
        session: with the broker.
        compose: gives the mail of a notice that tells of a week.

    Raises:
        ConfigError: a password is set and can't be read.
    """
    notify = config.notify
    made: dict[Channel, Carrier] = {}
    if notify.email is not None:
        made["email"] = EmailChannel(
            config, notify.email, config.secret("email-password"), compose=compose
        )
    if notify.mqtt.enabled:
        made["mqtt"] = MqttChannel(
            session.publish, lambda: session.connected, config.mqtt.publish_under
        )
    if notify.command is not None:
        made["command"] = CommandChannel(notify.command)
    return made


_COMMIT_PATIENCE_S = 5.0
_LOOK_AT_LEAST_EVERY_MS = 5_000


class DeliveryLoop(WatchedPart):
    """Steps one channel's delivery whenever something is due or new."""

    def __init__(
        self,
        channel: Channel,
        carrier: Carrier,
        config: Config,
        store_loop: StoreLoop,
        *,
        watch: WatchTime,
        clock: Clock,
        tell: Callable[[EngineInput], None],
        on_failure: Callable[[str, BaseException], None],
    ) -> None:
        super().__init__(f"{channel} delivery", on_failure, watch=watch, clock=clock)
        self.channel = channel
        self._store_loop = store_loop
        self._tell = tell
        self._news = threading.Event()
        self.delivery = Delivery({channel: carrier}, config, self)

    # -- called by other threads --------------------------------------------------------------

    def add(self, notices: Sequence[Notice]) -> None:
        """Take notices that may be sent."""
        mine = [notice for notice in notices if notice.channel == self.channel]
        if mine:
            self.delivery.add(mine)
            self._news.set()

    def observe(self, transitions: Iterable[Transition]) -> None:
        """Take transitions: they start and end the repeats."""
        self.delivery.observe(transitions)
        self._news.set()

    def hurry(self, *, forgetful: bool = False) -> None:
        """Don't wait any longer for a channel that is back; see `Delivery.hurry`."""
        self.delivery.hurry(forgetful=forgetful)
        self._news.set()

    def stop(self) -> None:
        """Ask the thread to end after what it is doing; the rest waits in the store."""
        self._stopping = True
        self._news.set()

    # -- the thread -----------------------------------------------------------------------------

    def run(self) -> None:
        """Deliver until stopped."""
        while not self._stopping:
            now = self._watch.now_ms()
            self.progress_t = now
            due_t = self.delivery.step(now, self._watch.utc_ms(now))
            latest_t = now + _LOOK_AT_LEAST_EVERY_MS
            wake_t = latest_t if due_t is None else min(due_t, latest_t)
            wait_ms = wake_t - self._watch.now_ms()
            if wait_ms > 0 and self._news.wait(self._clock.real_s(wait_ms / 1000)):
                self._news.clear()

    # -- called by the delivery, in this thread -------------------------------------------------

    def keep(self, notices: Sequence[Notice], outcomes: Sequence[Outcome]) -> None:
        """Write down what became of notices; an attempt's beginning before it is made."""
        work = Work(notices=list(notices), outcomes=list(outcomes))
        self._store_loop.put_and_wait(work, _COMMIT_PATIENCE_S)

    def channel_fault(self, channel: Channel, fault: Fault) -> None:
        """Tell the engine that the channel fails, or works again."""
        data = {
            "channel": channel,
            "ok": fault.ok,
            "permanent": fault.permanent,
            "error": fault.error,
        }
        self._tell(EngineInput(EntryKind.DELIVERY, data))
