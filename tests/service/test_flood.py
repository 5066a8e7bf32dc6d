"""One topic floods: the other sensors' alarms go on, and every message is accounted for."""

from collections import Counter

import pytest

from cabinetwatch.clock import WatchTime
from cabinetwatch.mqtt import backlog as inbox
from cabinetwatch.mqtt import connection
from cabinetwatch.mqtt.link import Incoming
from cabinetwatch.service import engine_loop
from cabinetwatch.store.records import Batch
from cabinetwatch.store.replay import Replayer
from cabinetwatch.text import from_rfc3339
from cabinetwatch.watch.events import Quality
from tests.benchmarks.flooded import TABLES, TOPIC, pack
from tests.service.site import NAS, Site
from tests.service.test_replay import essence
from tests.service.watching import wait_until, watching
from tests.service.wire import Wire
from tests.support.broker import Broker, BrokerFactory
from tests.support.hand_clock import HandClock

PACKS, RECORDS = 25, 200
RAISES = [("55", "unacknowledged"), ("40", "returned"), ("56", "unacknowledged")]


@pytest.fixture
def broker(mosquitto: BrokerFactory) -> Broker:
    """A broker that drops nothing by itself."""
    return mosquitto(config_lines=["max_queued_messages 0"])


def accounted(site: Site) -> tuple[int, int]:
    """How many packs stand in the store, and how many were counted as left out."""
    with site.store() as store:
        readings = sum(1 for _ in store.readings("gateway-air"))
        counts = store.unreadable()
    return readings // RECORDS, counts["gateway-air"].total if counts else 0


def test_what_a_flood_loses_is_counted_and_no_alarm_is_lost_or_replayed_otherwise(
    site: Site, cabinet: Wire, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(inbox, "MOST_BYTES", 20_000)
    # However fast the machine judges: who has had to wait at all is pressed.
    monkeypatch.setattr(inbox, "PRESSED_S", 0.0)
    monkeypatch.setattr(connection, "_MOST_READ_BYTES", 10_000)
    monkeypatch.setattr(engine_loop, "COUNT_EVERY_MS", 100)
    site.tables, site.flush_s = TABLES, 1.0
    with watching(site.config()) as daemon:
        cabinet.wait_online()
        for value, state in RAISES:
            for _ in range(PACKS):
                cabinet.send(TOPIC, pack(RECORDS))
            heard = len(cabinet.messages)
            cabinet.publish(NAS, value)
            cabinet.wait_transition("nas", "over-derating", state, after=heard)
        sent = PACKS * len(RAISES)
        wait_until(lambda: sum(accounted(site)) == sent, "every message")
        assert daemon.connected

    with site.store() as store:
        live = [essence(each) for each in store.transitions()]
        again = [essence(each) for each in Replayer().run(item for _, item in store.inputs())]
    judged, refused = accounted(site)
    assert judged > 0
    assert refused > 0
    assert caplog.text.count("more arrives than can be judged") == 1
    assert again == live
    assert len([each for each in live if each[2] == "over-derating"]) == 3


def test_of_a_flood_with_times_of_its_own_no_more_wait_to_be_judged_than_memory_is_meant_for(
    site: Site, cabinet: Wire, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(engine_loop, "MOST_WAITING", 50)
    site.tables, site.flush_s = TABLES, 1.0
    with watching(site.config()):
        cabinet.wait_online()
        for _ in range(3):
            cabinet.send(TOPIC, pack(RECORDS))
        wait_until(lambda: accounted(site)[0] == 3, "every reading to be kept")
        cabinet.publish(NAS, "55")
        cabinet.wait_transition("nas", "over-derating", "unacknowledged")

    with site.store() as store:
        qualities = Counter(reading.quality for reading, _ in store.readings("gateway-air"))
    # 50 within each five seconds, on however busy a machine; the first of each pack has no time.
    assert qualities[Quality.LATE] >= 3 * (RECORDS - 1 - 50)
    assert 0 < qualities[Quality.TIMED] == 3 * (RECORDS - 1) - qualities[Quality.LATE]
    assert (
        "more than 50 readings within 5\N{NO-BREAK SPACE}s; the rest is not judged" in caplog.text
    )


def test_a_sensor_that_has_flooded_is_judged_again_five_seconds_later(
    site: Site, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(engine_loop, "MOST_WAITING", 50)
    site.tables = TABLES
    began_t = from_rfc3339("2026-07-01T10:00:00Z")
    ingest = engine_loop.Ingest(site.config(), WatchTime(HandClock(began_t)), [], {})

    def judged(after_s: int) -> int:
        t = began_t + 1000 * after_s
        pressed = Incoming(1, 0, TOPIC, pack(RECORDS), 0, False, False, t, False)
        readings = ingest.receive(pressed, Batch())
        return sum(each.quality is Quality.TIMED for each in readings)

    assert [judged(after_s) for after_s in (0, 1, 5, 6, 60)] == [50, 0, 50, 0, 50]
