"""What a notice mail says, and that nothing in it can become markup or a header."""

import email
import email.policy
from dataclasses import replace
from email.message import EmailMessage
from email.utils import parsedate_to_datetime
from html.parser import HTMLParser
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from cabinetwatch.config import Config
from cabinetwatch.config.loading import SYSTEM_FILE
from cabinetwatch.notify.mail import build_message
from cabinetwatch.notify.plan import DueRepeat, plan, plan_digest, plan_repeat, plan_test
from cabinetwatch.notify.words import DEVICE_CAUTIONS, NO_SMOKE_ALARM, predicate, told_in_short
from cabinetwatch.store.records import Notice
from cabinetwatch.text import to_datetime
from cabinetwatch.watch.conditions import SPECS
from cabinetwatch.watch.events import Priority, Transition
from tests.notify.samples import (
    ACKNOWLEDGED,
    NOON_MS,
    NORMAL,
    OUT_OF_SERVICE,
    SHELVED,
    UNACKNOWLEDGED,
    make_config,
    returned,
    transition,
)

CONFIG = make_config()
HARMLESS_TAGS = {
    "body",
    "br",
    "div",
    "h1",
    "h2",
    "head",
    "html",
    "meta",
    "p",
    "span",
    "strong",
    "style",
    "table",
    "td",
    "th",
    "title",
    "tr",
}


