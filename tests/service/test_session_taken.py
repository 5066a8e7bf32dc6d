"""Two watches under one client ID each say so at once; without one, each watch has its own."""

import logging
import re
from pathlib import Path

import pytest

from cabinetwatch.cli.main import main
from cabinetwatch.config.model import Config
from cabinetwatch.config.services import Mqtt
from cabinetwatch.service.startup import client_id_last, client_id_of, client_id_without
from cabinetwatch.store.replay import take_snapshot
from cabinetwatch.watch.conditions import load_config
from tests.service.site import HALL, Site
from tests.service.watching import wait_until, watching
from tests.service.wire import Wire
from tests.support.broker import Broker
from tests.support.empty_store import put_empty_store
from tests.support.hand_clock import HandClock
from tests.support.mail import MailDrop

UTC_MS = 1_780_000_000_000
MADE_UP = re.compile("cabinetwatch[0-9a-z]{11}")


def config_of(site: Site, name: str, mqtt: str = "") -> Config:
    """Give the configuration of a watch in a folder of its own beside the site's."""
    own = Site(site.folder / name, site.mqtt_port, site.mail_port)
    path = own.write()
    if not (own.folder / "watch.db").exists():
        put_empty_store(own.url)
    text = path.read_text().replace("[mqtt]", f"[mqtt]\n{mqtt}")
    path.write_text(text.replace("under-stairs cabinet", name))
    return load_config(path)


def is_taken(site: Site, name: str) -> bool:
    with Site(site.folder / name, site.mqtt_port).store() as store:
        return any(each.condition == "session-taken" for each in store.standing())


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_two_watches_with_one_client_id_each_tell_it_at_once_and_one_alone_is_well_again(
    protocol: str,
    site: Site,
    broker: Broker,
    cabinet: Wire,
    smtp: MailDrop,
    caplog: pytest.LogCaptureFixture,
) -> None:
    """Mosquitto 2.0.11 closes the older connection without a word, also in MQTT 5."""
    caplog.set_level(logging.WARNING)
    mqtt = f'protocol = "{protocol}"\nclient_id = "under-stairs"'
    first, second = (config_of(site, name, mqtt) for name in ("first", "second"))
    clock = HandClock(UTC_MS)
    with watching(first, clock):
        cabinet.wait_online()
        with watching(second):
            wait_until(lambda: is_taken(site, "first"), "the first to tell it")
            wait_until(lambda: is_taken(site, "second"), "the second to tell it")
            cabinet.wait_for(lambda each: each.topic.endswith("/watch") and taken(each.data), "it")
            smtp.wait_for(2)
        with Site(site.folder / "first", site.mqtt_port).store() as store:
            snapshot = take_snapshot(store, first, clock)
        assert snapshot.session_taken
        assert not snapshot.is_well
        clock.let_pass(301)
        wait_until(lambda: not is_taken_now(site, first, clock), "the first one to be alone")
    subjects = {str(mail.message["subject"]) for mail in smtp.messages[:2]}
    assert subjects == {
        f"[High] The watch is sharing its client ID with another client - {name}"
        for name in ("first", "second")
    }
    # Mosquitto 2.0.21 says by MQTT 5 why it closes a connection, which leaves no doubt.
    words = "Another client (seems to use|uses) the watch's client ID under-stairs"
    assert re.search(words, caplog.text)
    assert "Stop the second watch, or give each client of the broker its own" in caplog.text


def taken(data: dict[str, object]) -> bool:
    return data.get("session_taken") is True


def is_taken_now(site: Site, config: Config, clock: HandClock) -> bool:
    with Site(site.folder / "first", site.mqtt_port).store() as store:
        return take_snapshot(store, config, clock).session_taken


def test_two_watches_with_the_default_have_two_ids_that_last(
    site: Site, broker: Broker, cabinet: Wire
) -> None:
    first, second = (config_of(site, name) for name in ("first", "second"))
    with watching(first) as one, watching(second) as other:
        wait_until(lambda: one._session.subscribed and other._session.subscribed, "both")
        ids = one.client_id, other.client_id
    assert len(set(ids)) == 2
    assert all(MADE_UP.fullmatch(each) for each in ids), ids
    assert "already connected" not in broker.log
    kept = first.store_path().with_name("watch.db.client-id")
    assert kept.stat().st_mode & 0o777 == 0o600
    with watching(first) as again:
        assert again.client_id == ids[0]


def test_a_watch_that_ran_under_the_old_default_goes_on_with_the_session_kept_for_it(
    site: Site, broker: Broker, cabinet: Wire
) -> None:
    before = config_of(site, "old", 'client_id = "cabinetwatch"')
    with watching(before) as daemon:
        wait_until(lambda: daemon._session.subscribed, "the subscription")
    # Before, nothing was kept beside the store.
    before.store_path().with_name("watch.db.client-id").unlink()
    cabinet.publish(HALL, "21.5")
    with watching(config_of(site, "old")) as daemon:
        assert daemon.client_id == "cabinetwatch"
        sensors = daemon._engine_loop._engine.model.sensors
        wait_until(lambda: sensors["hall"].value == 21.5, "what the broker has kept")


def test_the_configured_id_counts_and_what_is_kept_outlives_the_store(tmp_path: Path) -> None:
    store = tmp_path / "watch.db"
    assert client_id_of(Mqtt(client_id="cellar"), store, has_run=False) == "cellar"
    own = client_id_of(Mqtt(), store, has_run=True)
    assert MADE_UP.fullmatch(own)
    assert client_id_of(Mqtt(), store, has_run=False) == own
    assert client_id_without(Mqtt(), store) == client_id_last(Mqtt(), store) == own


def test_a_restored_store_brings_its_client_id_along(site: Site, broker: Broker) -> None:
    config = config_of(site, "old")
    with watching(config) as daemon:
        wait_until(lambda: daemon._session.subscribed, "the subscription")
    copy = site.folder / "copy.db"
    assert main(["backup", str(copy), "--config", str(config.file)]) == 0
    for file in config.store_path().parent.glob("watch.db*"):
        file.unlink()
    assert main(["restore", str(copy), "--config", str(config.file)]) == 0
    with watching(config) as again:
        assert again.client_id == daemon.client_id


@pytest.mark.parametrize("content", [b"", b"two words\n", b"\xff\x00", b"x" * 5000])
def test_a_kept_id_that_is_none_is_made_up_anew(content: bytes, tmp_path: Path) -> None:
    store = tmp_path / "watch.db"
    (tmp_path / "watch.db.client-id").write_bytes(content)
    made = client_id_of(Mqtt(), store, has_run=False)
    assert MADE_UP.fullmatch(made)
    assert client_id_of(Mqtt(), store, has_run=False) == made


def test_an_id_that_cannot_be_kept_is_logged_and_serves_all_the_same(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    (tmp_path / "watch.db.client-id").mkdir()
    made = client_id_of(Mqtt(), tmp_path / "watch.db", has_run=False)
    assert MADE_UP.fullmatch(made)
    assert "the client ID can't be kept" in caplog.text
