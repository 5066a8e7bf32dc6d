"""The mail as others take it apart: the standard library, a reader without pictures, a server."""

import email
import email.policy
import re
import shutil
import struct
from dataclasses import replace
from email.message import EmailMessage
from pathlib import Path

import numpy as np
import pytest

from cabinetwatch.cli.main import main
from cabinetwatch.notify.mail import Envelope
from cabinetwatch.report import charts
from cabinetwatch.report.charts import Drawn, draw_week
from cabinetwatch.report.picture import Picture
from cabinetwatch.report.summary_mail import mail_of
from cabinetwatch.report.summary_week import Week
from cabinetwatch.report.summary_words import summary_of
from cabinetwatch.store.store import Store
from tests.report.test_summary_words import Tags
from tests.support import fortnight as story
from tests.support.empty_store import put_empty_store
from tests.support.fortnight import Fortnight
from tests.support.mail import MailDrop

MESSAGE_ID = "<week-47@under-stairs.example>"
OWNER, FLATMATE = "owner@under-stairs.example", "flatmate@under-stairs.example"
STEM = f"summary-{story.WEEK}"


@pytest.fixture(scope="module")
def drawn(fortnight: Fortnight, week: Week) -> list[Drawn]:
    with Store.open(fortnight.url, read_only=True) as store:
        return draw_week(store, fortnight.config, week)


def written(week: Week, drawn: list[Drawn]) -> bytes:
    sender = "The watch <watch@under-stairs.example>"
    envelope = Envelope(sender, (OWNER, FLATMATE), story.NOW, week.timezone, MESSAGE_ID)
    return mail_of(summary_of(week), drawn, envelope).as_bytes()


@pytest.fixture(scope="module")
def content(week: Week, drawn: list[Drawn]) -> bytes:
    return written(week, drawn)


def parsed(content: bytes) -> EmailMessage:
    return email.message_from_bytes(content, policy=email.policy.default)


def text_part(message: EmailMessage, kind: str) -> str:
    body = message.get_body((kind,))
    assert isinstance(body, EmailMessage)
    return str(body.get_content())


def test_the_standard_library_finds_text_html_and_every_picture_by_its_content_id(
    content: bytes, drawn: list[Drawn]
) -> None:
    message = parsed(content)
    assert message.get_content_type() == "multipart/alternative"
    kinds = [part.get_content_type() for part in message.iter_parts()]
    assert kinds == ["text/plain", "multipart/related"]
    html = text_part(message, "html")
    used = [attributes["src"] for tag, attributes in Tags(html).tags if tag == "img"]
    there = [part for part in message.walk() if part.get_content_maintype() == "image"]
    assert [f"cid:{str(part['Content-ID']).strip('<>')}" for part in there] == used
    # Of the one that changed: its week, and the quarter in which it got warmer.
    assert len(there) == 2
    for part, each in zip(there, drawn, strict=True):
        data = part.get_content()
        assert data == each.png
        assert data.startswith(b"\x89PNG\r\n\x1a\n")
        assert struct.unpack(">II", data[16:24]) == (700, 437)
        assert part.get_content_disposition() == "inline"
    # With all its alternative texts.
    assert len(html.encode()) < 30_000


def test_headers_are_whole_lines_short_and_the_bytes_the_same_for_the_same_week(
    content: bytes, week: Week, drawn: list[Drawn]
) -> None:
    message = parsed(content)
    assert message["Subject"] == (
        "[Weekly summary] AV amplifier: losing its cooling - under-stairs cabinet, week 47"
    )
    assert message["From"] == "The watch <watch@under-stairs.example>"
    assert message["To"] == f"{OWNER}, {FLATMATE}"
    assert message["Message-ID"] == MESSAGE_ID
    assert message["Auto-Submitted"] == "auto-generated"
    assert message["Date"].datetime.isoformat() == "2026-11-23T07:00:00+00:00"
    assert message.defects == []
    # RFC 5322 section 2.1.1.
    assert max(map(len, content.split(b"\r\n"))) <= 78
    assert content.isascii()
    assert written(week, drawn) == content


