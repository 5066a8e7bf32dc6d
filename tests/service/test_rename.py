"""A sensor that is given another ID keeps its past, in a real watch: alarms, readings, topics."""

import csv
import io
import json
import logging
import signal

import pytest

from cabinetwatch.cli.main import main
from cabinetwatch.store.replay import Replayer, warm_engine
from cabinetwatch.store.store import Store
from cabinetwatch.watch.events import EntryKind, Transition
from tests.service.site import CABINET, NAS, Site
from tests.service.watching import running, wait_until, watching
from tests.service.wire import Wire, retained
from tests.support.broker import Broker
from tests.support.mail import MailDrop

LIMIT = """
[alarms.high]
hold_h = 0
on_delay_s = 0
off_delay_s = 0
"""
BEFORE = CABINET.replace("[sensors.nas-air]", "[sensors.nas-air]\nhigh = 48.0") + LIMIT
# It sorts before all the others, so that nothing can hang on the order of IDs.
AFTER = BEFORE.replace("nas-air", "a-nas").replace(
    "[sensors.a-nas]", '[sensors.a-nas]\nrenamed_from = "nas-air"'
)
OLD_TOPIC, NEW_TOPIC = "cabinetwatch/alarm/nas-air/high", "cabinetwatch/alarm/a-nas/high"


def essence(transition: Transition) -> tuple[object, ...]:
    """What a replay must give again."""
    told = transition.public()
    return told["time"], told["subject"], told["condition"], told["state"], told["id"], told["text"]


def renamed(store: Store) -> list[tuple[str, str]]:
    return [(each.old, each.new) for each in store.renames()]


def assert_replays(site: Site) -> None:
    """A replay of all, and a warm start from it, give what was lived through."""
    with site.store() as store:
        live = [essence(each) for each in store.transitions()]
        replayer = Replayer(renames=store.renames())
        replayed = [essence(each) for each in replayer.run(item for _, item in store.inputs())]
        warm, last_t = warm_engine(store), store.last_t()
    assert replayed == live
    assert warm is not None
    assert replayer.engine is not None
    assert last_t is not None
    replayer.engine.advance(last_t)
    assert warm.save() == replayer.engine.save()


def test_an_alarm_that_stands_goes_on_under_the_new_id(
    site: Site,
    cabinet: Wire,
    smtp: MailDrop,
    broker: Broker,
    capsys: pytest.CaptureFixture[str],
    caplog: pytest.LogCaptureFixture,
) -> None:
    caplog.set_level(logging.INFO)
    site.tables = BEFORE
    with watching(site.config()):
        cabinet.wait_online()
        cabinet.publish(NAS, "55")
        raised = cabinet.wait_transition("nas-air", "high", "unacknowledged")
        # That of the sensor and that of its device have one cause.
        smtp.wait_for(1)
    assert OLD_TOPIC in retained(broker.port)

    site.tables = AFTER
    heard = cabinet.mark()
    with watching(site.config()):
        cabinet.wait_online(after=heard)
        again = cabinet.wait_transition("a-nas", "high", "unacknowledged", after=heard)
        wait_until(lambda: OLD_TOPIC not in retained(broker.port), "the old topic to be cleared")
        assert retained(broker.port)[NEW_TOPIC].data == raised | {"subject": "a-nas"} == again
        assert main(["status", "--json", "--config", str(site.path)]) == 1
        # What comes right after a reconnect is not judged.
        returned = cabinet.publish_until(NAS, "40", "a-nas", "high", "returned", after=heard)
        smtp.wait_for(2)
    assert "sensor nas-air was renamed to a-nas" in caplog.text
    assert returned["id"] == raised["id"]
    assert len(smtp.messages) == 2
    status = json.loads(capsys.readouterr().out)
    assert set(status["sensors"]) == {"hall", "a-nas"}
    assert {each["subject"] for each in status["alarms"]} == {"nas", "a-nas"}

    with watching(site.config()):
        # The key stays, and does nothing any more.
        cabinet.wait_online(after=cabinet.mark())
    with site.store() as store:
        assert renamed(store) == [("nas-air", "a-nas")]
        assert {each.subject for each in store.transitions()} == {"nas", "a-nas"}
        values = [each.value for each, _ in store.readings("a-nas")]
        assert values == [55.0, *[40.0] * (len(values) - 1)]
        assert store.sensors() == ["a-nas"]
    assert_replays(site)

    assert main(["export", "--sensor", "a-nas", "--config", str(site.path)]) == 0
    rows = list(csv.DictReader(io.StringIO(capsys.readouterr().out)))
    assert {row["sensor"] for row in rows} == {"a-nas"}
    assert [float(row["value"]) for row in rows] == values
    assert main(["replay", "--config", str(site.path)]) == 0
    lines = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert {each["subject"] for each in lines} == {"nas", "a-nas"}
    # A setting is tried on the time before as well.
    trial = ["replay", "--set", "sensors.a-nas.high=70", "--config", str(site.path)]
    assert main(trial) == 0
    lines = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert {each["subject"] for each in lines} == {"nas"}


