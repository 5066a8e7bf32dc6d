"""Messages that can't be read are seen in `status`, on the page and in the weekly summary."""

import json
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from cabinetwatch.cli.main import main
from cabinetwatch.clock import RatedClock
from cabinetwatch.report.summary_make import WeekMaker
from cabinetwatch.report.summary_week import IsoWeek
from cabinetwatch.report.summary_words import summary_of
from cabinetwatch.store.records import Batch, Unreadable
from cabinetwatch.store.replay import Replayer
from cabinetwatch.store.store import Store
from tests.service.site import HALL, NAS, Site
from tests.service.watching import wait_until, watching
from tests.service.wire import Wire
from tests.support.hand_clock import HandClock

EVIL = "<script>alert(1)</script>\x1b[2J"


def json_status(site: Site, capsys: pytest.CaptureFixture[str]) -> dict[str, dict[str, object]]:
    main(["status", "--config", str(site.path), "--json"])
    sensors: dict[str, dict[str, object]] = json.loads(capsys.readouterr().out)["sensors"]
    return sensors


def wait_stored(site: Site, sensor: str, count: int) -> None:
    """Wait until so many readings of a sensor are stored, and with them what came before."""

    def stored() -> bool:
        with site.store() as store:
            return len(list(store.readings(sensor))) >= count

    wait_until(stored, f"{count} readings of {sensor}")


def counted(site: Site) -> dict[str, int]:
    with site.store() as store:
        return {sensor: each.total for sensor, each in store.unreadable().items()}


