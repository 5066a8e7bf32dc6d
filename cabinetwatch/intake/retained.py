"""Takes the watch off its broker: clears its retained topics and ends its kept session."""

import queue
import time
from collections.abc import Collection

from pydantic import SecretStr

from cabinetwatch.clock import SystemClock, WatchTime
from cabinetwatch.config.mqtt import Mqtt
from cabinetwatch.errors import CabinetwatchError
from cabinetwatch.intake.inbox import Inbox
from cabinetwatch.intake.message import ConnectionEvent, Incoming
from cabinetwatch.intake.session import MqttSession

_TURN_S = 0.1
_MOST_TOPICS = 10_000
"""Gathered in one go; whoever may publish may invent topics. A site has some dozens."""
_MOST_BYTES = 4_000_000
_LOOK_EVERY = 10
_QUIET_S = 1.0
"""What the broker keeps comes at once after the subscription; so long a silence ends it."""


class RetainedError(CabinetwatchError):
    """The broker could not be reached or would not do it: one sentence."""


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
    items: Inbox[ConnectionEvent] = Inbox(last=(ConnectionEvent,))
    prefix = mqtt.publish_under
    session = MqttSession(
        mqtt,
        secret,
        [f"{prefix}/watch", f"{prefix}/device/#", f"{prefix}/alarm/#"],
        watch=WatchTime(SystemClock()),
        deliver=items.put,
        client_id=client_id,
        clean=True,
        full=lambda: items.full,
    )
    session.start()
    try:
        until = time.monotonic() + within_s
        topics = _kept(session, items, until)
        _clear(session, topics, until)
    finally:
        session.stop(1.0)
    if _are_too_many(topics):
        raise RetainedError(f"{len(topics)} topics are cleared, and more stand there: run it again")
    return topics


def _are_too_many(topics: Collection[str]) -> bool:
    return len(topics) >= _MOST_TOPICS or sum(map(len, topics)) >= _MOST_BYTES


def _kept(session: MqttSession, items: Inbox[ConnectionEvent], until: float) -> list[str]:
    """Gather the topics that the broker keeps, until no more come, or enough for once."""
    topics: set[str] = set()
    reason = "the broker has not answered"
    quiet_since = time.monotonic()
    while not session.subscribed or time.monotonic() - quiet_since < _QUIET_S:
        item = items.take(_TURN_S)
        if isinstance(item, ConnectionEvent):
            reason = item.reason
        if isinstance(item, Incoming) and item.retain:
            topics.add(item.topic)
            if len(topics) % _LOOK_EVERY == 0 and _are_too_many(topics):
                break
        if item is not None or not session.subscribed:
            quiet_since = time.monotonic()
        if time.monotonic() > until:
            raise RetainedError(f"the retained topics could not be read: {reason}")
    if session.refusals:
        topic_filter, refusal = next(iter(session.refusals.items()))
        raise RetainedError(f"the broker does not let us read {topic_filter}: {refusal}")
    return sorted(topics)


def _clear(session: MqttSession, topics: list[str], until: float) -> None:
    """Publish an empty retained message to each: the broker forgets it (MQTT 5.0, 3.3.1.3)."""
    answers: queue.SimpleQueue[bool] = queue.SimpleQueue()
    for topic in topics:
        session.publish(topic, b"", retain=True, qos=1, on_done=answers.put)
    refused = 0
    for _ in topics:
        try:
            refused += not answers.get(timeout=max(0.0, until - time.monotonic()))
        except queue.Empty:
            raise RetainedError("the broker did not confirm in time that it forgot") from None
    if refused:
        raise RetainedError(f"the broker did not let us clear {refused} of {len(topics)} topics")
