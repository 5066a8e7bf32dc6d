"""Trying and hearing what there is: check, listen and record.

Is the configuration right, do broker, mail and store answer, and what does the broker have?
"""

import argparse
import math
import os
import queue
import secrets
import shutil
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from cabinetwatch.cli.terminal import function_of, print_table, say, signalled
from cabinetwatch.clock import SystemClock, WatchTime
from cabinetwatch.config import Config
from cabinetwatch.config.model import Sensor
from cabinetwatch.mqtt.backlog import Inbox
from cabinetwatch.mqtt.decoding import Decoder, covers
from cabinetwatch.mqtt.draft import Heard, Survey, draft, with_remedy
from cabinetwatch.mqtt.link import ConnectionEvent, Incoming, excerpt, excerpt_of_bytes
from cabinetwatch.mqtt.recording import Recorded, Recorder
from cabinetwatch.mqtt.session import MqttSession
from cabinetwatch.notify.channels import HttpChannel
from cabinetwatch.notify.links import NoKeyError, link_key_path, read_key
from cabinetwatch.notify.people import gaps
from cabinetwatch.notify.plan import plan_test, site_day
from cabinetwatch.notify.smtp import SessionError, Timeouts, smtp_session
from cabinetwatch.service.delivery_loop import carriers
from cabinetwatch.store.database import Database, check_revision, is_ours
from cabinetwatch.store.place import NoStoreError, act_as_owner
from cabinetwatch.store.store import Store
from cabinetwatch.text import (
    CabinetwatchError,
    ConfigError,
    StoreError,
    UsageError,
    counted,
    describe_duration,
    to_rfc3339,
)
from cabinetwatch.watch.conditions.base import quantity

if TYPE_CHECKING:
    from rich.table import Table

_CONNECT_WITHIN_S = 10.0
# With protocol = "auto" an attempt with 3.1.1 follows about a second after a refused MQTT 5.
_SECOND_TRY_WITHIN_S = 3.0
_SUBSCRIBE_WITHIN_S = 10.0
_PROBE_EVERY_S = 0.02
_MAIL_TIMEOUTS = Timeouts(connect_s=10.0, answer_s=10.0)

News = queue.Queue[ConnectionEvent]


class Finding(NamedTuple):
    """What came of trying one thing, with a sentence; `trouble` is the word when it is not well."""

    what: str
    well: bool
    details: str
    trouble: str = "REFUSED"


def run(args: argparse.Namespace) -> int:
    """Tell of the file, then try what it names.

    The status is 1 when a broker, a server or the store refuses, when nobody would get a high
    alarm, or, with --listen, a sensor is not heard or can't be read.
    """
    config, listen_s = args.config, args.listen_s
    sensors = counted(len(config.sensors), "sensor")
    say(f"{args.config_file} is right: {sensors}, {counted(len(config.devices), 'device')}.")
    for warning in warnings(config):
        say(f"Warning: {warning}")
    if listen_s is not None and config.sensors:
        say(f"Listening for {sensors}, {describe_duration(listen_s)} at most ...", sys.stderr)
    findings = _try_all(config, send=args.send, listen_s=listen_s)
    rows = [(each.what, "well" if each.well else each.trouble, each.details) for each in findings]
    print_table(("what", "answer", "details"), rows)
    # Only now: reading the store may mean to go on as its owner, who need not see a password.
    for warning in _rename_warnings(config):
        say(f"Warning: {warning}")
    return 0 if all(finding.well for finding in findings) else 1


