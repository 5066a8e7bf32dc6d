"""What the watch publishes of itself over MQTT, and the commands that come to it.

Retained: PREFIX/watch (heartbeat, will, end) and PREFIX/device/ID (figures). What alarms do is
published by a channel of its own. A command is read strictly: whoever may publish can send one.
"""

import json
import logging
import secrets
from collections import deque
from collections.abc import Iterable, Mapping, Sequence
from typing import Annotated, Any, Literal, Protocol

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError

from cabinetwatch.config.model import Config
from cabinetwatch.mqtt.link import Incoming
from cabinetwatch.store.inputs import SENSOR_CONDITIONS
from cabinetwatch.text import UsageError, parse_duration, printable, to_rfc3339
from cabinetwatch.watch.engine import Engine
from cabinetwatch.watch.events import Account

_log = logging.getLogger(__name__)

MOST_BYTES = 1024
LONGEST_SHELVING_S = 30 * 86_400.0
LONGEST_SERVICE_S = 3650 * 86_400.0

_Text = Annotated[str, Field(max_length=200)]


class _Ack(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True)
    command: Literal["ack"]
    id: _Text
    by: _Text = ""


class _Shelve(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, populate_by_name=True)
    command: Literal["shelve"]
    id: _Text
    for_: Annotated[str, Field(alias="for", max_length=20)]
    reason: _Text
    by: _Text = ""


_COMMAND: TypeAdapter[_Ack | _Shelve] = TypeAdapter(
    Annotated[_Ack | _Shelve, Field(discriminator="command")]
)


def read_command(payload: bytes) -> Mapping[str, Any]:
    """Read a command from the payload of a message.

    Raises:
        UsageError: too large, no JSON, or not one of the commands.
    """
    if len(payload) > MOST_BYTES:
        raise UsageError(f"it has {len(payload)} bytes, {MOST_BYTES} is the most")
    try:
        command = _COMMAND.validate_json(payload)
    except ValidationError as error:
        first = error.errors()[0]
        place = ".".join(str(part) for part in first["loc"])
        raise UsageError(f"{place or 'payload'}: {first['msg']}") from None
    if isinstance(command, _Ack):
        return command.model_dump()
    return {
        "command": "shelve",
        "id": command.id,
        "for_s": shelving_s(command.for_),
        "reason": words(command.reason, "reason"),
        "by": command.by,
    }


def words(text: str, name: str) -> str:
    """Read what somebody must say; `name` is what a sentence about its absence calls it.

    Raises:
        UsageError: there is no letter to be seen in it.
    """
    if not any(letter.isalnum() for letter in text):
        raise UsageError(f"{name} has no words in it; write a few, for whoever reads them later")
    return text.strip()


def shelving_s(text: str) -> float:
    """Read for how long to shelve.

    Raises:
        UsageError: no duration, or longer than thirty days.
    """
    for_s = service_s(text)
    if for_s > LONGEST_SHELVING_S:
        raise UsageError(f"{text!r} is too long; an alarm can be shelved for at most 30d")
    return for_s


def service_s(text: str) -> float:
    """Read for how long something is out of service.

    Raises:
        UsageError: no duration, or longer than ten years.
    """
    try:
        for_s = parse_duration(text)
    except ValueError as error:
        raise UsageError(str(error)) from None
    if for_s > LONGEST_SERVICE_S:
        raise UsageError(f"{text!r} is too long; give at most 3650d, or no time at all")
    return for_s


HEARTBEAT_MS = 30_000
FIGURES_MS = 10_000
MOST_COMMANDS_A_MINUTE = 30


class Publish(Protocol):
    """Publishes without waiting."""

    def __call__(self, topic: str, payload: bytes, *, retain: bool, qos: int) -> None:
        """Publish a message; one that can't go out now is dropped."""


