"""No half-dead watch: a dying thread ends the whole, a signal ends it in time whatever hangs."""

from collections.abc import Callable

import pytest

from cabinetwatch.notify.smtp import Timeouts
from tests.faults.dying import WORK
from tests.faults.watched import TABLES, numbers_in, publish_numbers, wait_stored
from tests.service.site import NAS, Site
from tests.service.watching import running, wait_until
from tests.service.wire import Wire, wire
from tests.support.broker import Broker, BrokerFactory
from tests.support.flood import TOPICS, Flood
from tests.support.mail import MailDrop


@pytest.mark.parametrize("thread", WORK)
def test_a_thread_that_dies_ends_the_watch_with_a_status_that_restarts_it(
    thread: str, site: Site
) -> None:
    site.tables = TABLES
    with running(site.write(), thread, module="tests.faults.dying") as watch:
        assert watch.wait() == 1
        assert "the watch stops: " in watch.log
        assert "nobody has foreseen" in watch.log


@pytest.mark.parametrize("broker_is", ["frozen", "away"])
def test_sigterm_ends_the_watch_in_time_while_broker_and_mail_server_hang(
    broker_is: str, site: Site, cabinet: Wire, broker: Broker, smtp: MailDrop
) -> None:
    site.tables = TABLES
    site.flush_s = 60
    with running(site.write()) as watch:
        cabinet.wait_online()
        publish_numbers(cabinet, range(100))
        smtp.hang("data")
        cabinet.heat_nas()
        wait_until(lambda: smtp.connections > 0, "the mail to be on its way")
        away: Callable[[], None] = broker.freeze if broker_is == "frozen" else broker.kill
        away()
        # Each step of the end waits for a second or so; the mail server has two minutes to answer.
        assert watch.stop(Timeouts().final_s / 2) == 0
        broker.thaw()

    assert "Traceback" not in watch.log
    assert numbers_in(site) == dict.fromkeys(range(100), 1)
    with site.store() as store:
        assert "email" in [notice.channel for notice, _ in store.waiting()]


@pytest.mark.long
def test_a_storm_of_fifty_times_the_ordinary_rate_loses_nothing_and_delays_no_alarm(
    site: Site, mosquitto: BrokerFactory
) -> None:
    # What a broker that keeps no more than 1,000 messages loses is its own loss.
    broker = mosquitto(config_lines=["max_queued_messages 0"])
    site.mqtt_port = broker.port
    # 50 sensors at 2 s are 25 messages a second.
    rate, at_least = 50 * 25, 50 * 25 * 5
    site.tables = TABLES + "".join(
        f'[sensors.flood-{number}]\ntopic = "flood/{number}"\nquantity = "power"\n'
        "interval_s = 2\nsilent_after = 1000\n"
        for number in range(TOPICS)
    )
    site.flush_s = 2.0
    with running(site.write()) as watch, wire(broker.port) as cabinet:
        cabinet.wait_online()
        flood = Flood(broker.port, None, rate)
        for value in range(20):
            heard = len(cabinet.messages)
            cabinet.publish(NAS, "40" if value % 2 else "55")
            state = "returned" if value % 2 else "unacknowledged"
            cabinet.wait_transition("nas", "over-derating", state, after=heard)
        # All twenty were told while the storm went on: it ends with this.
        flooded = flood.end(at_least)
        publish_numbers(cabinet, range(10))
        wait_stored(site, range(10))
        assert watch.stop() == 0

    with site.store() as store:
        numbers = [
            (round(reading.value), reading.quality)
            for reading, _ in store.readings()
            if reading.sensor.startswith("flood")
        ]
    assert sorted(number for number, _ in numbers) == list(range(flooded))
    assert {quality for _, quality in numbers} == {0}
    assert "Traceback" not in watch.log