def test_with_pictures_blocked_their_words_carry_the_figures(
    content: bytes, fortnight: Fortnight
) -> None:
    html = Tags(text_part(parsed(content), "html"))
    (week, quarter) = (str(each["alt"]) for tag, each in html.tags if tag == "img")
    _, temperature = fortnight.truth.of_week("av-amplifier", "temperature_c")
    found = re.search(r"Temperature from ([\d.]+) to ([\d.]+) °C", week)
    assert found is not None
    assert float(found[1]) == pytest.approx(temperature.min(), abs=0.06)
    assert float(found[2]) == pytest.approx(temperature.max(), abs=0.06)
    assert "Threshold 60.0 °C" in week
    assert week.startswith("AV amplifier, week 47. ")
    assert "Rise above the surrounding air from" in quarter


def test_a_short_event_is_drawn_with_as_much_before_and_after_and_no_empty_span(
    week: Week, fortnight: Fortnight, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen: list[Picture] = []

    def drawing(picture: Picture) -> bytes:
        seen.append(picture)
        return b""

    monkeypatch.setattr(charts, "draw_png", drawing)
    began, ended = story.TUESDAY_EVENING, story.TUESDAY_EVENING + 2_400_000
    alarm = replace(week.alarms[-1], subject="nas", state="normal", stood_s=2400.0)
    alarm = replace(alarm, began_utc_ms=began, raised_utc_ms=began, ended_utc_ms=ended)
    learnt = replace(week.devices[0], learnt="Its normal rise was learnt.")
    in_the_cut = replace(week, from_utc_ms=story.CUT_ENDS - 600_000, alarms=[], devices=[learnt])
    with Store.open(fortnight.url, read_only=True) as store:
        event = replace(week, alarms=[alarm], devices=week.devices[:1])
        (drawn,) = draw_week(store, fortnight.config, event)
        draw_week(store, fortnight.config, in_the_cut)
        draw_week(store, fortnight.config, week)
    near, whole, _, quarter = seen
    assert drawn.title == near.title == "NAS, Tue 17 Nov 19:20 to 21:20"
    # To the minute, and not by half hours.
    known = np.isfinite(near.lines[-1].curve.mean).sum()
    assert known == 120
    # Begun in a power cut it begins with what is known, and so does a quarter of a year.
    assert whole.timeline.from_utc_ms == story.CUT_ENDS
    assert quarter.timeline.from_utc_ms == story.FIRST


def test_a_device_without_any_figure_has_no_picture(week: Week, fortnight: Fortnight) -> None:
    ghost = replace(week.devices[0], id="ghost", name="Ghost", learnt="Nothing.")
    with Store.open(fortnight.url, read_only=True) as store:
        assert draw_week(store, fortnight.config, replace(week, devices=[ghost])) == []


def run(path: Path, *arguments: str) -> int:
    return main(["summary", "--config", str(path), *arguments])


def test_the_command_writes_mail_html_text_and_pictures_or_shows_the_text(
    fortnight: Fortnight, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "new" / "folder"
    assert run(fortnight.path, "--week", story.WEEK, "--out", str(folder)) == 0
    told = capsys.readouterr().out.split()
    assert sorted(told) == sorted(str(path) for path in folder.iterdir())
    names = {path.name for path in folder.iterdir()}
    pictures = {f"{STEM}-av-amplifier-{kind}.png" for kind in ("week", "quarter")}
    assert names == {f"{STEM}.eml", f"{STEM}.html", f"{STEM}.txt"} | pictures
    html = Tags((folder / f"{STEM}.html").read_text())
    shown = {str(attributes["src"]) for tag, attributes in html.tags if tag == "img"}
    assert shown == {name for name in names if name.endswith(".png")}
    text = (folder / f"{STEM}.txt").read_text()
    message = parsed((folder / f"{STEM}.eml").read_bytes())
    assert text_part(message, "plain").splitlines() == text.splitlines()
    assert all((path.stat().st_mode & 0o777) == 0o600 for path in folder.iterdir())

    assert run(fortnight.path, "--week", story.WEEK) == 0
    out = capsys.readouterr().out
    assert out.startswith("WEEK 47 AT UNDER-STAIRS CABINET\n")
    assert out.partition("DEVICES")[2][:600] == text.partition("DEVICES")[2][:600]


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (["--week", "2026-W60"], "is no week of ISO 8601; write it like 2026-W47"),
        (["--week", "2190-W01"], "The week 2190-W01 has not begun yet"),
        (["--week", "2020-W01"], "The watch did not run in 2020-W01; its journal has weeks from"),
        (["--week", story.WEEK, "--out", "/proc/nothing"], "the summary can't be written there"),
    ],
)
def test_what_can_not_be_made_is_refused_with_one_sentence(
    arguments: list[str], sentence: str, fortnight: Fortnight, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(fortnight.path, *arguments) == 2
    error = capsys.readouterr().err
    assert sentence in error
    assert error.count("\n") == 1


@pytest.mark.parametrize("arguments", [[], ["--week", "2020-W01"]])
def test_a_store_in_which_no_watch_ever_ran_has_no_week_to_tell_of(
    arguments: list[str], fortnight: Fortnight, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    put_empty_store(f"sqlite:///{tmp_path}/watch.db")
    config = tmp_path / "config.toml"
    config.write_text(fortnight.path.read_text())
    assert run(config, *arguments) == 2
    assert capsys.readouterr().err == (
        "The watch has never run with this store, so there is no week to report;"
        " `cabinetwatch run` starts it\n"
    )


@pytest.fixture
def mailing(fortnight: Fortnight, tmp_path: Path, smtp: MailDrop) -> Path:
    """The configuration of the fortnight in a folder of its own, whose mail goes to `smtp`."""
    shutil.copytree(fortnight.path.parent, tmp_path / "copy")
    path = tmp_path / "copy" / "config.toml"
    path.write_text(path.read_text().replace("port = 2525", f"port = {smtp.port}"))
    return path


def test_send_mails_it_to_those_of_the_table_and_leaves_the_store_alone(
    mailing: Path, smtp: MailDrop, capsys: pytest.CaptureFixture[str]
) -> None:
    for _ in range(2):
        assert run(mailing, "--week", story.WEEK, "--send") == 0
    first, second = smtp.wait_for(2)
    assert first.recipients == [OWNER, FLATMATE]
    assert "week 47" in first.message["Subject"]
    assert first.message["Message-ID"] != second.message["Message-ID"]
    assert f"Sent to {OWNER}, {FLATMATE}" in capsys.readouterr().out
    with Store.open(f"sqlite:///{mailing.with_name('watch.db')}", read_only=True) as store:
        assert "sil00001" in {each.id for each in store.standing()}
        assert (store.summaries(), store.weeks()) == ([], [])


def test_send_tells_in_a_sentence_what_the_server_refuses_or_that_there_is_none(
    mailing: Path, smtp: MailDrop, capsys: pytest.CaptureFixture[str]
) -> None:
    smtp.refuse_recipient(FLATMATE)
    assert run(mailing, "--week", story.WEEK, "--send") == 1
    told = capsys.readouterr()
    assert f"it refuses {FLATMATE} with 550" in told.err
    assert f"Sent to {OWNER}" in told.out
    text = mailing.read_text()
    start, end = text.index("[notify.email]"), text.index("[sensors")
    mailing.write_text(text[:start] + text[end:])
    assert run(mailing, "--send") == 2
    assert f"{mailing}: [notify.email] is missing" in capsys.readouterr().err
