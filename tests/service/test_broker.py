"""A broker that goes and comes back takes no reading with it that it had accepted."""

from collections import Counter

from cabinetwatch.store.store import Store
from tests.service.site import Site
from tests.service.watching import wait_until, watching
from tests.service.wire import wire
from tests.support.broker import Broker

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
    site.flush_s = 3.0
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
    with watching(site.config()):
        wait_until(lambda: bool(_standing(site)), "broker-lost to be raised")
        broker.start()
        with wire(broker.port) as cabinet:
            back = cabinet.wait_transition("site", "broker-lost", "returned")
            publish_numbers(broker, range(5))
            wait_stored(site, 5)

    assert back["previous"] == "unacknowledged"


def _standing(site: Site) -> list[str]:
    with site.store() as store:
        return [each.condition for each in store.standing()]
