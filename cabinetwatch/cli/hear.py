"""Hearing what the broker has: listen and record."""

import argparse
import os
import secrets
import signal
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from cabinetwatch.cli.terminal import say, signalled
from cabinetwatch.clock import SystemClock, WatchTime
from cabinetwatch.config import Config
from cabinetwatch.mqtt.backlog import Inbox
from cabinetwatch.mqtt.draft import Heard, Survey, draft
from cabinetwatch.mqtt.link import ConnectionEvent, Incoming, excerpt, excerpt_of_bytes
from cabinetwatch.mqtt.recording import Recorded, Recorder
from cabinetwatch.mqtt.session import MqttSession
from cabinetwatch.text import CabinetwatchError, UsageError, counted, describe_duration, to_rfc3339

if TYPE_CHECKING:
    from rich.table import Table

_TICK_S = 0.2
_FLUSH_EVERY_S = 1.0
_REFRESH_EVERY_S = 0.25
_MOST_ROWS = 200


def listen(args: argparse.Namespace) -> int:
    """Listen until the time is over, or until Ctrl-C or SIGTERM, then draft; 1 if nothing came."""
    if args.out is not None:
        _check_new(args.out)
    visit = Visit(args.config, args.filters or ["#"], "Listen")
    survey = Survey()
    with _display(survey, visit) as show:
        for message in visit.messages(args.for_s):
            if message is not None:
                survey.note(message)
            show(message)
    if survey.left_out:
        say(f"Left out: {counted(survey.left_out, 'message')} of still more topics.", sys.stderr)
    if not survey.topics:
        say("nothing arrived", sys.stderr)
        return 1
    text = draft(survey.topics.values(), args.config)
    if args.out is None:
        print(f"\n{text}", end="")
        return 0
    try:
        with args.out.open("x", encoding="utf-8") as file:
            file.write(text)
    except OSError as error:
        raise UsageError(f"{args.out}: can't be written: {error.strerror}") from error
    say(f"The draft is in {args.out}: edit the IDs, then add it to the configuration.", sys.stderr)
    return 0


def record(args: argparse.Namespace) -> int:
    """Record until the time is over, or until Ctrl-C or SIGTERM; 1 if we were never let in."""
    configured = [sensor.topic for sensor in args.config.sensors.values()]
    # All there are while no sensor is configured.
    visit = Visit(args.config, args.topics or configured or ["#"], "Record")
    with Recorder(args.file) as recorder:
        flushed = time.monotonic()
        for message in visit.messages(args.for_s):
            if message is not None:
                utc_ms = visit.watch.utc_ms(message.t)
                recorder.write(Recorded(utc_ms, message.topic, message.payload, message.retain))
            if time.monotonic() - flushed >= _FLUSH_EVERY_S:
                recorder.flush()
                # A long recording must follow the wall clock when it is set.
                visit.watch.remeasure()
                flushed = time.monotonic()
        say(f"{counted(recorder.count, 'message')} written to {args.file}.", sys.stderr)
    return 0 if visit.connected else 1


def _check_new(out: Path) -> None:
    """Refuse a file that could not be written once all has been heard."""
    if out.exists():
        raise UsageError(f"{out} exists already; name a file that does not")
    if not os.access(out.parent, os.W_OK | os.X_OK):
        raise UsageError(
            f"{out} can't be made: {out.parent.absolute()} is no folder that you may write to"
        )


