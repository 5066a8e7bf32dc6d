"""The mail as others take it apart: the standard library, a reader without pictures, a server."""

import email
import email.policy
import re
import struct
from dataclasses import replace
from email.message import EmailMessage
from pathlib import Path

import pytest

from cabinetwatch.cli.main import main
from cabinetwatch.config.model import Config
from cabinetwatch.notify.mail import Envelope
from cabinetwatch.report.charts import Drawn, draw_week
from cabinetwatch.report.summary_content import summary_of
from cabinetwatch.report.summary_mail import mail_of
from cabinetwatch.report.summary_week import Week
from cabinetwatch.store.migrate import migrate
from cabinetwatch.store.store import Store
from tests.summary.test_words import Tags
from tests.support import fortnight as story
from tests.support.fortnight import Fortnight

MESSAGE_ID = "<week-47@under-stairs.example>"
PNG = b"\x89PNG\r\n\x1a\n"


@pytest.fixture(scope="module")
def drawn(fortnight: Fortnight, week: Week) -> list[Drawn]:
    with Store.open(fortnight.url, read_only=True) as store:
        return draw_week(store, fortnight.config, week)


@pytest.fixture(scope="module")
def content(week: Week, drawn: list[Drawn], fortnight: Fortnight) -> bytes:
    return written(week, drawn, fortnight.config)


def written(week: Week, drawn: list[Drawn], config: Config) -> bytes:
    assert config.notify.email is not None
    assert config.summary is not None
    assert config.summary.to is not None
    envelope = Envelope(
        config.notify.email.from_, config.summary.to, story.NOW, week.timezone, MESSAGE_ID
    )
    return mail_of(summary_of(week), drawn, envelope).as_bytes()


def parsed(content: bytes) -> EmailMessage:
    return email.message_from_bytes(content, policy=email.policy.default)


def text_part(message: EmailMessage, kind: str) -> str:
    body = message.get_body((kind,))
    assert isinstance(body, EmailMessage)
    return str(body.get_content())


def pictures(message: EmailMessage) -> dict[str, EmailMessage]:
    """The pictures by content id, without their angle brackets."""
    return {
        str(part["Content-ID"]).strip("<>"): part
        for part in message.walk()
        if isinstance(part, EmailMessage) and part.get_content_maintype() == "image"
    }


def test_the_standard_library_finds_text_html_and_every_picture_by_its_content_id(
    content: bytes, drawn: list[Drawn]
) -> None:
    message = parsed(content)
    assert message.get_content_type() == "multipart/alternative"
    kinds = [part.get_content_type() for part in message.iter_parts()]
    assert kinds == ["text/plain", "multipart/related"]
    html = Tags(text_part(message, "html"))
    used = [attributes["src"] for tag, attributes in html.tags if tag == "img"]
    there = pictures(message)
    assert [f"cid:{cid}" for cid in there] == used
    assert len(there) == len(drawn) == 8
    for part, each in zip(there.values(), drawn, strict=True):
        data = part.get_content()
        assert data == each.png
        assert data.startswith(PNG)
        width, height = struct.unpack(">II", data[16:24])
        assert (width, height) == (700, 437)
        assert part.get_content_disposition() == "inline"


def test_headers_are_whole_and_lines_short(content: bytes) -> None:
    message = parsed(content)
    assert message["Subject"] == (
        "[Weekly summary] Not well: AV amplifier losing its cooling - under-stairs cabinet, week 47"
    )
    assert message["From"] == "The watch <watch@under-stairs.example>"
    assert message["To"] == "owner@under-stairs.example, flatmate@under-stairs.example"
    assert message["Message-ID"] == MESSAGE_ID
    assert message["Auto-Submitted"] == "auto-generated"
    assert message["Date"].datetime.isoformat() == "2026-11-23T07:00:00+00:00"
    assert message.defects == []
    # RFC 5322 section 2.1.1.
    assert max(map(len, content.split(b"\r\n"))) <= 78
    assert content.isascii()


