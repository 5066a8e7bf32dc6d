"""Trying what a configuration names: broker, mail server, store, command, test notices."""

import os
import queue
import secrets
import shutil
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import NamedTuple

from cabinetwatch.clock import SystemClock, WatchTime
from cabinetwatch.config import Config
from cabinetwatch.errors import StoreError
from cabinetwatch.intake.message import ConnectionEvent, Incoming
from cabinetwatch.intake.session import MqttSession
from cabinetwatch.notify.channels.smtp import Login, SessionError, Timeouts, smtp_session
from cabinetwatch.notify.plan import plan_test
from cabinetwatch.service.carriers import carriers
from cabinetwatch.store.database import Database, check_revision, is_ours
from cabinetwatch.store.place import act_as_owner
from cabinetwatch.text import counted

_CONNECT_WITHIN_S = 10.0
# With protocol = "auto" an attempt with 3.1.1 follows about a second after a refused MQTT 5.
_SECOND_TRY_WITHIN_S = 3.0
_SUBSCRIBE_WITHIN_S = 10.0
_PROBE_EVERY_S = 0.02
_MAIL_TIMEOUTS = Timeouts(connect_s=10.0, answer_s=10.0)


class Finding(NamedTuple):
    """What came of trying one thing, with a sentence."""

    what: str
    well: bool
    details: str


def try_all(config: Config, *, send: bool) -> list[Finding]:
    """Try everything the configuration names; with `send` also a notice through every channel."""
    with _session(config) as (session, news):
        findings = list(_try_broker(config, session, news))
        findings += _try_mail(config)
        findings += [_try_store(config), *_try_command(config)]
        if send:
            findings += _send_notices(config, session)
    return findings


@contextmanager
def _session(config: Config) -> Iterator[tuple[MqttSession, "queue.Queue[ConnectionEvent]"]]:
    """Connect under a name of our own and with a clean session: the watch's is left alone."""
    news: queue.Queue[ConnectionEvent] = queue.Queue()

    def deliver(item: Incoming | ConnectionEvent) -> None:
        if isinstance(item, ConnectionEvent):
            news.put(item)

    session = MqttSession(
        config.mqtt,
        config.secret("mqtt-password"),
        [sensor.topic for sensor in config.sensors.values()],
        watch=WatchTime(SystemClock()),
        deliver=deliver,
        # At most 23 letters and digits: more a broker of MQTT 3.1.1 need not take (3.1.3.1).
        client_id=f"cabinetwatchCheck{secrets.token_hex(3)}",
        clean=True,
    )
    session.start()
    try:
        yield session, news
    finally:
        session.stop()


def _try_broker(
    config: Config, session: MqttSession, news: "queue.Queue[ConnectionEvent]"
) -> Iterator[Finding]:
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
    if not _await_subscriptions(session):
        yield Finding("topics", False, "the broker does not answer the subscriptions")
        return
    refusals = session.refusals
    for topic_filter, reason in refusals.items():
        yield Finding("topics", False, f"the broker does not let us read {topic_filter}: {reason}")
    if not refusals:
        yield Finding("topics", True, f"subscribed for {counted(len(config.sensors), 'sensor')}")


def _await_connection(
    config: Config, news: "queue.Queue[ConnectionEvent]"
) -> ConnectionEvent | None:
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


def _await_subscriptions(session: MqttSession) -> bool:
    deadline = time.monotonic() + _SUBSCRIBE_WITHIN_S
    while not session.subscribed:
        if time.monotonic() >= deadline:
            return False
        time.sleep(_PROBE_EVERY_S)
    return True


def _try_mail(config: Config) -> Iterator[Finding]:
    """Greet, secure and log in as configured; no mail is sent."""
    email = config.notify.email
    if email is None:
        return
    login = None
    if email.username is not None:
        password = config.secret("email-password")
        if password is None:
            yield Finding(
                "mail",
                False,
                "there is a username and no password; give password_file in [notify.email], the"
                " systemd credential email-password, or $CABINETWATCH_EMAIL_PASSWORD",
            )
            return
        login = Login(email.username, password.get_secret_value())
    try:
        with smtp_session(email, login, _MAIL_TIMEOUTS):
            pass
    except SessionError as error:
        yield Finding("mail", False, str(error))
        return
    how = {"none": "without TLS", "starttls": "with STARTTLS", "tls": "with TLS"}[email.security]
    who = "" if login is None else f", logged in as {login.username}"
    yield Finding("mail", True, f"mail server {email.host}:{email.port} answers {how}{who}")


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
        database = Database(path, read_only=True)
        try:
            with database.reading() as connection:
                check_revision(connection, path)
        finally:
            database.close()
    except StoreError as error:
        return Finding("store", False, str(error))
    return Finding("store", True, f"{path} can be read and written")


def _try_command(config: Config) -> Iterator[Finding]:
    """See that the program can be started, without starting it."""
    command = config.notify.command
    if command is None:
        return
    program = command.argv[0]
    if shutil.which(program) is None:
        yield Finding("command", False, f"{program} is no program that this user can start")
    else:
        yield Finding("command", True, f"{program} can be started")


def _send_notices(config: Config, session: MqttSession) -> Iterator[Finding]:
    """Send a test notice through every channel, and tell what became of it."""
    clock = SystemClock()
    made = carriers(config, session)
    for notice in plan_test(config, clock.utc_ms(), clock.utc_ms()):
        carrier = made[notice.channel]
        attempt = carrier.send(notice, carrier.recipients)
        what = f"test by {notice.channel}"
        if attempt.unreachable is not None:
            yield Finding(what, False, attempt.unreachable)
        for refusal in attempt.refused.values():
            yield Finding(what, False, refusal.error)
        if attempt.accepted:
            yield Finding(what, True, f"taken for {', '.join(attempt.accepted)}")