def warnings(config: Config) -> Iterator[str]:
    """Give what is allowed and yet hardly meant."""
    if not config.sensors:
        yield "there is no sensor, so nothing is watched; cabinetwatch listen drafts their tables."
    for name, sensor in config.sensors.items():
        if sensor.topic.startswith("/"):
            yield (
                f"[sensors.{name}] topic begins with a slash, which makes it another topic than"
                f" {sensor.topic[1:]!r}; leave the slash out unless the sensor really sends there."
            )
    for name, device in config.devices.items():
        judged = device.derating or device.max_rise_k is not None
        if not judged and config.sensors[device.temperature].high is None:
            yield (
                f"[devices.{name}] has no derating and no max_rise_k, and [sensors."
                f"{device.temperature}] has no high, so no setpoint guards {config.name_of(name)}."
            )
    yield from _shared_sensors(config)
    notify = config.notify
    for table in (config.mqtt, notify.email, notify.http, config.page):
        if table is not None and table.exposure is not None:
            yield table.exposure
    if config.page is not None and config.page.url is not None and notify.email is None:
        yield "[page] url is for the links in mails, and there is no table [notify.email]."
    if notify.email is None and notify.command is None and notify.http is None:
        yield "without [notify.email], .command or .http notices go out over MQTT alone."


def _shared_sensors(config: Config) -> Iterator[str]:
    """Several devices by one temperature: the heat of one is told of all."""
    sharing: dict[str, list[str]] = {}
    for name, device in config.devices.items():
        sharing.setdefault(device.temperature, []).append(name)
    for sensor, devices in sharing.items():
        if len(devices) > 1:
            *others, last = (f"[devices.{name}]" for name in devices)
            yield (
                f"{', '.join(others)} and {last} have one temperature sensor, {sensor}, so the heat"
                " of one is reported for the others too; give each a sensor of its own, or make"
                " them one device, whose power may be a list."
            )


def _rename_warnings(config: Config) -> Iterator[str]:
    """Give which sensors can't take over the history that they are to have."""
    if not config.renames:
        return
    try:
        with Store.open(config.store.url, read_only=True) as store:
            yield from (f"{remark}." for remark in store.renames_wanted(config.renames).remarks)
    except NoStoreError as error:
        for old, new in config.renames:
            yield f'[sensors.{new}] renamed_from = "{old}": {error}, so there is no history yet.'
    except StoreError:
        return  # its finding says so


def _try_all(config: Config, *, send: bool, listen_s: float | None) -> list[Finding]:
    """Try everything the configuration names, hear each sensor once, send through each channel."""
    ear = Ear(config)
    with _session(config, _client_id("Check"), ear) as (session, news):
        findings = list(_try_broker(config, session, news))
        if all(finding.well for finding in findings):
            findings += _try_keeping(config)
        if listen_s is not None and session.subscribed:
            ear.all_heard.wait(listen_s)
            findings += ear.findings(listen_s, session.refusals)
        findings += [*_try_mail(config), *_try_people(config)]
        findings += [_try_store(config), *_try_command(config), *_try_http(config)]
        findings += _try_actions(config)
        if send:
            findings += _send_notices(config, session)
    return findings


