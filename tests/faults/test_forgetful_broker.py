"""A broker that has lost its memory is given back the alarms that stand, and nobody a notice."""

from pathlib import Path

import pytest

from cabinetwatch.service.daemon import Daemon
from cabinetwatch.watch.events import AlarmState
from tests.faults.watched import TABLES
from tests.service.site import HALL, NAS, Site
from tests.service.watching import wait_until, watching
from tests.service.wire import Wire, retained, wire
from tests.support.broker import Broker
from tests.support.mail import MailDrop

OVER = "cabinetwatch/alarm/nas/over-derating"
HIGH = "cabinetwatch/alarm/hall/high"


@pytest.fixture
def site(site: Site) -> Site:
    """A hall that may be too warm, beside the NAS."""
    site.tables = TABLES.replace(
        'topic = "house/hall/temperature"', 'topic = "house/hall/temperature"\nhigh = 30.0'
    )
    site.tables += "[alarms.high]\non_delay_s = 0\noff_delay_s = 0\nhold_h = 0\n"
    return site


def forget(broker: Broker) -> None:
    """Throw away what a broker that has stopped would know at its next start."""
    for memory in Path(broker.directory).glob("mosquitto.db*"):
        memory.unlink()


def lose_memory(broker: Broker, daemon: Daemon) -> None:
    broker.kill()
    wait_until(lambda: not daemon.connected, "the loss to be noticed")
    forget(broker)
    broker.start()


def posted(site: Site) -> dict[str, str]:
    """Give what became of each notice ever written, once none waits."""

    def settled() -> bool:
        with site.store() as store:
            return not store.waiting()

    wait_until(settled, "every notice to be delivered")
    with site.store() as store:
        return {notice.id: outcome.status for notice, outcome in store.notices() if outcome}


def acknowledge(site: Site, alarm: str) -> None:
    with site.store() as store:
        store.put_command({"command": "ack", "id": alarm}, 0)


def alarms_told(ear: Wire) -> list[tuple[str, str]]:
    return [(each["condition"], each["state"]) for each in ear.transitions()]


def published(broker: Broker, topic: str) -> int:
    """Count how often the broker was given a message on a topic, over all its starts."""
    lines = broker.log.splitlines()
    return sum("Received PUBLISH" in line and f"'{topic}'" in line for line in lines)


def one_stands_and_one_is_over(site: Site, cabinet: Wire) -> dict[str, object]:
    """Let the NAS be too warm, and the hall too warm for a while; give the NAS's raise."""
    cabinet.wait_online()
    cabinet.publish(HALL, "35")
    over = cabinet.wait_transition("hall", "high", "unacknowledged")
    cabinet.publish(HALL, "21")
    cabinet.wait_transition("hall", "high", "returned")
    acknowledge(site, over["id"])
    cabinet.wait_transition("hall", "high", "normal")
    cabinet.publish(NAS, "55")
    return cabinet.wait_transition("nas", "over-derating", "unacknowledged")


def test_a_broker_without_its_memory_is_given_back_what_stands_and_nobody_a_notice(
    site: Site, broker: Broker, smtp: MailDrop
) -> None:
    with watching(site.config()) as daemon:
        with wire(broker.port) as cabinet:
            raised = one_stands_and_one_is_over(site, cabinet)
        notices, mails = posted(site), len(smtp.messages)
        lose_memory(broker, daemon)
        with wire(broker.port) as back:
            given_back = back.wait_transition("nas", "over-derating", "unacknowledged")
            back.wait_for(lambda each: each.topic.endswith("device/nas"), "live figures")
            assert given_back == raised
            assert posted(site) == notices
            assert len(smtp.messages) == mails
            # What happens next is told as ever, once, and after what was given back.
            back.publish_until(NAS, "40", "nas", "over-derating", "returned")
            posted(site)
            back.mark()
            assert alarms_told(back) == [
                ("over-derating", "unacknowledged"),
                ("over-derating", "returned"),
            ]
        kept = retained(broker.port)

    assert HIGH not in kept
    assert kept[OVER].data["state"] == "returned"


def test_a_broker_that_kept_the_session_is_told_nothing_again(
    site: Site, broker: Broker, smtp: MailDrop
) -> None:
    del smtp
    with watching(site.config()):
        with wire(broker.port) as cabinet:
            one_stands_and_one_is_over(site, cabinet)
        posted(site)
        before = published(broker, OVER)
        broker.restart()
        with wire(broker.port) as back:
            back.publish_until(NAS, "40", "nas", "over-derating", "returned")
            posted(site)

    assert published(broker, OVER) == before + 1


def test_a_broker_that_forgot_while_nothing_ran_is_given_back_what_stands_at_the_start(
    site: Site, broker: Broker
) -> None:
    with watching(site.config()), wire(broker.port) as cabinet:
        raised = one_stands_and_one_is_over(site, cabinet)
        posted(site)
    broker.stop()
    forget(broker)
    broker.start()
    assert not retained(broker.port)

    with watching(site.config()), wire(broker.port) as back:
        assert back.wait_transition("nas", "over-derating", "unacknowledged") == raised
        back.wait_online()
        assert alarms_told(back) == [("over-derating", "unacknowledged")]


def test_what_waited_while_the_broker_was_away_is_told_once_and_not_after_what_is_older(
    site: Site, broker: Broker
) -> None:
    with watching(site.config()) as daemon:
        with wire(broker.port) as cabinet:
            raised = one_stands_and_one_is_over(site, cabinet)
        posted(site)
        broker.kill()
        wait_until(lambda: not daemon.connected, "the loss to be noticed")
        forget(broker)
        acknowledge(site, str(raised["id"]))
        wait_until(lambda: standing(site) == ["acknowledged"], "the acknowledgement")
        before = published(broker, OVER)
        broker.start()
        with wire(broker.port) as back:
            back.wait_transition("nas", "over-derating", "acknowledged")
            posted(site)
            back.mark()

    assert published(broker, OVER) == before + 1


def standing(site: Site) -> list[AlarmState]:
    with site.store() as store:
        return [each.state for each in store.standing()]