class Visit:
    """A connection under a name of its own, with a clean session: the watch's is left alone.

    `connected` tells whether the broker ever let us in.
    """

    def __init__(self, config: Config, filters: Sequence[str], purpose: str) -> None:
        self.watch = WatchTime(SystemClock())
        self.connected = False
        self._where = f"{config.mqtt.host}:{config.mqtt.port}"
        self._answered = False
        self._items: Inbox[ConnectionEvent] = Inbox(last=(ConnectionEvent,))
        self._session = MqttSession(
            config.mqtt,
            config.secret("mqtt-password"),
            filters,
            watch=self.watch,
            deliver=self._items.put,
            # At most 23 letters and digits: more a broker of MQTT 3.1.1 need not take (3.1.3.1).
            client_id=f"cabinetwatch{purpose}{secrets.token_hex(2)}",
            clean=True,
            full=lambda: self._items.full,
        )

    def messages(self, for_s: float | None) -> Iterator[Incoming | None]:
        """Give what arrives until the time is over or a signal asks to stop.

        None comes in between, at least five times a second, when nothing arrives. What becomes of
        the connection is said on standard error.
        """
        until = None if for_s is None else time.monotonic() + for_s
        with signalled(signal.SIGINT, signal.SIGTERM) as stop:
            try:
                self._session.start()
                while not stop.is_set() and (until is None or time.monotonic() < until):
                    item = self._items.take(_TICK_S)
                    if item is None:
                        if self._session.failure is not None:
                            failure = self._session.failure
                            raise CabinetwatchError(f"listening has failed: {failure}") from failure
                        yield None
                    elif isinstance(item, Incoming):
                        yield item
                    elif isinstance(item, ConnectionEvent):
                        self._answered = True
                        self.connected |= item.up
                        say(item.reason, sys.stderr)
            finally:
                self._session.stop()
                for topic_filter, reason in self._session.refusals.items():
                    say(f"the broker does not let us read {topic_filter}: {reason}", sys.stderr)
        if not self._answered:
            say(f"the broker {self._where} has not answered; check it, and [mqtt]", sys.stderr)


@contextmanager
def _display(survey: Survey, visit: Visit) -> Iterator[Callable[[Incoming | None], None]]:
    """Give what shows a message: a table on a terminal, else a line of comment."""
    if not sys.stdout.isatty():
        yield lambda message: _print_message(message, visit)
        return
    # Only a terminal needs it.
    from rich.live import Live  # noqa: PLC0415

    with Live(table(survey, visit.watch), auto_refresh=False, vertical_overflow="ellipsis") as live:
        drawn = time.monotonic()

        def refresh(_: Incoming | None) -> None:
            nonlocal drawn
            if time.monotonic() - drawn >= _REFRESH_EVERY_S:
                live.update(table(survey, visit.watch), refresh=True)
                drawn = time.monotonic()

        yield refresh
        live.update(table(survey, visit.watch), refresh=True)


def _print_message(message: Incoming | None, visit: Visit) -> None:
    if message is None:
        return
    time = to_rfc3339(visit.watch.utc_ms(message.t))
    marks = f"QoS {message.qos}" + (", retained" if message.retain else "")
    topic, payload = excerpt(message.topic, 200), excerpt_of_bytes(message.payload, 200)
    print(f"# {time}  {topic}  {payload}  ({marks})", flush=True)


def table(survey: Survey, watch: WatchTime) -> "Table":
    """Draw what has been heard so far."""
    from rich.table import Table  # noqa: PLC0415
    from rich.text import Text  # noqa: PLC0415

    drawn = Table(title="Listening; Ctrl-C ends it and drafts the tables", title_justify="left")
    for heading in ("topic", "payload", "QoS", "count", "every", "last"):
        right = heading in {"QoS", "count", "every", "last"}
        drawn.add_column(heading, justify="right" if right else "left")
    for topic in sorted(survey.topics)[:_MOST_ROWS]:
        drawn.add_row(*map(Text, _row(survey.topics[topic], watch.now_ms())))
    return drawn


def _row(heard: Heard, now_t: int) -> tuple[str, ...]:
    interval_s = heard.interval_s()
    age = "retained"
    if heard.last_live_t is not None:
        age = describe_duration((now_t - heard.last_live_t) / 1000) + " ago"
    return (
        excerpt(heard.topic, 60),
        heard.shown,
        str(heard.qos) if heard.live else "",
        str(heard.count),
        "" if interval_s is None else f"{interval_s:z.3g} s",
        age,
    )
