"""A broker that goes and comes back takes no reading with it that it had accepted."""

from collections import Counter

from cabinetwatch.service.daemon import Daemon
from cabinetwatch.store.store import Store
from tests.service.site import Site
from tests.service.watching import wait_until, watching
from tests.service.wire import wire
from tests.support.broker import Broker
from tests.support.hand_clock import HandClock

COUNTER = """
[sensors.counter]
topic = "cabinet/ups/counter"
quantity = "power"
on_change = true
"""


def publish_numbers(broker: Broker, numbers: range) -> None:
    """Publish numbers as readings; returns once the broker has accepted all."""
    with wire(broker.port) as cabinet:
        for wait in [cabinet.send("cabinet/ups/counter", str(number)) for number in numbers]:
            wait()


def numbers_in(store: Store) -> Counter[int]:
    return Counter(round(reading.value) for reading, _ in store.readings("counter"))


def wait_stored(site: Site, count: int) -> None:
    def stored() -> bool:
        with site.store() as store:
            return len(numbers_in(store)) >= count

    wait_until(stored, f"{count} readings in the store")


def test_a_broker_restarted_with_persistence_loses_no_reading(broker: Broker, site: Site) -> None:
    site.tables = COUNTER
    # Long enough that what has come is not yet acknowledged when the broker goes.
    site.flush_s = 1.5
    config = site.config()
    with watching(config), wire(broker.port) as cabinet:
        cabinet.wait_online()
        publish_numbers(broker, range(400))
        broker.restart()
        publish_numbers(broker, range(400, 500))
        wait_stored(site, 500)

    # The same again with the watch away when the broker is.
    publish_numbers(broker, range(500, 900))
    broker.restart()
    with watching(config):
        wait_stored(site, 900)

    with site.store() as store:
        assert numbers_in(store) == Counter(range(900))


def test_a_watch_started_before_its_broker_connects_and_tells_what_was_lost(
    broker: Broker, site: Site
) -> None:
    site.tables = COUNTER + "\n[alarms.broker-lost]\non_delay_s = 0\n"
    broker.stop()
    clock = HandClock(1_780_000_000_000)
    with watching(site.config(), clock):
        wait_until(lambda: bool(_standing(site)), "broker-lost to be raised")
        broker.start()
        with wire(broker.port) as cabinet:
            cabinet.wait_online()
            clock.let_pass(30)
            back = cabinet.wait_transition("site", "broker-lost", "returned")
            publish_numbers(broker, range(5))
            wait_stored(site, 5)

    assert back["previous"] == "unacknowledged"


def _standing(site: Site) -> list[str]:
    with site.store() as store:
        return [each.condition for each in store.standing()]


def test_what_was_to_be_published_while_the_broker_was_away_goes_out_when_it_is_back(
    broker: Broker, site: Site
) -> None:
    site.tables = (
        COUNTER + "high = 10.0\n[alarms.high]\non_delay_s = 0\noff_delay_s = 0\nhold_h = 0\n"
    )
    clock = HandClock(1_780_000_000_000)
    with watching(site.config(), clock) as daemon:
        wait_until(lambda: _subscribed(daemon), "the subscription")
        publish_numbers(broker, range(11, 12))
        wait_until(lambda: bool(_standing(site)), "the alarm to be raised")
        wait_until(lambda: not _waiting_for_mqtt(site), "the alarm to be told")
        broker.kill()
        wait_until(lambda: not _subscribed(daemon), "the loss to be noticed")
        with site.store() as store:
            alarm = store.standing()[0].id
            store.put_command({"command": "ack", "id": alarm}, 0)
        wait_until(lambda: ("acknowledged", True) in _waiting_for_mqtt(site), "a try to tell of it")
        # The next try of a channel that was away never falls due.
        clock.stand_still()
        broker.start()
        with wire(broker.port) as cabinet:
            cabinet.wait_transition("counter", "high", "acknowledged")


def _subscribed(daemon: Daemon) -> bool:
    return daemon._session.subscribed


def _waiting_for_mqtt(site: Site) -> set[tuple[str, bool]]:
    """The state that each waiting notice tells of, and whether it was tried."""
    with site.store() as store:
        waiting = [each for each in store.waiting() if each[0].channel == "mqtt"]
    return {
        (transition.state.value, outcome is not None)
        for notice, outcome in waiting
        for transition in notice.transitions
    }