def test_a_chain_of_renames_while_the_watch_runs(site: Site, cabinet: Wire) -> None:
    site.tables = BEFORE
    with running(site.write()) as watch:
        cabinet.wait_online()
        cabinet.publish(NAS, "55")
        raised = cabinet.wait_transition("nas-air", "high", "unacknowledged")
        old = "nas-air"
        for new in ("nas-outlet", "a-nas"):
            heard = cabinet.mark()
            site.tables = BEFORE.replace("nas-air", new).replace(
                f"[sensors.{new}]", f'[sensors.{new}]\nrenamed_from = "{old}"'
            )
            site.write()
            watch.send(signal.SIGHUP)
            again = cabinet.wait_transition(new, "high", "unacknowledged", after=heard)
            assert again["id"] == raised["id"]
            old = new
        # What comes within moments of a reconnect may be called backlog.
        cabinet.publish_until(NAS, "40", "a-nas", "high", "returned")
        assert watch.stop() == 0

    with site.store() as store:
        assert renamed(store) == [("nas-air", "nas-outlet"), ("nas-outlet", "a-nas")]
        values = [each.value for each, _ in store.readings("a-nas")]
        assert values == [55.0, *[40.0] * (len(values) - 1)]
        (config, *_) = [each.data["config"] for _, each in store.entries(EntryKind.CONFIG)]
        assert config["devices"]["nas"]["temperature"] == "a-nas"
    assert_replays(site)


def test_a_key_that_came_a_start_late_still_brings_the_past(site: Site, cabinet: Wire) -> None:
    site.tables = BEFORE
    for tables, value in (
        (BEFORE, "41"),
        (BEFORE.replace("nas-air", "a-nas"), "42"),
        (AFTER, "43"),
    ):
        site.tables = tables
        heard = cabinet.mark()
        with watching(site.config()):
            cabinet.wait_online(after=heard)
            cabinet.publish(NAS, value)
            _wait_stored(site, float(value))
    with site.store() as store:
        assert [each.value for each, _ in store.readings("a-nas")] == [41.0, 42.0, 43.0]
    assert_replays(site)


def test_what_cannot_be_renamed_is_said_and_nothing_is_done(
    site: Site, cabinet: Wire, capsys: pytest.CaptureFixture[str], caplog: pytest.LogCaptureFixture
) -> None:
    site.tables = CABINET.replace("[sensors.nas-air]", '[sensors.nas-air]\nrenamed_from = "nobody"')
    main(["check", "--config", str(site.write())])
    said = (
        'Warning: [sensors.nas-air] renamed_from = "nobody": nothing is known of a sensor nobody;'
        " correct the ID, or leave the key out."
    )
    assert said in capsys.readouterr().out.replace("\n", " ")
    with watching(site.config()):
        cabinet.wait_online()
    assert "nothing is known of a sensor nobody" in caplog.text
    with site.store() as store:
        assert renamed(store) == []


def _wait_stored(site: Site, value: float) -> None:
    wait_until(lambda: _last(site) == value, f"{value} to be stored")


def _last(site: Site) -> float | None:
    with site.store() as store:
        values = [each.value for each, _ in store.readings()]
    return values[-1] if values else None
