"""A week that was frozen gives the same figures for ever; a mail of it can be sent at will."""

import shutil
from dataclasses import replace
from pathlib import Path

import pytest
from sqlalchemy import delete

from cabinetwatch.cli.main import main
from cabinetwatch.report.summary_make import WeekMaker
from cabinetwatch.report.summary_week import IsoWeek, Week
from cabinetwatch.store import schema
from cabinetwatch.store.codecs import DAY_MS
from cabinetwatch.store.records import Batch, ClosedWeek
from cabinetwatch.store.store import Store
from tests.support import fortnight as story
from tests.support.fortnight import Fortnight
from tests.support.mail import MailDrop

W47 = IsoWeek.parse(story.WEEK)
LATER = story.NOW + 200 * DAY_MS


@pytest.fixture
def copy(fortnight: Fortnight, tmp_path: Path, smtp: MailDrop) -> Fortnight:
    """The fortnight in a folder of its own, whose mail goes to `smtp`."""
    shutil.copytree(fortnight.path.parent, tmp_path / "copy")
    path = tmp_path / "copy" / "config.toml"
    path.write_text(path.read_text().replace("port = 2525", f"port = {smtp.port}"))
    return replace(fortnight, path=path)


def url(copy: Fortnight) -> str:
    return f"sqlite:///{copy.path.with_name('watch.db')}"


def test_a_frozen_week_is_given_as_it_was_whatever_the_store_holds_now(
    copy: Fortnight, week: Week
) -> None:
    with Store.open(url(copy)) as store:
        store.commit(Batch(story.NOW, 0, weeks=[ClosedWeek(W47.name, 1, week.as_json())]))
        with store._database.writing() as connection:
            connection.execute(delete(schema.minute_block))
            connection.execute(delete(schema.quarter_block))
            connection.execute(delete(schema.transition))
    with Store.open(url(copy), read_only=True) as store:
        maker = WeekMaker(store, None, LATER)
        assert maker.frozen_or_made(W47) == week
        assert maker.make(W47) != week
        assert store.weeks() == [W47.name]


def test_nothing_writes_over_a_frozen_week(copy: Fortnight, week: Week) -> None:
    with Store.open(url(copy)) as store:
        for utc_ms, site in ((1, "first"), (2, "second")):
            figures = replace(week, site=site).as_json()
            store.commit(Batch(story.NOW, 0, weeks=[ClosedWeek(W47.name, utc_ms, figures)]))
        frozen = store.week(W47.name)
    assert frozen is not None
    assert (frozen.utc_ms, frozen.figures["site"]) == (1, "first")


def test_a_week_made_again_while_its_minutes_are_there_has_the_same_figures(
    copy: Fortnight, week: Week
) -> None:
    with Store.open(url(copy), read_only=True) as store:
        again = WeekMaker(store, None, LATER).make(W47)
    # What is true of the present only is not known any more.
    watch = replace(
        week.watch, store_bytes=None, free_bytes=None, growth_bytes_per_day=None, days_left=None
    )
    devices = [replace(device, drift=None) for device in week.devices]
    assert again == replace(week, made_utc_ms=LATER, watch=watch, devices=devices)


def test_where_the_minutes_are_gone_percentiles_are_of_quarters_and_say_so(
    copy: Fortnight, week: Week
) -> None:
    with (
        Store.open(url(copy)) as store,
        store._database.writing() as connection,
    ):
        connection.execute(delete(schema.minute_block))
    with Store.open(url(copy), read_only=True) as store:
        coarse = WeekMaker(store, None, LATER).make(W47)
    assert not coarse.minutes
    for fine, found in zip(week.devices, coarse.devices, strict=True):
        assert fine.temperature is not None
        assert found.temperature is not None
        assert found.temperature.mean == pytest.approx(fine.temperature.mean, abs=0.05)
        assert found.temperature.highest == fine.temperature.highest
    assert [each.readings for each in coarse.sensors] == [each.readings for each in week.sensors]


def test_the_present_week_is_told_so_far(copy: Fortnight) -> None:
    with Store.open(url(copy), read_only=True) as store:
        maker = WeekMaker(store, None, story.NOW)
        running = maker.make(W47.after())
    assert not running.is_over
    assert running.watch.uptime == pytest.approx(1.0)
    assert running.devices[0].temperature is not None


def test_send_mails_it_to_those_of_the_table_and_leaves_the_store_alone(
    copy: Fortnight, smtp: MailDrop, capsys: pytest.CaptureFixture[str]
) -> None:
    arguments = ["summary", "--config", str(copy.path), "--week", story.WEEK, "--send"]
    assert main(arguments) == 0
    (mail,) = smtp.wait_for(1)
    assert mail.recipients == ["owner@under-stairs.example", "flatmate@under-stairs.example"]
    assert "week 47" in mail.message["Subject"]
    assert "Sent to owner@under-stairs.example, flatmate@" in capsys.readouterr().out
    with Store.open(url(copy), read_only=True) as store:
        assert "sil00001" in {each.id for each in store.standing()}
        assert store.summaries() == []
        assert store.weeks() == []
    assert main(arguments) == 0
    first, second = smtp.wait_for(2)
    assert first.message["Message-ID"] != second.message["Message-ID"]


def test_send_tells_in_a_sentence_what_the_server_refuses(
    copy: Fortnight, smtp: MailDrop, capsys: pytest.CaptureFixture[str]
) -> None:
    smtp.refuse_recipient("flatmate@under-stairs.example")
    arguments = ["summary", "--config", str(copy.path), "--week", story.WEEK, "--send"]
    assert main(arguments) == 1
    told = capsys.readouterr()
    assert "it refuses flatmate@under-stairs.example with 550" in told.err
    assert "Sent to owner@under-stairs.example" in told.out


def test_send_needs_a_mail_server_in_the_configuration(
    copy: Fortnight, capsys: pytest.CaptureFixture[str]
) -> None:
    text = copy.path.read_text()
    start, end = text.index("[notify.email]"), text.index("[sensors")
    copy.path.write_text(text[:start] + text[end:])
    assert main(["summary", "--config", str(copy.path), "--send"]) == 2
    assert f"{copy.path}: [notify.email] is missing" in capsys.readouterr().err
