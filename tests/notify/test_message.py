"""What a notice mail says, and that nothing in it can become markup or a header."""

import email
import email.policy
import re
from dataclasses import replace
from email.message import EmailMessage
from email.utils import parsedate_to_datetime
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from cabinetwatch.config import Config
from cabinetwatch.config.loading import SYSTEM_FILE
from cabinetwatch.notify.mail import (
    DEVICE_CAUTIONS,
    NO_SMOKE_ALARM,
    build_message,
    predicate,
    told_in_short,
)
from cabinetwatch.notify.plan import DueRepeat, Present, plan, plan_digest, plan_repeat, plan_test
from cabinetwatch.store.records import Notice
from cabinetwatch.text import to_datetime
from cabinetwatch.watch.conditions import SPECS
from cabinetwatch.watch.events import OVER, AccountFigure, Message, Priority, Step, Transition
from tests.notify.samples import (
    ACKNOWLEDGED,
    NOON_MS,
    NORMAL,
    OUT_OF_SERVICE,
    SHELVED,
    UNACKNOWLEDGED,
    account,
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


def as_received(
    notice: Notice, config: Config = CONFIG, present: Present | None = None
) -> EmailMessage:
    """Build the mail and read it back from its bytes with the standard library."""
    assert config.notify.email is not None
    raw = build_message(notice, config, config.notify.email, present).as_bytes()
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


FIGURES = (
    AccountFigure("Air leaving it", 61.24, "Cel"),
    AccountFigure("Settling at", 38.2, "K", 1.07),
    AccountFigure("Fan", 412.0, "1/min"),
    AccountFigure("Margin now", -8.9, "K"),
)
NOW = "The air leaving it is at 61.2 °C, 8.9 K above its derating threshold."


def hot(raised: Transition, **changes: Any) -> Transition:
    """Give the raise with an account of everything that an account can say."""
    whole: dict[str, Any] = {"now": NOW, "time_left_s": 540.0, "figures": FIGURES}
    since = {"since_ms": raised.utc_ms - 60_000}
    told = account(raised, **whole | since | changes)
    return replace(raised, message=Message(Step.OPENED, told, (raised,)))


def words_of(notice: Notice, present: Present | None = None, config: Config = CONFIG) -> str:
    """Give the text part, its lines joined."""
    return " ".join(parts(as_received(notice, config, present))[0].split())


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


def test_each_part_carries_the_account_and_small_below_it_what_each_alarm_told() -> None:
    raised = hot(transition())
    text, page = parts(as_received(mail_notice(raised)))
    shown = "\n".join(page.texts)
    for part in (" ".join(text.split()), " ".join(shown.split())):
        for once in (raised.text, NOW, raised.likely, raised.response):
            assert part.count(once) == 1
        assert part.index(NOW) < part.index(raised.response) < part.index(raised.text)
        assert f"1 Jul 13:00:03 (high, alarm {raised.id}): {raised.text}" in part
        assert f"cabinetwatch ack {raised.id}" in part
        assert "As of Wed 1 Jul 2026 13:00:03 IST." in part
        assert all(caution in part for caution in DEVICE_CAUTIONS)
        assert NO_SMOKE_ALARM in part
        for fact in (
            "12:59:03 (for 1 min)",
            "at least 9 min to its threshold",
            "Settling at 38.2 K ± 1.1 K",
            "Air leaving it 61.2 °C",
            "Fan 412 rpm",
            "Margin now \N{MINUS SIGN}8.9 K",
        ):
            assert fact in part


def test_the_text_part_keeps_to_78_columns_but_for_the_sentences_of_alarms() -> None:
    raised = transition(text="NAS " + "is warm " * 30 + "today.", response="Give it air. " * 20)
    text, _ = parts(as_received(mail_notice(hot(raised, now="It is hot. " * 30))))
    assert [line.endswith(raised.text) for line in text.splitlines() if len(line) > 77] == [True]


def test_a_return_says_that_it_is_over_and_asks_for_no_hands_near_mains() -> None:
    raised = transition()
    back = returned(raised)
    message = as_received(mail_notice(back))
    text, page = parts(message)
    assert message["Subject"] == (
        "[Over] NAS: below its derating threshold again - Under-stairs cabinet"
    )
    assert message["In-Reply-To"] == message["References"] == mail_notice(raised).message_id
    assert message["Importance"] is None
    assert back.text in text
    assert raised.response not in " ".join(text.split())
    assert DEVICE_CAUTIONS[0] not in page.texts
    assert NO_SMOKE_ALARM in page.texts
    assert "cabinetwatch ack" not in text


def test_what_is_over_tells_how_long_it_lasted_from_the_first_sign_to_the_end() -> None:
    back = returned(transition())
    over = account(back, since_ms=back.utc_ms - 660_000, over_ms=back.utc_ms, state=OVER)
    notice = mail_notice(replace(back, message=Message(Step.OVER, over, (back,))))
    assert "Lasted: 11 min" in words_of(notice)
    assert "Since" not in words_of(notice)


def test_a_repeat_says_that_it_is_still_on_with_the_figures_of_then() -> None:
    raised, hour_ms = transition(), 3_600_000
    due = DueRepeat(raised.t + hour_ms, raised.id, (raised,))
    then = account(raised, now="It is at 66.0 °C.", time_ms=raised.utc_ms + hour_ms)
    notice = plan_repeat(due, then, CONFIG, raised.t + hour_ms, 0)[0]
    message = as_received(notice)
    text, _ = parts(message)
    assert message["Subject"] == (
        "[High, still on] NAS: above its derating threshold - Under-stairs cabinet"
    )
    assert message["In-Reply-To"] == mail_notice(raised).message_id
    assert str(message["Date"]) == "Wed, 01 Jul 2026 14:00:03 +0100"
    assert text.startswith("Still on, and nobody has acknowledged it.")
    assert "It is at 66.0 °C." in text
    assert "As of Wed 1 Jul 2026 14:00:03 IST." in text


def test_what_gets_worse_says_by_what() -> None:
    slow, above = transition(occurrence="slow", condition="fan-slow"), transition()
    worse = Message(Step.WORSE, account(above, id=slow.id), (above,))
    notice = mail_notice(replace(above, message=worse))
    message = as_received(notice)
    assert str(message["Subject"]).startswith("[High, worse] NAS: above its derating threshold")
    assert message["In-Reply-To"] == mail_notice(slow).message_id
    assert words_of(notice).startswith("Worse: above its derating threshold.")


def test_a_mail_is_made_of_the_present_however_long_it_has_waited() -> None:
    raised = hot(transition())
    notice = mail_notice(raised)
    later = account(raised, now="It is at 66.0 °C.", time_ms=raised.utc_ms + 3_600_000)
    waited = words_of(notice, {raised.id: later}.get)
    assert "It is at 66.0 °C." in waited
    assert NOW not in waited
    assert "14:00:03" in waited
    assert raised.text in waited
    over = replace(later, state=OVER, now="It is cool.", figures=(), headline="NAS: cool")
    message = as_received(notice, CONFIG, {raised.id: over}.get)
    assert message["Subject"] == "[Over] NAS: cool - Under-stairs cabinet"
    assert message["Importance"] is None
    assert raised.response not in parts(message)[0]
    # Nobody keeps an account of what is over and was acknowledged.
    gone = as_received(notice, CONFIG, lambda _: None)
    assert str(gone["Subject"]).startswith("[Over] ")
    assert f"When it was noticed: {NOW}" in " ".join(parts(gone)[0].split())
    assert "rpm" not in parts(gone)[0]


def test_a_digest_shows_what_is_on_first_and_a_line_for_each_that_is_over() -> None:
    back = returned(transition())
    silent = transition(
        occurrence="nas-silent-1",
        subject="nas-air",
        condition="silent",
        priority=Priority.LOW,
        text="nas-air is silent.",
        response="Look after the sensor. Then put it back.",
    )
    lost = hot(
        transition(
            occurrence="ups-1", subject="av-amplifier", priority=Priority.MEDIUM, text="Too hot."
        )
    )
    members = [mail_notice(each) for each in (transition(), silent, lost, back)]
    notice = plan_digest(members, CONFIG, back.t + 1, 0)
    message = as_received(notice)
    assert message["Subject"] == (
        "[Medium] AV amplifier: above its derating threshold, and 2 more - Under-stairs cabinet"
    )
    assert str(message["References"]).split() == [each.message_id for each in members[:3]]
    text, page = parts(message)
    assert text.startswith("Notices that were held back, the newest state first: 2 on, 1 over.")
    for part in (text, "\n".join(page.texts[1:])):
        heads = [
            "AV amplifier: above its derating threshold",
            "nas-air: silent",
            "NAS: below its derating threshold again",
        ]
        assert sorted(heads, key=part.index) == heads
        assert all(part.count(each) == 1 for each in heads)
        for each in (transition(), silent, lost, back):
            assert each.text in part
    # Whole for the first alone; of the other only what is most urgent.
    assert lost.response in " ".join(text.split())
    assert page.texts.count("What to do") == page.texts.count("What to do:") == 1
    assert text.count("Look after the sensor.") == 1
    assert "Then put it back" not in text


def test_a_notice_of_an_earlier_version_is_told_by_its_transitions() -> None:
    """Such as wait in a store that was written before there were incidents."""
    lost = [
        transition(occurrence=each, subject=each, condition="ambient-lost", text=f"{each} is lost.")
        for each in ("nas", "av-amplifier")
    ]
    old = replace(mail_notice(*lost), transitions=tuple(lost), accounts=())
    message = as_received(old)
    assert message["Subject"] == (
        "[High] NAS: the sensor of the surrounding air is lost, and 1 more - Under-stairs cabinet"
    )
    text, page = parts(message)
    for each in lost:
        assert each.text in text
        assert each.text in page.texts


def test_a_test_mail_says_that_nothing_is_wrong() -> None:
    message = as_received(plan_test(CONFIG, NOON_MS, NOON_MS)[0], CONFIG, lambda _: None)
    text, _ = parts(message)
    assert message["Subject"] == "[Test] Notices reach you - Under-stairs cabinet"
    assert "nothing is wrong" in text
    assert "cabinetwatch ack" not in text


def test_an_alarm_of_the_watch_itself_needs_no_caution() -> None:
    lost = transition(subject="site", condition="broker-lost", text="There is no connection.")
    assert "Caution" not in (said := words_of(mail_notice(lost)))
    assert not any(each in said for each in DEVICE_CAUTIONS)


@pytest.mark.parametrize("condition", [*(spec.name for spec in SPECS), "brand-new"])
def test_every_condition_has_words_for_its_subject_line(condition: str) -> None:
    kinds = {spec.name: spec.subject for spec in SPECS}
    subject = {"device": "nas", "sensor": "nas-air", "site": "site"}[kinds.get(condition, "device")]
    raised = transition(condition=condition, subject=subject)
    name = {"nas": "NAS", "nas-air": "sensor nas-air", "site": "Under-stairs cabinet"}[subject]
    header = str(as_received(replace(mail_notice(raised), accounts=()))["Subject"])
    assert header.startswith(f"[High] {name}: ")
    own_words = f"[High] {name}: {condition.replace('-', ' ')} - " not in header
    assert own_words or condition in ("silent", "brand-new")
    back = replace(mail_notice(returned(raised)), accounts=())
    assert str(as_received(back)["Subject"]) != header


def test_what_is_told_to_programs_alone_says_its_state() -> None:
    raised = transition()
    assert told_in_short(raised) == predicate(raised) == "above its derating threshold"
    shelved = transition(SHELVED, UNACKNOWLEDGED)
    assert told_in_short(shelved) == "shelved (above its derating threshold)"
    out = transition(OUT_OF_SERVICE, NORMAL)
    assert told_in_short(out) == "out of service"
    back = transition(NORMAL, OUT_OF_SERVICE)
    assert told_in_short(back) == "back in service"
    for previous in (SHELVED, ACKNOWLEDGED):
        assert told_in_short(transition(NORMAL, previous)) == ("below its derating threshold again")


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


@pytest.mark.parametrize(
    ("name", "address"),
    [
        ("Cabinet [under the stairs]", "watch@under-stairs.example"),
        ("Wächter [unten]", "watch@under-stairs.example"),
        ("The watch", "the..watch@under-stairs.example"),
        ("", ".watch@under-stairs.example"),
    ],
)
def test_whatever_sender_the_configuration_takes_makes_a_mail(name: str, address: str) -> None:
    """RFC 5322 section 4.4 has dots in a row as obsolete; the server is who may refuse them."""
    config = make_config(sender=f"{name} <{address}>" if name else address)
    notice = mail_notice(transition(), config=config)
    message = as_received(notice, config)
    (sender,) = message["From"].addresses
    assert (sender.display_name, sender.addr_spec) == (name, address)
    assert re.fullmatch(r"<[^<>@]+@under-stairs\.example>", notice.message_id)
    assert str(message["Message-ID"]) == notice.message_id


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
    raised = transition(text=text, likely=advice, response=advice)
    figure = AccountFigure(key, value)
    worse = hot(raised, headline=key, now=advice, figures=(figure,), acknowledged_by=value)
    message = as_received(mail_notice(worse))
    plain, page = parts(message)
    assert page.tags <= HARMLESS_TAGS
    assert page.attributes <= {"charset", "class", "content", "lang", "name", "scope", "style"}
    assert text in plain
    html = next(iter(reversed(list(message.iter_parts())))).get_content()
    assert html.count("<p ") + html.count("<p>") == html.count("</p>")
    assert any(text.strip() in each for each in page.texts)


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
