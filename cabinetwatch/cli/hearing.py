"""Listening to the broker as a visitor: for `listen` and `record`."""

import argparse
import secrets
import signal
import sys
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from types import FrameType

from cabinetwatch.cli.output import say
from cabinetwatch.clock import SystemClock, WatchTime
from cabinetwatch.config.model import Config
from cabinetwatch.config.topics import check_filter
from cabinetwatch.errors import CabinetwatchError, UsageError
from cabinetwatch.intake.inbox import Inbox
from cabinetwatch.intake.message import ConnectionEvent, Incoming
from cabinetwatch.intake.session import MqttSession
from cabinetwatch.times import parse_duration

_TICK_S = 0.2


def add_span(parser: argparse.ArgumentParser) -> None:
    """Add the option --for."""
    parser.add_argument(
        "--for",
        dest="span",
        metavar="TIME",
        help="stop by itself after this time: a number with s, m, h or d, such as 30s",
    )


def span_s(args: argparse.Namespace) -> float | None:
    """Give the seconds of --for; None when it was left out.

    Raises:
        UsageError: it is no duration.
    """
    if args.span is None:
        return None
    try:
        return parse_duration(args.span)
    except ValueError as error:
        raise UsageError(f"--for: {error}") from None


def checked_filters(filters: Sequence[str]) -> list[str]:
    """Give the topic filters as they are.

    Raises:
        UsageError: one is not well formed.
    """
    for topic_filter in filters:
        problem = check_filter(topic_filter)
        if problem is not None:
            raise UsageError(f"the topic filter {topic_filter!r} {problem}")
    return list(filters)


class Visit:
    """A connection under a name of its own, with a clean session: the watch's is left alone.

    `connected` tells whether the broker ever let us in.
    """

    def __init__(self, config: Config, filters: Sequence[str], purpose: str) -> None:
        self.watch = WatchTime(SystemClock())
        self.connected = False
        self._where = f"{config.mqtt.host}:{config.mqtt.port}"
        self._answered = False
        self._stop = threading.Event()
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

        Raises:
            CabinetwatchError: the network thread has died.
        """
        until = None if for_s is None else time.monotonic() + for_s
        with self._caught_signals(), self._open_session():
            while not self._stop.is_set() and (until is None or time.monotonic() < until):
                item = self._items.take(_TICK_S)
                if item is None:
                    if self._session.failure is not None:
                        failure = self._session.failure
                        raise CabinetwatchError(f"listening has failed: {failure}") from failure
                    yield None
                    continue
                if isinstance(item, Incoming):
                    yield item
                elif isinstance(item, ConnectionEvent):
                    self._answered = True
                    self.connected |= item.up
                    say(item.reason, sys.stderr)
        if not self._answered:
            say(f"the broker {self._where} has not answered; check it, and [mqtt]", sys.stderr)

    @contextmanager
    def _open_session(self) -> Iterator[None]:
        self._session.start()
        try:
            yield
        finally:
            self._session.stop()
            for topic_filter, reason in self._session.refusals.items():
                say(f"the broker does not let us read {topic_filter}: {reason}", sys.stderr)

    @contextmanager
    def _caught_signals(self) -> Iterator[None]:
        """Let Ctrl-C and SIGTERM end the listening in good order, and give them back after."""
        numbers = (signal.SIGINT, signal.SIGTERM)
        before = {number: signal.signal(number, self._ask_to_stop) for number in numbers}
        try:
            yield
        finally:
            for number, handler in before.items():
                signal.signal(number, handler)

    def _ask_to_stop(self, number: int, frame: FrameType | None) -> None:
        del number, frame
        self._stop.set()
