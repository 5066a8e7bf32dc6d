"""A broker that is away, forgetful, strict or old is told, and takes nothing along that it kept."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from cabinetwatch.demo.servers import EmbeddedBroker
from cabinetwatch.watch.events import Transition
from tests.faults.watched import (
    TABLES,
    drive_over_threshold,
    mailed,
    numbers_in,
    publish_numbers,
    wait_mailed,
    wait_stored,
)
from tests.service.day import MINUTE_MS, START_MS, DrivenWatch
from tests.service.site import HALL, NAS, Site
from tests.service.watching import running, wait_until, watching
from tests.service.wire import Wire, wire
from tests.support.broker import Broker, BrokerFactory
from tests.support.hand_clock import HandClock
from tests.support.mail import MailDrop

HOUR_MS = 60 * MINUTE_MS
QUIET_NODES = "[alarms.stuck]\nenabled = false\n"


@pytest.fixture
def driven(site: Site) -> Iterator[DrivenWatch]:
    """A watch on a clock that the test lets jump."""
    site.tables = TABLES.replace("interval_s = 1\nsilent_after = 1000", "interval_s = 600")
    site.tables += QUIET_NODES
    watch = DrivenWatch(site.write(), START_MS)
    yield watch
    watch.kill()


def test_a_broker_away_for_a_day_is_told_once_repeated_and_never_as_silent_sensors(
    site: Site, broker: Broker, cabinet: Wire, smtp: MailDrop, driven: DrivenWatch
) -> None:
    cabinet.wait_online()
    for topic, value in ((HALL, "21"), (NAS, "38")):
        cabinet.publish(topic, value)
    broker.stop()
    driven.say("away")
    mails = 1
    for hour in range(1, 25):
        driven.say(f"skip {HOUR_MS}")
        wait_until(lambda: lived_until(site) > driven.utc_ms - MINUTE_MS, "the time to pass")
        wait_until(lambda: bool(standing_in(site)), "the alarm to be raised")
        (standing,) = standing_in(site)
        # Raised after a minute, told again 1, 3, 7 and 15 h later (doubling times).
        mails += hour in {2, 4, 8, 16}
        wait_mailed(smtp, standing.id, mails)
    broker.start()
    with wire(broker.port) as back:
        back.wait_online()
        driven.say("skip 30000")
        back.wait_transition("site", "broker-lost", "returned")
        for topic, value in ((HALL, "21"), (NAS, "38")):
            back.publish(topic, value)
        told = back.transitions()
    wait_mailed(smtp, standing.id, 6)
    driven.stop()

    assert standing.condition == "broker-lost"
    assert {each["condition"] for each in told} == {"broker-lost"}
    with site.store() as store:
        told_of = {each.condition for each in store.transitions()}
    assert told_of == {"broker-lost"}
    # Five, and its return.
    assert mailed(smtp, standing.id) == 6


def lived_until(site: Site) -> int:
    with site.store() as store:
        return store.heartbeat() or 0


def standing_in(site: Site) -> list[Transition]:
    with site.store() as store:
        return store.standing()


def test_a_broker_restarted_without_its_memory_is_subscribed_anew_and_told_again(
    site: Site, broker: Broker, cabinet: Wire
) -> None:
    site.tables = TABLES
    with watching(site.config()) as daemon:
        cabinet.wait_online()
        publish_numbers(cabinet, range(100))
        wait_stored(site, range(100))
        broker.kill()
        wait_until(lambda: not daemon._session.connected, "the loss to be noticed")
        for memory in Path(broker.directory).glob("mosquitto.db*"):
            memory.unlink()
        broker.start()
        with wire(broker.port) as back:
            back.wait_online()
            publish_numbers(back, range(100, 200))
            wait_stored(site, range(200))
            back.wait_for(lambda each: each.topic.endswith("device/nas"), "live figures")
            drive_over_threshold(back)


def test_a_broker_that_refuses_the_login_is_told_with_the_remedy_until_it_is_put_right(
    site: Site, mosquitto: BrokerFactory, smtp: MailDrop, caplog: pytest.LogCaptureFixture
) -> None:
    strict = mosquitto(passwords={"cabinet": "letmein"})
    site.mqtt_port = strict.port
    site.tables = TABLES + "[alarms.broker-lost]\non_delay_s = 2\n"
    clock = HandClock(START_MS)
    with watching(site.config(), clock):
        smtp.wait_for(1)
        wait_mailed(smtp, "refuses the login; correct username or password_file in [mqtt]")
        strict.stop()
        strict.passwords = None
        strict.start()
        with wire(strict.port) as cabinet:
            cabinet.wait_online()
            clock.let_pass(30)
            cabinet.wait_transition("site", "broker-lost", "returned")
            publish_numbers(cabinet, range(20))
            wait_stored(site, range(20))

    assert "refuses the login" in caplog.text
    assert "letmein" not in caplog.text


def test_a_broker_that_speaks_3_1_1_only_gets_a_watch_that_keeps_up(site: Site) -> None:
    site.tables = TABLES
    site.flush_s = 5.0
    with EmbeddedBroker() as old:
        site.mqtt_port = old.port
        path = site.write()
        path.write_text(path.read_text().replace("[mqtt]", '[mqtt]\nusername = "watch"'))
        with running(path) as watch, wire(old.port, username="cabinet") as cabinet:
            cabinet.wait_online()
            # More than it has in flight at once (20 without Receive Maximum, 3.1.1 knows none).
            publish_numbers(cabinet, range(60))
            wait_stored(site, range(60))
            alarm = drive_over_threshold(cabinet)
            assert watch.stop() == 0

    assert numbers_in(site).total() == 60
    with site.store() as store:
        assert len(store.transitions(alarm_id=alarm)) == 2
