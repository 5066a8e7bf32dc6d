"""The guard: on a second computer, listens to the watch's heartbeat and mails when it is gone."""

import logging
import queue
import secrets
import threading
import time
from collections.abc import Callable

from cabinetwatch.clock import SystemClock, WatchTime
from cabinetwatch.config.model import Config
from cabinetwatch.errors import CabinetwatchError
from cabinetwatch.intake.message import ConnectionEvent, Incoming
from cabinetwatch.intake.session import MqttSession
from cabinetwatch.notify.courier import Courier
from cabinetwatch.notify.letter import Letter
from cabinetwatch.service.guard_judge import Judge, Verdict
from cabinetwatch.service.systemd import Notifier
from cabinetwatch.service.vitality import NETWORK_S, Vital, Vitality
from cabinetwatch.times import describe_duration

_log = logging.getLogger(__name__)

_TURN_S = 1.0
# A heartbeat has some hundred bytes; what is longer is none, cut off or not.
_LONGEST_HEARTBEAT = 4_096
_MOST_WAITING = 1_000

Heard = tuple[float, Incoming | ConnectionEvent]


class Guard:
    """Listens to one watch. It keeps nothing on disk: after its own restart it tells anew.

    Args:
        config: says where the broker is ([mqtt]) and who is mailed ([notify.email]).
        after_s: how long the watch must not have been heard to be told as gone.

    Raises:
        ConfigError: a table is missing, or a secret or TLS file can't be used.
    """

    def __init__(self, config: Config, after_s: float) -> None:
        self._config = config
        self._clock = SystemClock()
        self._courier = Courier(config)
        self._items: queue.SimpleQueue[Heard] = queue.SimpleQueue()
        self._judge = Judge(after_s, time.monotonic())
        self._session = MqttSession(
            config.mqtt,
            config.secret("mqtt-password"),
            [f"{config.mqtt.publish_under}/watch"],
            watch=WatchTime(self._clock),
            deliver=self._deliver,
            # Not the configured name: that is the watch's own, which would be thrown out.
            client_id=f"cabinetwatchguard{secrets.token_hex(3)}",
            clean=True,
            full=lambda: self._items.qsize() >= _MOST_WAITING,
        )

    def run(self, stop: threading.Event, notifier: Notifier) -> None:
        """Listen until told to stop.

        Raises:
            CabinetwatchError: the network thread has died.
        """
        self._session.start()
        try:
            notifier.ready()
            session = self._session
            vital = Vital("network", lambda: session.progress_t, NETWORK_S)
            vitality = Vitality([vital], time.monotonic())
            while not stop.is_set():
                self._turn()
                if not vitality.stalls(time.monotonic()):
                    notifier.alive()
        finally:
            notifier.stopping()
            self._session.stop(1.0)

    def _deliver(self, item: Incoming | ConnectionEvent) -> None:
        # The arrival counts, however long a mail server holds up the one who looks at it.
        if isinstance(item, Incoming):
            item = item._replace(payload=item.payload[:_LONGEST_HEARTBEAT])
        self._items.put((time.monotonic(), item))

    def _turn(self) -> None:
        """Take what has come, judge, and mail what is to be told."""
        if self._session.failure is not None:
            raise CabinetwatchError(f"listening has failed: {self._session.failure}")
        wait: Callable[[], Heard] = lambda: self._items.get(timeout=_TURN_S)  # noqa: E731
        try:
            while True:
                self._take(*wait())
                wait = self._items.get_nowait
        except queue.Empty:
            self._tell(self._judge.look(time.monotonic()))
        self._courier.step(time.monotonic())

    def _take(self, now_s: float, item: Incoming | ConnectionEvent) -> None:
        if isinstance(item, ConnectionEvent):
            _log.info("%s", item.reason)
            self._judge.connection(up=item.up, reason=item.reason)
        else:
            self._tell(self._judge.heard(item.payload, retained=item.retain, now_s=now_s))

    def _tell(self, verdict: Verdict | None) -> None:
        if verdict is not None:
            letter = letter_of(verdict, self._config, self._clock.utc_ms())
            _log.warning("%s", letter.subject)
            self._courier.add(letter)


def letter_of(verdict: Verdict, config: Config, utc_ms: int) -> Letter:
    """Say in a mail what the guard has found."""
    site, for_how_long = config.site.name, describe_duration(verdict.for_s)
    if verdict.kind == "back":
        subject = f"{site}: the watch is back"
        what = f"The watch over {site} is heard again, after {for_how_long}."
        return Letter(subject, (what, _SIGNATURE), utc_ms)
    if verdict.kind == "shared":
        subject = f"{site}: THE WATCH IS NOT ALONE"
        what = f"The watch over {site} can't be relied on: alarms may come late or not at all."
        return Letter(subject, (what, verdict.why, _WHO_ELSE, _SIGNATURE), utc_ms)
    if verdict.kind == "alone":
        subject = f"{site}: the watch is alone again"
        what = f"There was no sign of a second watch for 10 min; it began {for_how_long} ago."
        return Letter(subject, (what, _SIGNATURE), utc_ms)
    subject = f"{site}: THE WATCH IS GONE"
    what = (
        f"The watch over {site} has not been heard for {for_how_long}. Until it is back nobody"
        " is told when something there runs hot."
    )
    return Letter(subject, (what, verdict.why, _WHAT_TO_DO, _SIGNATURE), utc_ms)


_WHAT_TO_DO = (
    "Look whether its computer has power and answers, then at systemctl status cabinetwatch there."
    " If there was a power cut, see that every fan turns again. Open nothing that holds mains. You"
    " are told once more when the watch is back."
)
_WHO_ELSE = (
    "Stop the second watch, or give it a client_id and a publish_under of its own (in [mqtt])."
    " cabinetwatch status says more, on the watch's own computer. You are mailed once more when"
    " there was no sign of it for 10 min."
)
_SIGNATURE = "This mail comes from the guard on another computer, not from the watch itself."