class Ear:
    """Hears each sensor of a configuration once: what came, and what could not be read.

    `note` is called by the network's thread, the rest by another.
    """

    def __init__(self, config: Config) -> None:
        self._config = config
        self._decoder = Decoder(config.sensors)
        self._values: dict[str, tuple[float, bool]] = {}
        self._problems: dict[str, str] = {}
        self._waiting = set(config.sensors)
        self.all_heard = threading.Event()

    def note(self, message: Incoming) -> None:
        """Take a message; a kept one that can't be read may be followed by a live one that can."""
        decoded = self._decoder.decode(message.topic, message.payload, 0)
        for sensor, value, _ in decoded.values:
            self._values[sensor] = value, message.retain
        for sensor, why in decoded.unread.items():
            problem = with_remedy(why, self._config.sensors[sensor], message.payload)
            self._problems[sensor] = f"{excerpt(message.topic, 200)}: {problem}"
        heard = {value.sensor for value in decoded.values}
        self._waiting -= heard if message.retain else heard.union(decoded.unread)
        if not self._waiting:
            self.all_heard.set()

    def findings(self, for_s: float, refusals: Mapping[str, str]) -> Iterator[Finding]:
        """Say of each sensor what came in so long, or why nothing did.

        `refusals`: the filters that the broker would not let us read, with its reasons.
        """
        for sensor_id, sensor in self._config.sensors.items():
            if sensor_id in self._values:
                value, retained = self._values[sensor_id]
                yield self._heard(sensor_id, value, retained=retained)
            elif sensor_id in self._problems:
                yield Finding(sensor_id, False, self._problems[sensor_id], "UNREADABLE")
            else:
                yield Finding(sensor_id, False, _nothing(sensor, for_s, refusals), "NOTHING")

    def _heard(self, sensor_id: str, value: float, *, retained: bool) -> Finding:
        sensor = self._config.sensors[sensor_id]
        lowest, highest = self._config.credible(sensor_id)
        value += sensor.offset
        unit = self._config.site.temperature_unit
        shown, least, most = (
            quantity(each, sensor.quantity, unit) for each in (value, lowest, highest)
        )
        if not lowest <= value <= highest:
            details = (
                f"{shown} is not between {least} and {most}; check unit and pointer, and the sensor"
            )
            return Finding(sensor_id, False, details, "IMPLAUSIBLE")
        kept = "; kept by the broker, so it may be old" if retained else ""
        return Finding(sensor_id, True, f"{shown}{kept}")


def _nothing(sensor: Sensor, for_s: float, refusals: Mapping[str, str]) -> str:
    """Say why nothing may have come for a sensor, and what to look at."""
    for topic_filter, reason in refusals.items():
        if covers(topic_filter, sensor.topic):
            return f"the broker does not let us read {topic_filter}: {reason}"
    sentence = f"nothing came on {sensor.topic} in {describe_duration(for_s)}"
    if sensor.interval_s is not None and sensor.interval_s >= for_s:
        every = describe_duration(sensor.interval_s)
        sentence += f", and it is due every {every}: listen for longer"
    elif sensor.on_change:
        sentence += ", and it comes on change only: listen for longer"
    return (
        f"{sentence}; check that it is switched on and sends, that topic is spelt as `cabinetwatch"
        " listen` shows it, and that the broker's access list lets this user read it (some grant"
        " the subscription and deliver nothing)"
    )


def _client_id(purpose: str) -> str:
    """Give a name of our own for a connection: the watch's session is left alone.

    At most 23 letters and digits: more a broker of MQTT 3.1.1 need not take (3.1.3.1).
    """
    return f"cabinetwatch{purpose}{secrets.token_hex(2)}"


@contextmanager
def _session(
    config: Config, client_id: str, ear: Ear | None = None, *, clean: bool = True
) -> Iterator[tuple[MqttSession, News]]:
    """Connect; `ear` hears the configured sensors."""
    news: News = queue.Queue()

    def deliver(item: Incoming | ConnectionEvent) -> None:
        if isinstance(item, ConnectionEvent):
            news.put(item)
        elif ear is not None:
            ear.note(item)

    session = MqttSession(
        config.mqtt,
        config.secret("mqtt-password"),
        [] if ear is None else [sensor.topic for sensor in config.sensors.values()],
        watch=WatchTime(SystemClock()),
        deliver=deliver,
        client_id=client_id,
        clean=clean,
    )
    session.start()
    try:
        yield session, news
    finally:
        session.stop()


