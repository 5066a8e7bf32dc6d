"""Hearing what the broker has: listen and record."""

import argparse
import os
import secrets
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from types import FrameType

from rich.live import Live
from rich.table import Table
from rich.text import Text

from cabinetwatch.cli.terminal import say
from cabinetwatch.clock import SystemClock, WatchTime, describe_duration, parse_duration, to_rfc3339
from cabinetwatch.config import Config, find_config_file
from cabinetwatch.config.values import check_filter
from cabinetwatch.mqtt.backlog import Inbox
from cabinetwatch.mqtt.draft import Heard, Survey, draft
from cabinetwatch.mqtt.link import ConnectionEvent, Incoming, excerpt, excerpt_of_bytes
from cabinetwatch.mqtt.recording import Recorded, Recorder
from cabinetwatch.mqtt.session import MqttSession
from cabinetwatch.text import CabinetwatchError, UsageError, counted
from cabinetwatch.watch import configuration

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


_REFRESH_EVERY_S = 0.25
_MOST_ROWS = 200


@contextmanager
def live_table(survey: Survey, watch: WatchTime) -> Iterator[Callable[[], None]]:
    """Show a survey on the terminal; gives the function that redraws it when it is time to."""
    with Live(_table(survey, watch), auto_refresh=False, vertical_overflow="ellipsis") as live:
        drawn = time.monotonic()

        def refresh() -> None:
            nonlocal drawn
            if time.monotonic() - drawn >= _REFRESH_EVERY_S:
                live.update(_table(survey, watch), refresh=True)
                drawn = time.monotonic()

        yield refresh
        live.update(_table(survey, watch), refresh=True)


def _table(survey: Survey, watch: WatchTime) -> Table:
    table = Table(title="Listening; Ctrl-C ends it and drafts the tables", title_justify="left")
    for heading in ("topic", "payload", "QoS", "count", "every", "last"):
        right = heading in {"QoS", "count", "every", "last"}
        table.add_column(heading, justify="right" if right else "left")
    for topic in sorted(survey.topics)[:_MOST_ROWS]:
        table.add_row(*map(Text, _row(survey.topics[topic], watch.now_ms())))
    return table


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


Show = Callable[[Incoming | None], None]


def configure_listen(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of this command."""
    parser.description = (
        "Show what arrives from the broker until Ctrl-C, then draft sensor tables for it and a"
        " device table for each temperature. When its output is no terminal, all of it is"
        " TOML: what arrived stands in comments."
    )
    parser.add_argument(
        "filters", metavar="FILTER", nargs="*", help="the topic filters to listen to (default: #)"
    )
    parser.add_argument(
        "--out", metavar="FILE", type=Path, help="write the draft there; the file must be new"
    )
    add_span(parser)


def run_listen(args: argparse.Namespace) -> int:
    """Listen until the time is over, or until Ctrl-C or SIGTERM, then draft.

    Returns:
        0, or 1 when nothing arrived.

    Raises:
        ConfigError: the configuration is faulty.
        UsageError: the file exists, or a filter or the time is wrong.
    """
    for_s = span_s(args)
    if args.out is not None:
        _check_new(args.out)
    config = configuration.load(find_config_file(args.config))
    visit = Visit(config, checked_filters(args.filters) or ["#"], "Listen")
    survey = Survey()
    with _display(survey, visit) as show:
        for message in visit.messages(for_s):
            if message is not None:
                survey.note(message)
            show(message)
    if survey.left_out:
        say(f"Left out: {counted(survey.left_out, 'message')} of still more topics.", sys.stderr)
    if not survey.topics:
        say("nothing arrived", sys.stderr)
        return 1
    _hand_over(draft(survey.topics.values(), config), args.out)
    return 0


def _check_new(out: Path) -> None:
    """Refuse a file that could not be written once all has been heard."""
    if out.exists():
        raise UsageError(f"{out} exists already; name a file that does not")
    if not os.access(out.parent, os.W_OK | os.X_OK):
        raise UsageError(
            f"{out} can't be made: {out.parent.absolute()} is no folder that you may write to"
        )


@contextmanager
def _display(survey: Survey, visit: Visit) -> Iterator[Show]:
    if sys.stdout.isatty():
        with live_table(survey, visit.watch) as refresh:
            yield lambda _: refresh()
    else:
        yield lambda message: _print_message(message, visit)


def _print_message(message: Incoming | None, visit: Visit) -> None:
    if message is None:
        return
    time = to_rfc3339(visit.watch.utc_ms(message.t))
    marks = f"QoS {message.qos}" + (", retained" if message.retain else "")
    topic, payload = excerpt(message.topic, 200), excerpt_of_bytes(message.payload, 200)
    print(f"# {time}  {topic}  {payload}  ({marks})", flush=True)


def _hand_over(text: str, out: Path | None) -> None:
    if out is None:
        print(f"\n{text}", end="")
        return
    try:
        with out.open("x", encoding="utf-8") as file:
            file.write(text)
    except OSError as error:
        raise UsageError(f"{out}: can't be written: {error.strerror}") from error
    say(f"The draft is in {out}: edit the IDs, then add it to the configuration.", sys.stderr)


_FLUSH_EVERY_S = 1.0


def configure_record(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of this command."""
    parser.add_argument(
        "file", metavar="FILE", type=Path, help="the recording; what it holds already is kept"
    )
    parser.add_argument(
        "--topic",
        dest="topics",
        metavar="FILTER",
        action="append",
        default=[],
        help="record this topic filter instead of the configured sensors' topics; may be repeated",
    )
    add_span(parser)


def run_record(args: argparse.Namespace) -> int:
    """Record until the time is over, or until Ctrl-C or SIGTERM.

    Returns:
        0, or 1 when the broker never let us in.

    Raises:
        ConfigError: the configuration is faulty.
        UsageError: the file can't be written, or a filter or the time is wrong.
    """
    for_s = span_s(args)
    config = configuration.load(find_config_file(args.config))
    visit = Visit(config, checked_filters(args.topics) or _configured(config), "Record")
    with Recorder(args.file) as recorder:
        _record(visit, recorder, for_s)
        say(f"{counted(recorder.count, 'message')} written to {args.file}.", sys.stderr)
    return 0 if visit.connected else 1


def _configured(config: Config) -> list[str]:
    """Give the sensors' topics; all there are while no sensor is configured."""
    return [sensor.topic for sensor in config.sensors.values()] or ["#"]


def _record(visit: Visit, recorder: Recorder, for_s: float | None) -> None:
    flushed = time.monotonic()
    for message in visit.messages(for_s):
        if message is not None:
            utc_ms = visit.watch.utc_ms(message.t)
            recorder.write(Recorded(utc_ms, message.topic, message.payload, message.retain))
        if time.monotonic() - flushed >= _FLUSH_EVERY_S:
            recorder.flush()
            # A long recording must follow the wall clock when it is set.
            visit.watch.remeasure()
            flushed = time.monotonic()
