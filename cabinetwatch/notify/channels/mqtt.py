"""The MQTT channel: each transition retained under PREFIX/alarm/SUBJECT/CONDITION."""

import json
import threading
from collections.abc import Callable
from typing import Protocol

from cabinetwatch.notify.attempt import Attempt, Refusal
from cabinetwatch.store.notice import Notice
from cabinetwatch.watch.transition import Transition

RECIPIENT = "mqtt"
_CONFIRMED_WITHIN_S = 10.0


class Publish(Protocol):
    """How the connection to the broker publishes."""

    def __call__(
        self,
        topic: str,
        payload: bytes,
        *,
        retain: bool,
        qos: int,
        on_done: Callable[[bool], None],
    ) -> None:
        """Publish, and call `on_done` once, from any thread, with whether the broker took it."""
        ...


class MqttChannel:
    """Publishes transitions with QoS 1 and waits for the broker's confirmation."""

    recipients: tuple[str, ...] = (RECIPIENT,)

    def __init__(
        self,
        publish: Publish,
        connected: Callable[[], bool],
        prefix: str,
        confirmed_within_s: float = _CONFIRMED_WITHIN_S,
    ) -> None:
        self._publish = publish
        self._connected = connected
        self._prefix = prefix
        self._confirmed_within_s = confirmed_within_s

    def probe(self) -> Attempt:
        """Look whether there is a connection; that there is none is told by `broker-lost`."""
        if self._connected():
            return Attempt()
        return Attempt(unreachable="there is no connection to the broker", told_elsewhere=True)

    def send(self, notice: Notice, recipients: tuple[str, ...]) -> Attempt:
        """Publish the transition of a notice once."""
        absent = self.probe()
        if absent.unreachable is not None:
            return absent
        (transition,) = notice.transitions
        confirmed = self._published(transition, retain=notice.kind != "test")
        if confirmed:
            return Attempt(accepted=recipients)
        if not self._connected():
            return self.probe()
        topic = self._topic(transition)
        how = "has not confirmed" if confirmed is None else "does not take"
        return Attempt(refused={RECIPIENT: Refusal(f"the broker {how} what is sent to {topic}")})

    def _published(self, transition: Transition, *, retain: bool) -> bool | None:
        """Publish and wait; None when no word came in time."""
        answered = threading.Event()
        answers: list[bool] = []

        def on_done(taken: bool) -> None:
            answers.append(taken)
            answered.set()

        payload = json.dumps(transition.public(), ensure_ascii=False).encode("utf-8", "replace")
        self._publish(self._topic(transition), payload, retain=retain, qos=1, on_done=on_done)
        answered.wait(self._confirmed_within_s)
        return answers[0] if answers else None

    def _topic(self, transition: Transition) -> str:
        return f"{self._prefix}/alarm/{transition.subject}/{transition.condition}"