def _try_broker(config: Config, session: MqttSession, news: News) -> Iterator[Finding]:
    event = _await_connection(config, news)
    if event is None:
        where = f"{config.mqtt.host}:{config.mqtt.port}"
        yield Finding("broker", False, f"{where} doesn't answer; check host and port in [mqtt]")
        return
    if not event.up:
        yield Finding("broker", False, event.reason)
        return
    yield Finding("broker", True, f"{event.reason}, MQTT {event.protocol}")
    if not config.sensors:
        return
    deadline = time.monotonic() + _SUBSCRIBE_WITHIN_S
    while not session.subscribed and time.monotonic() < deadline:
        time.sleep(_PROBE_EVERY_S)
    if not session.subscribed:
        yield Finding("topics", False, "the broker does not answer the subscriptions")
        return
    refusals = session.refusals
    for topic_filter, reason in refusals.items():
        yield Finding("topics", False, f"the broker does not let us read {topic_filter}: {reason}")
    if not refusals:
        yield Finding("topics", True, f"subscribed for {counted(len(config.sensors), 'sensor')}")


def _await_connection(config: Config, news: News) -> ConnectionEvent | None:
    """Wait for the broker's first word, and for its second where another protocol may do."""
    event: ConnectionEvent | None = None
    deadline = time.monotonic() + _CONNECT_WITHIN_S
    while True:
        try:
            event = news.get(timeout=max(0.0, deadline - time.monotonic()))
        except queue.Empty:
            return event
        if event.up or config.mqtt.protocol != "auto" or event.protocol != "5":
            return event
        deadline = time.monotonic() + _SECOND_TRY_WITHIN_S


def _try_keeping(config: Config) -> Iterator[Finding]:
    """See that the broker keeps a session, and with it what is sent while the watch is away."""
    client_id = _client_id("Keep")
    answers = []
    # A clean session under the same ID, at last, leaves nothing behind.
    for clean in (False, False, True):
        with _session(config, client_id, clean=clean) as (_, news):
            answers.append(_await_connection(config, news))
    again = answers[1]
    if again is None:
        yield Finding("session", False, "the broker does not answer when asked to keep a session")
    elif not again.up:
        yield Finding("session", False, again.reason)
    elif not again.session_present:
        details = (
            "the broker keeps no session: what is sent while the watch is away or restarts is lost;"
            " allow persistent sessions in its settings, or use Mosquitto with the configuration in"
            " deploy/"
        )
        yield Finding("session", False, details, "NOT KEPT")
    else:
        yield Finding("session", True, "the broker keeps a session while its client is away")


def _try_mail(config: Config) -> Iterator[Finding]:
    """Greet, secure and log in as configured; no mail is sent."""
    email = config.notify.email
    if email is None:
        return
    password = None if email.username is None else config.secret("email-password")
    if email.username is not None and password is None:
        yield Finding(
            "mail",
            False,
            "there is a username and no password; give password_file in [notify.email], the"
            " systemd credential email-password, or $CABINETWATCH_EMAIL_PASSWORD",
        )
        return
    try:
        with smtp_session(email, password, _MAIL_TIMEOUTS):
            pass
    except SessionError as error:
        yield Finding("mail", False, str(error))
        return
    how = {"none": "without TLS", "starttls": "with STARTTLS", "tls": "with TLS"}[email.security]
    who = "" if email.username is None else f", logged in as {email.username}"
    yield Finding("mail", True, f"mail server {email.host}:{email.port} answers {how}{who}")


def _try_people(config: Config) -> Iterator[Finding]:
    """See that somebody gets a high alarm, today and whoever will be away."""
    today = site_day(config, SystemClock().utc_ms())
    found = list(gaps(config, today))
    yield from (Finding("people", False, gap, "NOBODY") for gap in found)
    if config.notify.people and not found:
        yield Finding("people", True, "a high alarm always reaches somebody at once")


def _try_store(config: Config) -> Finding:
    """Look into the store, or at the folder where it will be; neither is changed."""
    path = config.store_path()
    try:
        act_as_owner(path)
    except StoreError as error:
        return Finding("store", False, str(error))
    if not path.parent.is_dir():
        return Finding("store", False, f"there is no folder {path.parent}; make it")
    # SQLite writes files beside the database, so the folder must be open too.
    for needed in (path.parent, path):
        if needed.exists() and not os.access(needed, os.W_OK):
            return Finding("store", False, f"{needed} can't be written by this user")
    try:
        if not is_ours(path):
            return Finding("store", True, f"{path} will be made at the first run")
        with closing(Database(path, read_only=True)) as database, database.reading() as connection:
            check_revision(connection, path)
    except StoreError as error:
        return Finding("store", False, str(error))
    return Finding("store", True, f"{path} can be read and written")