class Page(HTMLParser):
    """Reads HTML as a mail program would: the text people see, the tags, the attributes."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.texts: list[str] = []
        self.tags: set[str] = set()
        self.attributes: set[str] = set()
        self.values: list[str] = []
        self.feed(html)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        self.attributes |= {name for name, _ in attrs}
        self.values += [value or "" for _, value in attrs]

    def handle_data(self, data: str) -> None:
        if data.strip():
            self.texts.append(data.strip())


def mail_notice(*transitions: Transition, config: Config = CONFIG) -> Notice:
    return next(each for each in plan(transitions, config) if each.channel == "email")


def as_received(notice: Notice, config: Config = CONFIG) -> EmailMessage:
    """Build the mail and read it back from its bytes with the standard library."""
    assert config.notify.email is not None
    raw = build_message(notice, config, config.notify.email).as_bytes()
    assert raw.isascii()
    assert max(map(len, raw.split(b"\r\n"))) <= 76
    assert b"\n" not in raw.replace(b"\r\n", b"")
    parsed = email.message_from_bytes(raw, policy=email.policy.default)
    assert isinstance(parsed, EmailMessage)
    assert not parsed.defects
    return parsed


def parts(message: EmailMessage) -> tuple[str, Page]:
    text, html = message.iter_parts()
    assert (text.get_content_type(), html.get_content_type()) == ("text/plain", "text/html")
    return text.get_content(), Page(html.get_content())


def test_the_headers_of_a_raise_say_all_that_a_mail_program_needs() -> None:
    notice = mail_notice(transition())
    message = as_received(notice)
    assert message["From"] == "watch@under-stairs.example"
    assert message["To"] == "owner@under-stairs.example"
    assert message["Subject"] == "[High] NAS: above its derating threshold - Under-stairs cabinet"
    assert message["Message-ID"] == notice.message_id
    assert message["In-Reply-To"] is None
    assert message["Auto-Submitted"] == "auto-generated"  # RFC 3834 section 5
    assert message["Importance"] == "high"
    assert message["MIME-Version"] == "1.0"
    assert str(message["Date"]) == "Wed, 01 Jul 2026 13:00:03 +0100"
    assert parsedate_to_datetime(str(message["Date"])) == to_datetime(NOON_MS).replace(
        microsecond=0
    )


def test_each_part_carries_text_and_id_and_every_figure_and_piece_of_advice() -> None:
    raised = transition()
    text, page = parts(as_received(mail_notice(raised)))
    shown = "\n".join(page.texts)
    assert text.splitlines().count(raised.text) == 1
    assert page.texts.count(raised.text) == 1
    assert text.count(raised.text) == shown.count(raised.text) == 1
    for part in (" ".join(text.split()), " ".join(shown.split())):
        assert raised.id in part
        assert f"cabinetwatch ack {raised.id}" in part
        assert raised.likely in part
        assert raised.response in part
        assert "2026-07-01 12:59:03 IST" in part
        assert all(caution in part for caution in DEVICE_CAUTIONS)
        assert NO_SMOKE_ALARM in part
        for figure in ("Temperature 61.2 °C", "Load, of rated 71 %", "Fan speed unknown"):
            assert figure in part


def test_the_text_part_keeps_to_78_columns_but_for_the_sentence_itself() -> None:
    raised = transition(text="NAS " + "is warm " * 30 + "today.")
    text, _ = parts(as_received(mail_notice(raised)))
    lines = text.splitlines()
    assert raised.text in lines
    assert all(len(line) < 78 for line in lines if line != raised.text)


def test_a_return_says_that_it_is_over_and_asks_for_no_hands_near_mains() -> None:
    raised = transition()
    back = returned(raised)
    message = as_received(mail_notice(back))
    text, page = parts(message)
    assert message["Subject"] == (
        "[Over] NAS: no longer above its derating threshold - Under-stairs cabinet"
    )
    assert message["In-Reply-To"] == message["References"] == mail_notice(raised).message_id
    assert message["Importance"] is None
    assert back.text in text.splitlines()
    assert raised.response not in " ".join(text.split())
    assert DEVICE_CAUTIONS[0] not in page.texts
    assert NO_SMOKE_ALARM in page.texts
    assert f"cabinetwatch ack {back.id}" in text


def test_a_return_says_when_the_device_is_still_above_its_threshold() -> None:
    back = replace(returned(transition()), condition="fan-slow", values={"margin_k": -0.66})
    text, page = parts(as_received(mail_notice(back)))
    words = "Not all is well yet: it is still 0.7 K above its derating threshold."
    assert words in text.splitlines()
    assert words in page.texts
    well = replace(back, values={"margin_k": 0.66})
    assert "Not all is well" not in parts(as_received(mail_notice(well)))[0]


def test_a_return_of_an_acknowledged_alarm_asks_for_no_acknowledgement() -> None:
    text, _ = parts(
        as_received(mail_notice(transition(NORMAL, previous=transition().state.ACKNOWLEDGED)))
    )
    assert "cabinetwatch ack" not in text


def test_a_repeat_says_that_it_still_stands() -> None:
    raised = transition()
    hour_ms = 3_600_000
    notice = plan_repeat(DueRepeat(raised.t + hour_ms, (raised,)), CONFIG, raised.t + hour_ms, 0)[0]
    message = as_received(notice)
    text, _ = parts(message)
    assert message["Subject"] == (
        "[High, still standing] NAS: above its derating threshold - Under-stairs cabinet"
    )
    assert message["In-Reply-To"] == mail_notice(raised).message_id
    assert str(message["Date"]) == "Wed, 01 Jul 2026 14:00:03 +0100"
    assert text.startswith("This alarm still stands, and nobody has acknowledged it.")
    assert raised.text in text.splitlines()


def test_a_shared_mail_counts_the_others_in_its_subject() -> None:
    shared = mail_notice(
        transition(occurrence="a", condition="ambient-lost", cause="ambient/room-air"),
        transition(
            occurrence="b",
            subject="av-amplifier",
            condition="ambient-lost",
            cause="ambient/room-air",
            text="AV amplifier has lost its ambient reference.",
        ),
    )
    message = as_received(shared)
    assert message["Subject"] == (
        "[High] NAS: cut off from its ambient reference (and 1 more) - Under-stairs cabinet"
    )
    text, page = parts(message)
    for each in shared.transitions:
        assert text.splitlines().count(each.text) == page.texts.count(each.text) == 1


def test_a_digest_tells_everything_once_and_advises_only_on_what_stands() -> None:
    raised = transition()
    low = transition(
        occurrence="nas-silent-1",
        subject="nas-air",
        condition="silent",
        priority=Priority.LOW,
        text="nas-air is silent.",
        response="Look after the sensor.",
    )
    back = returned(raised)
    members = [mail_notice(each) for each in (raised, low, back)]
    message = as_received(plan_digest(members, CONFIG, back.t + 1, 0))
    assert message["Subject"] == (
        "[Low] 2 alarms in one notice: 1 raised, 1 over - Under-stairs cabinet"
    )
    text, page = parts(message)
    for each in (raised, low, back):
        assert text.splitlines().count(each.text) == page.texts.count(each.text) == 1
    assert low.response in text
    assert raised.response not in text
    assert str(message["References"]).split() == [each.message_id for each in members[:2]]


def test_a_test_mail_says_that_nothing_is_wrong() -> None:
    message = as_received(plan_test(CONFIG, NOON_MS, NOON_MS)[0])
    text, _ = parts(message)
    assert message["Subject"] == "[Test] Notices reach you - Under-stairs cabinet"
    assert "nothing is wrong" in text
    assert "cabinetwatch ack" not in text


def test_a_site_alarm_names_the_watch_and_needs_no_caution() -> None:
    lost = transition(
        subject="site",
        condition="broker-lost",
        text="The watch has no connection to its MQTT broker.",
        values={"reason": "", "since": None},
    )
    message = as_received(mail_notice(lost))
    text, _ = parts(message)
    assert message["Subject"] == "[High] Under-stairs cabinet: the watch is cut off from its broker"
    assert "CAUTION" not in text
    assert "Reason" in text


@pytest.mark.parametrize("condition", [*(spec.name for spec in SPECS), "brand-new"])
def test_every_condition_has_words_for_its_subject_line(condition: str) -> None:
    kinds = {spec.name: spec.subject for spec in SPECS}
    subject = {"device": "nas", "sensor": "nas-air", "site": "site"}[kinds.get(condition, "device")]
    raised = transition(condition=condition, subject=subject)
    name = {"nas": "NAS", "nas-air": "sensor nas-air", "site": "Under-stairs cabinet"}[subject]
    header = str(as_received(mail_notice(raised))["Subject"])
    assert header.startswith(f"[High] {name}: ")
    own_words = f"[High] {name}: {condition.replace('-', ' ')} - " not in header
    assert own_words or condition in ("silent", "brand-new")
    assert str(as_received(mail_notice(returned(raised)))["Subject"]) != header


def test_what_is_told_to_programs_alone_says_its_state() -> None:
    raised = transition()
    assert told_in_short(raised) == predicate(raised) == "above its derating threshold"
    shelved = transition(SHELVED, UNACKNOWLEDGED)
    assert told_in_short(shelved) == "shelved (above its derating threshold)"
    out = transition(OUT_OF_SERVICE, NORMAL)
    assert told_in_short(out) == "out of service (above its derating threshold)"
    back = transition(NORMAL, OUT_OF_SERVICE)
    assert told_in_short(back) == "back in service (above its derating threshold)"
    for previous in (SHELVED, ACKNOWLEDGED):
        assert told_in_short(transition(NORMAL, previous)) == (
            "no longer above its derating threshold"
        )


def test_the_page_fetches_and_runs_nothing() -> None:
    notice = mail_notice(transition())
    html = next(
        part for part in as_received(notice).iter_parts() if part.get_content_subtype() == "html"
    ).get_content()
    page = Page(html)
    assert page.tags <= HARMLESS_TAGS
    assert not page.attributes & {"src", "href", "background", "srcset", "action"}
    assert not any(name.startswith("on") for name in page.attributes)
    assert "http" not in html
    assert "url(" not in html


def test_names_are_plain_text_however_long_or_foreign() -> None:
    config = make_config(
        site="Schrank unter der Treppe im Reihenhaus Nummer siebzehn, <b>Süd</b> & Co",
        nas="Ablage " * 20,
        sender="Wächter unter der Treppe <watch@under-stairs.example>",
        to=("owner@under-stairs.example", "neighbour@under-stairs.example"),
    )
    message = as_received(mail_notice(transition(site=config.site.name), config=config), config)
    assert message["From"].addresses[0].display_name == "Wächter unter der Treppe"
    assert len(message["To"].addresses) == 2
    assert len(str(message["Subject"])) < 200
    _, page = parts(message)
    assert page.tags <= HARMLESS_TAGS
    assert any("<b>Süd</b> & Co" in text for text in page.texts)


HOSTILE = st.text(
    st.one_of(
        st.characters(exclude_categories=["Cs"], exclude_characters="\r\n"),
        st.sampled_from("<>&\"'`{}%#=?.\t\x0b\x0c\x1c\x85\u2028é日🔥"),
    ),
    min_size=1,
    max_size=200,
)


@settings(max_examples=20, deadline=None)
@given(text=HOSTILE, advice=HOSTILE, value=HOSTILE, key=HOSTILE)
@example(
    text="</p><script>alert(1)</script>", advice="{{ 7 * 7 }}", value="'\"><img src=x>", key="<b>"
)
@example(text="From here", advice=".", value="=", key="x_c")
@example(text=". dot first", advice="<!--", value="<![CDATA[", key="&amp;")
def test_no_text_of_anybody_becomes_markup(text: str, advice: str, value: str, key: str) -> None:
    raised = transition(
        text=text, likely=advice, response=advice, values={key: value, "since": value}
    )
    message = as_received(mail_notice(raised))
    plain, page = parts(message)
    assert page.tags <= HARMLESS_TAGS
    assert page.attributes <= {"charset", "class", "content", "lang", "name", "scope", "style"}
    assert text in plain
    html = next(iter(reversed(list(message.iter_parts())))).get_content()
    assert html.count("<p ") + html.count("<p>") == html.count("</p>")
    if text.strip():
        assert text.strip() in page.texts


@settings(max_examples=20, deadline=None)
@given(st.text(max_size=100))
@example("a\r\nBcc: thief@under-stairs.example\r\n\r\nbody")
@example("a\rBcc: thief@under-stairs.example")
def test_no_text_of_anybody_becomes_a_header(text: str) -> None:
    raised = transition(
        text=f"x{text}", occurrence=f"i{text}", subject=f"s{text}", condition=f"c{text}", site=text
    )
    assert CONFIG.notify.email is not None
    raw = build_message(mail_notice(raised), CONFIG, CONFIG.notify.email).as_bytes()
    parsed = email.message_from_bytes(raw, policy=email.policy.default)
    assert set(parsed.keys()) == {
        "Date",
        "From",
        "To",
        "Subject",
        "Message-ID",
        "Auto-Submitted",
        "Importance",
        "MIME-Version",
        "Content-Type",
    }
    assert len(list(parsed.iter_parts())) == 2
    assert raised.state is UNACKNOWLEDGED


def test_the_command_that_acknowledges_works_for_this_very_watch(tmp_path: Path) -> None:
    raised = transition()
    notice = mail_notice(raised)

    def said(file: Path) -> str:
        text, _ = parts(as_received(notice, make_config().read_from(file)))
        return " ".join(text.split())

    assert f" sudo cabinetwatch ack {raised.id}" in said(SYSTEM_FILE)
    assert "--config" not in said(SYSTEM_FILE)
    odd = tmp_path / "the cabinet" / "config.toml"
    assert f"cabinetwatch ack {raised.id} --config '{odd}'" in said(odd)
