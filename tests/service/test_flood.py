"""One topic floods: the other sensors' alarms go on, and every message is accounted for."""

import pytest

from cabinetwatch.intake import inbox
from cabinetwatch.store.replay import Replayer
from tests.benchmarks.flooded import TABLES, PackFlood
from tests.service.site import NAS, Site
from tests.service.test_replay import essence
from tests.service.watching import wait_until, watching
from tests.service.wire import Wire, wire
from tests.support.broker import Broker, BrokerFactory

RECORDS = 500
RAISES = [("55", "unacknowledged"), ("40", "returned"), ("56", "unacknowledged")]


@pytest.fixture
def broker(mosquitto: BrokerFactory) -> Broker:
    """A broker that drops nothing by itself."""
    return mosquitto(config_lines=["max_queued_messages 0"])


def test_a_topic_that_floods_delays_no_other_and_nothing_goes_unaccounted(
    site: Site, cabinet: Wire, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(inbox, "MOST_BYTES", 50_000)
    monkeypatch.setattr(inbox, "PRESSED_S", 0.5)
    site.tables, site.flush_s = TABLES, 1.0
    with wire(site.mqtt_port) as gateway, watching(site.config()) as daemon:
        cabinet.wait_online()
        with PackFlood(gateway, RECORDS, rate=400.0) as flood:
            wait_until(lambda: "more arrives than can be judged" in caplog.text, "a refusal")
            for value, state in RAISES:
                heard = len(cabinet.messages)
                cabinet.publish(NAS, value)
                cabinet.wait_transition("nas", "over-derating", state, after=heard)
            assert flood.going_on
        gateway.mark()
        # What it has not taken yet it would not wait for when it stops.
        cabinet.publish("cabinet/gateway", '[{"n":"end","v":1}]')
        wait_until(lambda: "the pack has no record named" in caplog.text, "the end of the flood")
        assert daemon.connected

    with site.store() as store:
        judged = sum(1 for _ in store.readings("gateway-air")) / RECORDS
        refused = store.unreadable()["gateway-air"].total
        live = [essence(each) for each in store.transitions()]
        again = [essence(each) for each in Replayer().run(item for _, item in store.inputs())]
    # The pack that marked the end is one that could not be read, too.
    assert judged + refused == flood.sent + 1
    assert refused > 1
    assert again == live
    assert len([each for each in live if each[2] == "over-derating"]) == 3
