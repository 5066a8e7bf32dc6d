"""What the watch publishes of itself over MQTT, and the commands it takes there."""

import json
import logging
import secrets
from collections import deque
from collections.abc import Mapping, Sequence
from typing import Any, Protocol

from cabinetwatch.config.model import Config
from cabinetwatch.errors import UsageError
from cabinetwatch.intake.message import Incoming
from cabinetwatch.service.remote import read_command
from cabinetwatch.store.renames import SENSOR_CONDITIONS
from cabinetwatch.text import printable
from cabinetwatch.times import to_rfc3339
from cabinetwatch.watch.engine import Engine
from cabinetwatch.watch.figures import device_figures

_log = logging.getLogger(__name__)

HEARTBEAT_MS = 30_000
FIGURES_MS = 10_000
MOST_COMMANDS_A_MINUTE = 30


class Publish(Protocol):
    """Publishes without waiting."""

    def __call__(self, topic: str, payload: bytes, *, retain: bool, qos: int) -> None:
        """Publish a message; one that can't go out now is dropped."""


class Publisher:
    """Retained topics: `PREFIX/watch`, `PREFIX/device/ID`; and the topic `PREFIX/command`.

    Owned by the engine's thread. `gone` are retained topics of subjects that the configuration no
    longer has; they are cleared at the first connection.
    """

    def __init__(self, config: Config, started_t: int, gone: list[str], publish: Publish) -> None:
        self._prefix = config.mqtt.publish_under
        self._takes_commands = config.mqtt.commands
        self._started_t = started_t
        self._run = secrets.token_hex(4)
        self._gone = gone
        self._publish = publish
        self._next_heartbeat_t = 0
        self._next_figures_t = 0
        self._command_times: deque[int] = deque(maxlen=MOST_COMMANDS_A_MINUTE)

    @property
    def command_topic(self) -> str:
        """Where commands come in."""
        return f"{self._prefix}/command"

    def connected(self, now: int) -> None:
        """Say at once that the watch is there, and clear what is gone."""
        self.hurry(now)
        for topic in self._gone:
            self._publish(topic, b"", retain=True, qos=1)
        self._gone = []

    def hurry(self, now: int) -> None:
        """Have everything published at the next tick, as when the clock was put right."""
        self._next_heartbeat_t = self._next_figures_t = now

    def tick(self, engine: Engine, now: int) -> None:
        """Publish what is due."""
        if not engine.house.site.connected:
            return
        if now >= self._next_heartbeat_t:
            self._next_heartbeat_t = now + HEARTBEAT_MS
            since = _utc(engine, self._started_t)
            # Not the client ID: whoever reads along could come in under it.
            beat = {"online": True, "since": since, "time": _utc(engine, now), "run": self._run}
            taken = engine.house.site.connection.is_taken(now)
            self._send("watch", beat | {"session_taken": taken})
        if now >= self._next_figures_t:
            self._next_figures_t = now + FIGURES_MS
            for device_id, figures in device_figures(engine).items():
                self._send(f"device/{device_id}", figures | {"time": _utc(engine, now)})

    def is_command(self, message: Incoming) -> bool:
        """Whether a message came on the command topic."""
        return self._takes_commands and message.topic == self.command_topic

    def read_command(self, message: Incoming, now: int) -> Mapping[str, Any] | None:
        """Give the command of a message, or None when it is no good one or one too many.

        A retained command is passed over: it would be carried out again at every start.
        """
        if message.retain:
            _log.warning("a retained message on %s is no command", self.command_topic)
            return None
        times = self._command_times
        if len(times) == times.maxlen and now - times[0] < 60_000:
            _log.warning("more than %d commands in a minute: passed over", MOST_COMMANDS_A_MINUTE)
            return None
        times.append(now)
        try:
            return read_command(message.payload)
        except UsageError as error:
            _log.warning("a command over MQTT is passed over: %s", printable(str(error)[:300]))
            return None

    def _send(self, topic: str, payload: Mapping[str, Any]) -> None:
        text = json.dumps(payload, separators=(",", ":"), ensure_ascii=False)
        self._publish(f"{self._prefix}/{topic}", text.encode(), retain=True, qos=0)


def _utc(engine: Engine, now: int) -> str:
    return to_rfc3339(now + engine.offset_ms)


def stopped_payload(utc_ms: int) -> bytes:
    """What stands on `PREFIX/watch` once the watch was stopped, and when that was."""
    return json.dumps({"online": False, "time": to_rfc3339(utc_ms)}).encode()


def will_payload(utc_ms: int) -> bytes:
    """What the broker puts on `PREFIX/watch` when the watch vanishes without a word.

    It is handed over when connecting: no other time can stand in it.
    """
    return json.dumps({"online": False, "connected_at": to_rfc3339(utc_ms)}).encode()


def topics_gone(before: Engine | None, config: Config, renamed: Sequence[str]) -> list[str]:
    """Give the retained topics of alarms and devices that a configuration no longer has.

    Args:
        before: the engine of the run before, if there was one; it knows renamed sensors as they are
            called now.
        config: that of the run that begins.
        renamed: the IDs that sensors had before.
    """
    after = Engine(config)
    prefix = config.mqtt.publish_under
    previous_prefix = prefix if before is None else before.config.mqtt.publish_under
    devices = set() if before is None else set(before.house.devices)
    alarms = set() if before is None else set(before.alarms)
    alarms |= {f"{old}/{condition}" for old in renamed for condition in SENSOR_CONDITIONS}
    topics = []
    if prefix == previous_prefix:
        devices -= set(after.house.devices)
        alarms -= set(after.alarms)
    else:
        topics.append(f"{previous_prefix}/watch")
    topics += [f"{previous_prefix}/device/{device_id}" for device_id in sorted(devices)]
    topics += [f"{previous_prefix}/alarm/{key}" for key in sorted(alarms)]
    return topics
