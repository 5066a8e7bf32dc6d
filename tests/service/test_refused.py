"""What the watch can't judge, or not even read, ends nothing: set aside, acknowledged, told."""

import json
import sqlite3
import threading
import zlib
from contextlib import closing

from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from cabinetwatch.service.startup import client_id_last
from cabinetwatch.watch.events import EntryKind
from tests.service.site import HALL, NAS, Site
from tests.service.variants import STUMBLES_AT, STUMBLES_OVER
from tests.service.watching import running, wait_until, watching
from tests.service.wire import Wire
from tests.support.leaving import leave
from tests.support.patience import WITHIN_S

AT_ONCE = "\n[alarms.input-refused]\non_delay_s = 0\n"
VARIANTS = "tests.service.variants"


def test_a_message_at_which_judging_raises_is_acknowledged_told_and_never_comes_again(
    site: Site, cabinet: Wire
) -> None:
    site.tables += AT_ONCE
    with running(site.write(), "stumbles", module=VARIANTS) as watch:
        cabinet.wait_online()
        cabinet.publish(HALL, "22")
        cabinet.publish(NAS, "41")
        cabinet.publish(NAS, f" {STUMBLES_AT} ")
        told = cabinet.wait_transition("site", "input-refused", "unacknowledged")
        cabinet.heat_nas()
        assert watch.running
        assert watch.stop() == 0
    heard = len(cabinet.messages)
    with running(site.path, "stumbles", module=VARIANTS) as again:
        cabinet.wait_online(after=heard)
        cabinet.publish_until(NAS, "40", "nas", "over-derating", "returned", after=heard)
        assert again.stop() == 0

    assert told["text"].startswith(
        f"1 message of nas-air (topic {NAS}) could not be judged and was set aside; the last said"
        f" {STUMBLES_AT}."
    )
    assert told["priority"] == "medium"
    with site.store() as store:
        values = [reading.value for reading, _ in store.readings("nas-air")]
        refused = store.unreadable()["nas-air"]
    assert values[:3] == [41.0, STUMBLES_AT, 55.0]
    assert set(values[3:]) == {40.0}
    assert refused.total == 1
    assert refused.problem == (
        f"can't be judged (ZeroDivisionError: float division by zero):  {STUMBLES_AT} "
    )
    assert watch.log.count("it can't be judged") == 1
    assert "Traceback" not in watch.log
    assert left_for_the_watch(site, cabinet) == [b"marker"]


def left_for_the_watch(site: Site, cabinet: Wire) -> list[bytes]:
    """Take up the session of the watch in its place; give what the broker still had for it."""
    config = site.config()
    mqtt = config.mqtt
    came: list[bytes] = []
    marked = threading.Event()

    def take(_client: Client, _userdata: object, message: MQTTMessage) -> None:
        came.append(bytes(message.payload))
        if message.payload == b"marker":
            marked.set()

    client = Client(
        CallbackAPIVersion.VERSION2,
        client_id=client_id_last(mqtt, config.store_path()),
        clean_session=False,
        protocol=MQTTProtocolVersion.MQTTv311,
    )
    client.on_message = take
    cabinet.publish(NAS, "marker")
    client.connect(mqtt.host, mqtt.port)
    client.loop_start()
    assert marked.wait(WITHIN_S)
    leave(client)
    return came


def test_a_message_at_which_reading_it_raises_is_told_with_its_topic_and_its_bytes(
    site: Site, cabinet: Wire
) -> None:
    site.tables += AT_ONCE
    with running(site.write(), "stumbles", module=VARIANTS) as watch:
        cabinet.wait_online()
        for _ in range(50):
            cabinet.publish(NAS, STUMBLES_OVER)
        told = cabinet.wait_transition("site", "input-refused", "unacknowledged")
        cabinet.heat_nas()
        assert watch.stop() == 0

    assert f"of {NAS} could not be judged" in told["text"]
    assert r"the last said \xff stumble \n over this." in told["text"]
    with site.store() as store:
        entries = [entry.data for _, entry in store.entries(EntryKind.REFUSED)]
    # However many come: a row in a minute, and one at the end.
    assert len(entries) <= 4
    assert sum(each["messages"] for each in entries) == 50
    assert left_for_the_watch(site, cabinet) == [b"marker"]


def test_a_saved_state_that_is_damaged_is_done_without_and_told(site: Site, cabinet: Wire) -> None:
    site.tables += AT_ONCE
    with watching(site.config()):
        cabinet.wait_online()
        cabinet.publish(HALL, "22")
        standing = cabinet.heat_nas()
    junk = [b"junk", zlib.compress(b"[]"), zlib.compress(b'{"engine": {"version": 7}}')]
    for number, packed in enumerate(junk):
        spoil(site, "UPDATE saved_state SET data = ?", zlib.compress(packed))
        heard = len(cabinet.messages)
        with watching(site.config()) as daemon:
            cabinet.wait_online(after=heard)
            alarms = daemon._engine_loop._engine.alarms
            assert alarms["nas/over-derating"].id == standing["id"]
            if number == 0:
                told = cabinet.wait_transition("site", "input-refused", "unacknowledged")
            assert alarms["nas/over-derating"].state == "unacknowledged"
    assert told["text"].startswith("1 message of the saved state could not be judged")


def test_rows_that_another_hand_has_put_into_journal_and_commands_end_nothing(
    site: Site, cabinet: Wire
) -> None:
    with watching(site.config()):
        cabinet.wait_online()
        cabinet.heat_nas()
    with site.store() as store:
        seq, t = store.last_seq(), store.last_t()
    rows = [("telepathy", "{}"), ("store", "{broken"), ("offset", "[]"), ("command", "7")]
    for number, (kind, data) in enumerate(rows, seq + 1):
        spoil(site, "INSERT INTO journal (seq, t_ms, kind, data) VALUES (?, ?, ?, ?)",
              number, t, kind, data)  # fmt: skip
    commands = ["[]", "null", "{broken", '"ack"', '{"command": ["ack"]}', '{"command": {}}']
    for text in commands:
        spoil(site, "INSERT INTO command (utc_ms, command) VALUES (0, ?)", text)
    heard = len(cabinet.messages)
    with watching(site.config()):
        cabinet.wait_online(after=heard)
        wait_until(lambda: len(answers(site)) == len(commands), "answers")
        cabinet.publish_until(NAS, "40", "nas", "over-derating", "returned", after=heard)
    assert [each["ok"] for each in answers(site)] == [False] * len(commands)


def answers(site: Site) -> list[dict[str, object]]:
    """Give what became of the commands that are done with."""
    with closing(sqlite3.connect(site.folder / "watch.db")) as connection:
        rows = connection.execute("SELECT result FROM command WHERE result IS NOT NULL")
        return [json.loads(text) for (text,) in rows]


def spoil(site: Site, statement: str, *values: object) -> None:
    """Write into the store past everything that guards it."""
    with closing(sqlite3.connect(site.folder / "watch.db")) as connection, connection:
        connection.execute(statement, values)