def test_the_same_week_gives_the_same_mail_byte_for_byte(
    content: bytes, week: Week, drawn: list[Drawn], fortnight: Fortnight
) -> None:
    assert written(week, drawn, fortnight.config) == content


def test_with_pictures_blocked_their_words_carry_the_figures(
    content: bytes, fortnight: Fortnight
) -> None:
    html = Tags(text_part(parsed(content), "html"))
    alts = [str(attributes["alt"]) for tag, attributes in html.tags if tag == "img"]
    for gear, alt in zip(story.GEAR, alts[::2], strict=True):
        _, temperature = fortnight.truth.of_week(gear.id, "temperature_c")
        found = re.search(r"Temperature from ([\d.]+) to ([\d.]+) °C", alt)
        assert found is not None
        assert float(found[1]) == pytest.approx(temperature.min(), abs=0.06)
        assert float(found[2]) == pytest.approx(temperature.max(), abs=0.06)
        assert f"Threshold {gear.threshold_c:.1f} °C" in alt
    assert all("Rise above ambient from" in alt for alt in alts[1::2])
    assert alts[0].startswith("NAS, week 47. ")


def test_the_html_in_the_mail_is_small_with_all_its_alternative_texts(content: bytes) -> None:
    assert len(text_part(parsed(content), "html").encode()) < 60_000


def test_a_device_without_any_figure_has_no_picture(week: Week, fortnight: Fortnight) -> None:
    ghost = replace(week.devices[0], id="ghost", name="Ghost")
    with Store.open(fortnight.url, read_only=True) as store:
        assert draw_week(store, fortnight.config, replace(week, devices=[ghost])) == []


def run(fortnight: Fortnight, *arguments: str) -> int:
    return main(["summary", "--config", str(fortnight.path), *arguments])


def test_the_command_writes_mail_html_text_and_pictures(
    fortnight: Fortnight, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "new" / "folder"
    assert run(fortnight, "--week", story.WEEK, "--out", str(folder)) == 0
    told = capsys.readouterr().out.split()
    assert sorted(told) == sorted(str(path) for path in folder.iterdir())
    names = {path.name for path in folder.iterdir()}
    stem = f"summary-{story.WEEK}"
    assert {f"{stem}.eml", f"{stem}.html", f"{stem}.txt", f"{stem}-nas-week.png"} < names
    assert len(names) == 3 + 8
    html = Tags((folder / f"{stem}.html").read_text())
    shown = {str(attributes["src"]) for tag, attributes in html.tags if tag == "img"}
    assert shown == {name for name in names if name.endswith(".png")}
    message = parsed((folder / f"{stem}.eml").read_bytes())
    assert text_part(message, "plain").splitlines() == (
        (folder / f"{stem}.txt").read_text().splitlines()
    )
    assert all((path.stat().st_mode & 0o777) == 0o600 for path in folder.iterdir())


def test_without_options_the_command_shows_the_text(
    fortnight: Fortnight, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(fortnight, "--week", story.WEEK) == 0
    assert capsys.readouterr().out.startswith("WEEK 47 AT UNDER-STAIRS CABINET\n")


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
    arguments: list[str],
    sentence: str,
    fortnight: Fortnight,
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert run(fortnight, *arguments) == 2
    error = capsys.readouterr().err
    assert sentence in error
    assert error.count("\n") == 1


@pytest.mark.parametrize("arguments", [[], ["--week", "2020-W01"]])
def test_a_store_in_which_no_watch_ever_ran_has_no_week_to_tell_of(
    arguments: list[str], fortnight: Fortnight, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    url = f"sqlite:///{tmp_path}/watch.db"
    migrate(url)
    config = tmp_path / "config.toml"
    text = fortnight.path.read_text()
    assert 'url = "sqlite' in text
    config.write_text(re.sub(r'url = "sqlite[^"]*"', f'url = "{url}"', text))
    assert main(["summary", "--config", str(config), *arguments]) == 2
    said = capsys.readouterr().err
    assert said == (
        "The watch has never run with this store, so there is no week to tell of;"
        " `cabinetwatch run` starts it\n"
    )