def test_they_are_counted_since_the_start_and_in_all_over_restarts(
    site: Site, cabinet: Wire, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with watching(site.config()):
        cabinet.wait_online()
        for payload in ("warm", "warmer", EVIL):
            cabinet.publish(NAS, payload)
        cabinet.publish(HALL, "21")
        wait_stored(site, "hall", 1)
    heard = len(cabinet.messages)
    with watching(site.config()):
        cabinet.wait_online(after=heard)
        cabinet.publish(NAS, EVIL)
        cabinet.publish(HALL, "21")
        wait_stored(site, "hall", 2)
    sensors = json_status(site, capsys)
    main(["status", "--config", str(site.path)])
    said = capsys.readouterr().out
    main(["page", "--config", str(site.path), "--out", str(tmp_path / "page")])
    page = (tmp_path / "page" / "index.html").read_text()

    nas = sensors["nas-air"]["unreadable"]
    assert isinstance(nas, dict)
    assert (nas["since_start"], nas["total"]) == (1, 4)
    assert sensors["hall"]["unreadable"] == {
        "since_start": 0,
        "total": 0,
        "time": None,
        "problem": None,
    }
    assert "nas-air: 1 message could not be read since the start, 4 in all; the last" in said
    assert "alert(1)" in said
    assert "\x1b" not in said
    assert "1 unreadable" in page
    assert "1 since the start, 4 in all; the last:" in page
    assert "&lt;script&gt;alert(1)" in page
    assert "<script>alert" not in page


def test_a_hundred_of_them_are_a_few_rows(
    site: Site, cabinet: Wire, monkeypatch: pytest.MonkeyPatch
) -> None:
    commits: list[Batch] = []
    commit = Store.commit

    def keep_commits(store: Store, batch: Batch) -> None:
        commits.append(batch)
        commit(store, batch)

    monkeypatch.setattr(Store, "commit", keep_commits)
    # A minute of its time, after which counts are handed on, in six seconds of ours.
    with watching(site.config(), RatedClock(10.0, 1_780_000_000_000)):
        cabinet.wait_online()
        for _ in range(100):
            cabinet.publish(NAS, "warm")
        wait_until(lambda: counted(site) == {"nas-air": 100}, "the count in the store")
        rows = [each for batch in commits for each in batch.unreadable]

    assert sum(each.messages for each in rows) == 100
    assert len(rows) < 10


def test_they_are_no_reason_to_write_before_something_else_is() -> None:
    count = Unreadable("nas-air", 1, 2, 3, 4, "nas-air: 'warm' is not a number")
    waiting = Batch()
    waiting.append(Batch(unreadable=[count]))
    assert waiting.unreadable == [count]
    assert waiting.empty
    assert not waiting.urgent


def test_the_weekly_summary_names_them_beside_the_faults_of_the_sensor(
    site: Site, cabinet: Wire
) -> None:
    with watching(site.config()):
        cabinet.wait_online()
        for _ in range(20):
            cabinet.publish(NAS, EVIL)
        cabinet.publish(HALL, "21")
        wait_stored(site, "hall", 1)
    with site.store() as store:
        now_utc_ms = store.heartbeat() or 0
        week = WeekMaker(store, None, now_utc_ms).make(
            IsoWeek.of(now_utc_ms, ZoneInfo(site.config().site.timezone))
        )
    nas = next(sensor for sensor in week.sensors if sensor.id == "nas-air")
    hall = next(sensor for sensor in week.sensors if sensor.id == "hall")

    assert (nas.unreadable, hall.unreadable) == (20, 0)
    shown = {each.heading: each for each in summary_of(week).sections}
    assert "unreliable: nas-air." in shown["Sensors"].notes[0]
    matters = shown["What needs attention"].matters
    assert any("20 messages could not be read" in each.text for each in matters)


def test_a_time_further_back_than_readings_are_kept_is_refused_and_counted(
    site: Site, cabinet: Wire, caplog: pytest.LogCaptureFixture
) -> None:
    site.tables = """
[sensors.nas-air]
topic = "cabinet/nas/temperature"
senml_name = "air"
quantity = "temperature"
"""
    day_s = 86_400
    with watching(site.config()):
        cabinet.wait_online()
        for back_s in (1_780_000_000, 31 * day_s, 29 * day_s, -2 * day_s):
            # Relative to now (RFC 8428, 4.5.3); the first of them is in 1970.
            cabinet.publish(NAS, json.dumps([{"n": "air", "t": -back_s, "v": 21}]))
        wait_stored(site, "nas-air", 2)
    assert counted(site) == {"nas-air": 2}
    with site.store() as store:
        now_ms = store.heartbeat() or 0
        ages = sorted((now_ms - utc_ms) / 1000 for _, utc_ms in store.readings("nas-air"))
    assert len(ages) == 2
    assert ages[0] < day_s  # dated at arrival: its node's clock is ahead
    assert 29 * day_s <= ages[1] < 30 * day_s
    assert "lies further back than single readings are kept (30 days)" in caplog.text


def test_what_came_unreadable_and_too_late_is_told_with_the_silence_and_counted(
    site: Site, cabinet: Wire, capsys: pytest.CaptureFixture[str]
) -> None:
    site.tables = """
[sensors.nas-air]
topic = "cabinet/nas/temperature"
senml_name = "air"
quantity = "temperature"

[sensors.hall]
topic = "house/hall/temperature"
quantity = "temperature"
"""
    clock = HandClock(1_780_000_000_000)
    with watching(site.config(), clock) as daemon:
        cabinet.wait_online()
        engine = daemon._engine_loop._engine
        behind = json.dumps([{"n": "air", "bt": (clock.utc_ms() - 8_000) / 1000, "v": 38}])
        for topic, payload in ((NAS, behind), (HALL, EVIL)):
            cabinet.publish(topic, payload)
        unheard = [engine.model.sensors[name].unheard for name in ("nas-air", "hall")]
        wait_until(lambda: unheard[0].late + unheard[1].unreadable == 2, "the engine to be told")
        clock.let_pass(120)
        cabinet.wait_transition("nas-air", "silent", "unacknowledged")
        cabinet.wait_transition("hall", "silent", "unacknowledged")
    with site.store() as store:
        live = list(store.transitions())
        replayed = list(Replayer().run(item for _, item in store.inputs()))
    late = json_status(site, capsys)["nas-air"]["late"]
    main(["status", "--config", str(site.path)])
    said = capsys.readouterr().out

    assert [each.public() for each in replayed] == [each.public() for each in live]
    texts = {each.subject: each.text for each in live}
    assert "its clock is up to " in texts["nas-air"]
    assert "see lateness_s" in texts["nas-air"]
    assert "1 message came that could not be read: '<script>alert(1)" in texts["hall"]
    assert "\x1b" not in texts["hall"]
    assert isinstance(late, dict)
    assert late["since_start"] == 1
    assert late["greatest_s"] >= 8.0
    assert "nas-air: 1 reading since the start came up to" in said