class Publisher:
    """Retained topics `PREFIX/watch`, `PREFIX/device/ID`, `PREFIX/incident/ID`, and the commands.

    An incident's is there while it is on; `PREFIX/command` takes the commands. Owned by the
    engine's thread. `gone` are retained topics of subjects that the configuration no longer has;
    they are cleared at the first connection.
    """

    def __init__(self, config: Config, started_t: int, gone: list[str], publish: Publish) -> None:
        self._prefix = config.mqtt.publish_under
        self._command_topic = f"{self._prefix}/command"
        self._takes_commands = config.mqtt.commands
        self._started_t = started_t
        self._run = secrets.token_hex(4)
        self._gone = gone
        self._publish = publish
        self._next_heartbeat_t = 0
        self._next_figures_t = 0
        self._incidents: dict[str, tuple[str, int]] | None = None
        """By ID, what was published, and when again; None before the first of a connection."""
        self._command_times: deque[int] = deque(maxlen=MOST_COMMANDS_A_MINUTE)

    def connected(self, now: int) -> None:
        """Say at once that the watch is there, and clear what is gone."""
        self.hurry(now)
        for topic in self._gone:
            self._publish(topic, b"", retain=True, qos=1)
        self._gone = []
        self._incidents = None

    def hurry(self, now: int) -> None:
        """Have everything published at the next tick, as when the clock was put right."""
        self._next_heartbeat_t = self._next_figures_t = now

    def tick(self, engine: Engine, accounts: Iterable[Account], now: int) -> None:
        """Publish what is due; `accounts` are those of the incidents at `now`."""
        if not engine.model.site.connected:
            return
        time = {"time": to_rfc3339(now + engine.offset_ms)}
        if now >= self._next_heartbeat_t:
            self._next_heartbeat_t = now + HEARTBEAT_MS
            since = to_rfc3339(self._started_t + engine.offset_ms)
            taken = engine.model.site.connection.is_taken(now)
            # Not the client ID: whoever reads along could come in under it.
            run = {"run": self._run, "session_taken": taken}
            self._send("watch", {"online": True, "since": since} | time | run)
        if now >= self._next_figures_t:
            self._next_figures_t = now + FIGURES_MS
            for device_id, figures in engine.device_figures().items():
                self._send(f"device/{device_id}", figures | time)
        self._publish_incidents(engine, accounts, now)

    def _publish_incidents(self, engine: Engine, accounts: Iterable[Account], now: int) -> None:
        """Publish what is new or has changed, the figures now and then; take back what is over."""
        on = {account.id: account for account in accounts if not account.is_over}
        if self._incidents is None:
            # A run before may have published what was over before this one was connected.
            self._incidents = dict.fromkeys(engine.incidents.known, ("", 0))
        for incident in self._incidents.keys() - on.keys():
            self._publish(f"{self._prefix}/incident/{incident}", b"", retain=True, qos=1)
            del self._incidents[incident]
        for incident, account in on.items():
            shown, due_t = self._incidents.get(incident, ("", 0))
            present = f"{account.headline} {account.state} {account.priority}"
            if present != shown or now >= due_t:
                self._incidents[incident] = present, now + FIGURES_MS
                self._send(f"incident/{incident}", account.public())

    def is_command(self, message: Incoming) -> bool:
        """Whether a message came on the command topic."""
        return self._takes_commands and message.topic == self._command_topic

    def read_command(self, message: Incoming, now: int) -> Mapping[str, Any] | None:
        """Give the command of a message, or None when it is no good one or one too many.

        A retained command is passed over: it would be carried out again at every start.
        """
        if message.retain:
            _log.warning("a retained message on %s is no command", self._command_topic)
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


def offline_payload(**instants: int) -> bytes:
    """What stands on `PREFIX/watch` once the watch was stopped, with the `time` of that.

    Or what the broker puts there when the watch vanishes without a word. That is handed over when
    connecting, so only `connected_at` can stand in it.
    """
    said = {name: to_rfc3339(utc_ms) for name, utc_ms in instants.items()}
    return json.dumps({"online": False, **said}).encode()


def topics_gone(before: Engine | None, config: Config, renamed: Sequence[str]) -> list[str]:
    """Give the retained topics of alarms and devices that a configuration no longer has.

    The engine of the run `before`, if there was one, knows sensors that were `renamed` as they are
    called now.
    """
    after = Engine(config)
    prefix = config.mqtt.publish_under
    previous_prefix = prefix if before is None else before.config.mqtt.publish_under
    devices = set() if before is None else set(before.model.devices)
    alarms = set() if before is None else set(before.alarms)
    alarms |= {f"{old}/{condition}" for old in renamed for condition in SENSOR_CONDITIONS}
    topics = []
    if prefix == previous_prefix:
        devices -= set(after.model.devices)
        alarms -= set(after.alarms)
    else:
        topics.append(f"{previous_prefix}/watch")
        if before is not None:
            topics += [f"{previous_prefix}/incident/{each}" for each in before.incidents.known]
    topics += [f"{previous_prefix}/device/{device_id}" for device_id in sorted(devices)]
    topics += [f"{previous_prefix}/alarm/{key}" for key in sorted(alarms)]
    return topics