def _try_command(config: Config) -> Iterator[Finding]:
    """See that the program can be started, without starting it."""
    command = config.notify.command
    if command is None:
        return
    program = command.argv[0]
    ok = shutil.which(program) is not None
    can = "can be started" if ok else "is no program that this user can start"
    yield Finding("command", ok, f"{program} {can}")


def _try_http(config: Config) -> Iterator[Finding]:
    """Connect to the server that takes a POST, and send nothing."""
    http = config.notify.http
    if http is None:
        return
    attempt = HttpChannel(http).probe()
    host, port = http.server
    ok = attempt.unreachable is None
    yield Finding("http", ok, attempt.unreachable or f"HTTP server {host}:{port} can be reached")


def _try_actions(config: Config) -> Iterator[Finding]:
    """See that the PIN can be read, and the key of links, where the watch has made it already."""
    if config.page is None or not config.page.actions:
        return
    try:
        pin = function_of("report.actions:read_pin")(config)
        if link_key_path(config.store_path()).exists():
            read_key(config.store_path())
    except (ConfigError, NoKeyError) as error:
        yield Finding("page", False, str(error))
        return
    with_pin = "without a PIN" if pin is None else "with a PIN"
    yield Finding("page", True, f"people can act through {config.page.url}, {with_pin}")


def _send_notices(config: Config, session: MqttSession) -> Iterator[Finding]:
    """Send a test notice through every channel, and tell what became of it."""
    clock = SystemClock()
    made = carriers(config, session)
    for notice in plan_test(config, clock.utc_ms(), clock.utc_ms()):
        carrier = made[notice.channel]
        attempt = carrier.send(notice, carrier.recipients)
        what = f"test by {config.notify.called(notice.channel)}"
        if attempt.unreachable is not None:
            yield Finding(what, False, attempt.unreachable)
        for refusal in attempt.refused.values():
            yield Finding(what, False, refusal.error)
        if attempt.accepted:
            yield Finding(what, True, f"taken for {', '.join(attempt.accepted)}")


# What the broker has.

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
        self._items: Inbox[ConnectionEvent] = Inbox(last=(ConnectionEvent,))
        self._session = MqttSession(
            config.mqtt,
            config.secret("mqtt-password"),
            filters,
            watch=self.watch,
            deliver=self._items.put,
            client_id=_client_id(purpose),
            clean=True,
            full=lambda: self._items.full,
        )

    def messages(self, for_s: float | None) -> Iterator[Incoming | None]:
        """Give what arrives until the time is over or a signal asks to stop.

        None comes in between, at least five times a second, when nothing arrives. What becomes of
        the connection is said on standard error.
        """
        until = math.inf if for_s is None else time.monotonic() + for_s
        answered = False
        with signalled(signal.SIGINT, signal.SIGTERM) as stop:
            try:
                self._session.start()
                while not stop.is_set() and time.monotonic() < until:
                    item = self._items.take(_TICK_S)
                    if isinstance(item, ConnectionEvent):
                        answered = True
                        self.connected |= item.up
                        say(item.reason, sys.stderr)
                    elif isinstance(item, Incoming):
                        yield item
                    elif item is None:
                        if (failure := self._session.failure) is not None:
                            raise CabinetwatchError(f"listening has failed: {failure}") from failure
                        yield None
            finally:
                self._session.stop()
                for topic_filter, reason in self._session.refusals.items():
                    say(f"the broker does not let us read {topic_filter}: {reason}", sys.stderr)
        if not answered:
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
