"""Mails: what a notice says as text and HTML, and the one way in which all our mails are built.

The standard library's folding writes encoded-words of 76 characters (RFC 2047 section 2 allows 75)
and in some releases doubles a blank between two of them, so the headers with free text and those
with Message-IDs are folded here; everything else is left to the library.
"""

import shlex
import textwrap
from base64 import b64encode
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from email.headerregistry import Address
from email.message import EmailMessage
from email.policy import EmailPolicy
from email.utils import format_datetime, parseaddr
from pathlib import Path
from typing import Any, NamedTuple
from uuid import uuid4
from zoneinfo import ZoneInfo

from jinja2 import Environment, FileSystemLoader, StrictUndefined, select_autoescape

from cabinetwatch.config.loading import SYSTEM_FILE, usual_files
from cabinetwatch.config.model import SITE_SUBJECT, Config
from cabinetwatch.config.services import Email
from cabinetwatch.notify.plan import thread_roots
from cabinetwatch.notify.words import (
    DEVICE_CAUTIONS,
    NO_SMOKE_ALARM,
    OVER,
    PRIORITY_WORDS,
    TEST_CONDITION,
    Figure,
    degree,
    figures,
    predicate,
)
from cabinetwatch.store.records import Notice
from cabinetwatch.text import from_rfc3339, local_time, printable, to_datetime
from cabinetwatch.watch.conditions.base import kelvin
from cabinetwatch.watch.events import AlarmState, Priority, Transition

MOST_COLUMNS = 76
"""RFC 2045 section 6.7 (5) for quoted-printable; RFC 5322 section 2.1.1 would allow 78."""

_MOST_WORD_BYTES = 39
"""39 bytes make 52 characters of base64 and an encoded-word of 64, of the 75 allowed; with the
name of the header before it the line still has no more than the 76 of RFC 2047 section 2."""

_ID_HEADERS = ("message-id", "in-reply-to", "references")


def header_text(text: str) -> str:
    """Make any text harmless in a header: one line, printable, single blanks.

    What looks like the start of an encoded-word is broken up: it is somebody's text, not markup.
    """
    printable = "".join(each if each.isprintable() else " " for each in text)
    return " ".join(printable.split()).replace("=?", "= ?")


def encoded_words(text: str) -> list[str]:
    """Give the encoded-words of RFC 2047 for a text, none split within a character."""
    chunks = [b""]
    for character in text:
        encoded = character.encode("utf-8", "replace")
        if len(chunks[-1]) + len(encoded) > _MOST_WORD_BYTES:
            chunks.append(b"")
        chunks[-1] += encoded
    return [f"=?utf-8?b?{b64encode(chunk).decode('ascii')}?=" for chunk in chunks]


class MailPolicy(EmailPolicy):
    """The library's policy for SMTP, with our own folding where that is needed."""

    def fold_binary(self, name: str, value: Any) -> bytes:
        """Give the lines of a header, the ends of lines included."""
        lowered = name.lower()
        if lowered == "subject":
            folded = _fold(name, _text_lines(name, str(value)))
        elif lowered in _ID_HEADERS:
            folded = _fold(name, str(value).split())
        elif lowered == "from" and not str(value).isascii():
            address: Address = value.addresses[0]
            folded = _fold(name, [*encoded_words(address.display_name), f"<{address.addr_spec}>"])
        else:
            return super().fold_binary(name, value)
        return folded.encode("ascii")


MAIL_POLICY = MailPolicy(linesep="\r\n", max_line_length=MOST_COLUMNS, cte_type="7bit")


def _fold(name: str, lines: list[str]) -> str:
    return f"{name}: " + "\r\n ".join(lines) + "\r\n"


def _text_lines(name: str, text: str) -> list[str]:
    if not text.isascii():
        return encoded_words(text)
    lines = [""]
    room = MOST_COLUMNS - len(name) - 2
    for word in text.split(" "):
        if lines[-1] and len(lines[-1]) + 1 + len(word) > room:
            lines.append(word)
            room = MOST_COLUMNS - 1
        else:
            lines[-1] = f"{lines[-1]} {word}".strip()
    too_long = any(len(line) > MOST_COLUMNS for line in lines)
    return encoded_words(text) if too_long else lines


_MOST_NAME = 60
"""Characters of a name in a subject: beyond that no mail program shows them."""


@dataclass(frozen=True, slots=True)
class Item:
    """One transition as a mail shows it.

    `tone` is a priority's value, or "over"; `overtaken` says that a later transition of the same
    alarm stands in the same mail, so that figures and advice are left to that one. `caveat` says
    what is not well yet though this alarm is over; else it is empty.
    """

    heading: str
    degree: str
    tone: str
    text: str
    caveat: str
    id: str
    time: str
    since: str
    figures: tuple[Figure, ...]
    likely: str
    response: str
    acknowledge: str
    overtaken: bool


@dataclass(frozen=True, slots=True)
class Content:
    """A whole mail in words: a line of introduction, the transitions, and what must be said."""

    subject: str
    intro: str
    items: tuple[Item, ...]
    cautions: tuple[str, ...]
    no_smoke_alarm: str
    site: str


def content_of(notice: Notice, config: Config) -> Content:
    """Put a notice into words."""
    names = display_names(config)
    transitions = notice.transitions
    last = {transition.id: transition for transition in transitions}
    return Content(
        subject=_subject(notice, names, config.site.name),
        intro=_intro(notice),
        items=tuple(
            _item(each, names, config, overtaken=each is not last[each.id]) for each in transitions
        ),
        cautions=DEVICE_CAUTIONS if any(_near_mains(each) for each in transitions) else (),
        no_smoke_alarm=NO_SMOKE_ALARM,
        site=config.site.name,
    )


def display_names(config: Config) -> dict[str, str]:
    """Give what people call each subject, where it stands alone: an ID there says what it is of."""
    names = {subject: config.name_of(subject) for subject in (*config.devices, SITE_SUBJECT)}
    return names | {
        sensor_id: f"sensor {sensor_id}" if sensor.name is None else sensor.name
        for sensor_id, sensor in config.sensors.items()
    }


def _item(
    transition: Transition, names: Mapping[str, str], config: Config, *, overtaken: bool
) -> Item:
    timezone = config.site.timezone
    return Item(
        heading=_heading(transition, names),
        degree=degree(transition),
        tone="over" if transition.is_return else transition.priority.value,
        text=transition.text,
        caveat="" if overtaken else _caveat(transition),
        id=transition.id,
        time=local_time(transition.utc_ms, timezone),
        since=_since(transition, timezone),
        figures=() if overtaken else tuple(figures(transition.values, timezone, config.name_of)),
        likely=transition.likely if transition.is_raise and not overtaken else "",
        response=transition.response if transition.is_raise and not overtaken else "",
        acknowledge="" if overtaken else _acknowledge(transition, config),
        overtaken=overtaken,
    )


def _heading(transition: Transition, names: Mapping[str, str]) -> str:
    return f"{names.get(transition.subject, transition.subject)}: {predicate(transition)}"


def _since(transition: Transition, timezone: str) -> str:
    """Say when it began; the raise itself where the condition does not know."""
    since = transition.values.get("since")
    if isinstance(since, str):
        try:
            return local_time(from_rfc3339(since), timezone)
        except ValueError:
            return since
    return local_time(transition.utc_ms, timezone) if transition.is_raise else ""


def _caveat(transition: Transition) -> str:
    """Say that a device is still too hot though one of its alarms is over.

    A fan that turns again cools in its own time: who reads "over" must not go back to sleep.
    """
    margin_k = transition.values.get("margin_k")
    if not transition.is_return or not isinstance(margin_k, int | float) or margin_k >= 0:
        return ""
    return f"Not all is well yet: it is still {kelvin(-margin_k)} above its derating threshold."


def _acknowledge(transition: Transition, config: Config) -> str:
    """Give the command that acknowledges, where there is something to acknowledge.

    As it works from any folder on the watch's computer: that of the system is closed to all but
    root, and any other that is not looked for must be named.
    """
    unseen = transition.state in (AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED)
    if not unseen or transition.condition == TEST_CONDITION:
        return ""
    command = f"cabinetwatch ack {transition.id}"
    if config.file == SYSTEM_FILE:
        return f"sudo {command}"
    if config.file is None or config.file in usual_files():
        return command
    return f"{command} --config {shlex.quote(str(config.file))}"


def _near_mains(transition: Transition) -> bool:
    return transition.subject != "site" and transition.is_raise


def _intro(notice: Notice) -> str:
    count = len(notice.transitions)
    if notice.kind == "repeat":
        alarms = "This alarm still stands" if count == 1 else "These alarms still stand"
        return f"{alarms}, and nobody has acknowledged {'it' if count == 1 else 'them'}."
    if notice.kind == "digest":
        return f"{count} changes were waiting to be told; here they are together, oldest first."
    if notice.kind == "test":
        return "A test notice: if you can read it, notices by mail reach you."
    return "" if count == 1 else "One cause, so one mail."


def _subject(notice: Notice, names: Mapping[str, str], site: str) -> str:
    site = _shortened(site)
    if notice.kind == "test":
        return f"[Test] Notices reach you - {site}"
    shown = {subject: _shortened(name) for subject, name in names.items()}
    if notice.kind == "digest":
        return f"[{_worst(notice)}] {_tally(notice)} - {site}"
    first = notice.transitions[0]
    mark = degree(first) if first.is_return else _worst(notice)
    again = ", still standing" if notice.kind == "repeat" else ""
    others = len(notice.transitions) - 1
    more = f" (and {others} more)" if others else ""
    place = "" if first.subject == "site" else f" - {site}"
    return header_text(f"[{mark}{again}] {_heading(first, shown)}{more}{place}")


def _worst(notice: Notice) -> str:
    """Give the highest priority among what stands at the end of the mail."""
    last = {transition.id: transition for transition in notice.transitions}
    standing = {each.priority for each in last.values() if not each.is_return}
    for priority in Priority:
        if priority in standing:
            return PRIORITY_WORDS[priority]
    return OVER


def _tally(notice: Notice) -> str:
    last = {transition.id: transition for transition in notice.transitions}
    over = sum(transition.is_return for transition in last.values())
    parts = [(len(last) - over, "raised"), (over, "over")]
    counted = [f"{count} {word}" for count, word in parts if count]
    alarms = "alarm" if len(last) == 1 else "alarms"
    return f"{len(last)} {alarms} in one notice: {', '.join(counted)}"


def _shortened(name: str) -> str:
    name = header_text(name)
    return name if len(name) <= _MOST_NAME else name[: _MOST_NAME - 1].rstrip() + "…"


_TEXT_COLUMNS = 76


def _wrapped(text: str, indent: int = 0) -> str:
    """Break a paragraph into lines, indented from the second one on (a filter of the template)."""
    return "\n".join(
        textwrap.wrap(
            text,
            _TEXT_COLUMNS - indent,
            break_long_words=False,
            break_on_hyphens=False,
        )
    ).replace("\n", "\n" + " " * indent)


TEMPLATES = Environment(
    # Of every folder of ours: a name says whose it is.
    loader=FileSystemLoader(Path(__file__).parents[1]),
    # Text is escaped wherever it goes into HTML; the text part is no markup and stays as it is.
    autoescape=select_autoescape(disabled_extensions=("txt.j2",), default=True),
    undefined=StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
)
"""The one environment of all that is rendered, for mail and page alike."""
TEMPLATES.filters["wrapped"] = _wrapped


class Envelope(NamedTuple):
    """From whom, to whom, when it was written (UTC, ms), and what it is called."""

    sender: str
    recipients: Sequence[str]
    utc_ms: int
    timezone: str
    message_id: str


def make_mail(
    envelope: Envelope,
    subject: str,
    text: str,
    html: str | None = None,
    *,
    thread: Mapping[str, str] | None = None,
    important: bool = False,
) -> EmailMessage:
    """Make any mail of ours: the same bytes for the same arguments.

    `thread` holds the headers that tell what it answers.
    """
    message = EmailMessage(policy=MAIL_POLICY)
    name, address = parseaddr(envelope.sender)
    written = to_datetime(envelope.utc_ms).astimezone(ZoneInfo(envelope.timezone))
    message["Date"] = format_datetime(written)
    message["From"] = Address(display_name=header_text(name), addr_spec=address)
    message["To"] = ", ".join(envelope.recipients)
    message["Subject"] = header_text(subject)
    message["Message-ID"] = envelope.message_id
    for header, ids in (thread or {}).items():
        message[header] = ids
    # RFC 3834: no vacation reply to a program, please.
    message["Auto-Submitted"] = "auto-generated"
    if important:
        message["Importance"] = "high"
    # RFC 2045 section 6.7: quoted-printable passes every server, and keeps text readable.
    message.set_content(encodable(text), cte="quoted-printable")
    if html is not None:
        message.add_alternative(encodable(html), subtype="html", cte="quoted-printable")
        # An equals sign and underscore can't occur in quoted-printable (RFC 2045 section 6.7).
        message.set_boundary(f"=_{envelope.message_id.strip('<>').partition('@')[0]}")
    return message


def encodable(text: str) -> str:
    """Replace lone surrogates, which stand for bytes of somebody's answer that were no UTF-8."""
    return text.encode("utf-8", "replace").decode("utf-8")


def build_message(notice: Notice, config: Config, email: Email) -> EmailMessage:
    """Give the mail of a notice: the same bytes at each attempt, under the same Message-ID."""
    content = content_of(notice, config)
    text, html = (
        TEMPLATES.get_template(f"notify/templates/notice.{kind}.j2").render(mail=content)
        for kind in ("txt", "html")
    )
    references = " ".join(thread_roots(notice, config))
    thread = {"In-Reply-To": notice.in_reply_to, "References": references}
    return make_mail(
        Envelope(email.from_, email.to, notice.utc_ms, config.site.timezone, notice.message_id),
        content.subject,
        text,
        html,
        thread={header: ids for header, ids in thread.items() if ids},
        important=any(
            each.is_raise and each.priority is Priority.HIGH for each in notice.transitions
        ),
    )


@dataclass(frozen=True, slots=True)
class SystemMail:
    """A mail that is no notice: a subject and paragraphs, written at an instant (UTC, ms)."""

    subject: str
    paragraphs: tuple[str, ...]
    utc_ms: int


def build_system_mail(mail: SystemMail, config: Config, email: Email) -> EmailMessage:
    """Give the mail of a system mail, each time under another Message-ID."""
    message_id = f"<{uuid4().hex}@{parseaddr(email.from_)[1].rpartition('@')[2]}>"
    text = "\n\n".join(_wrapped(printable(each)) for each in mail.paragraphs)
    envelope = Envelope(email.from_, email.to, mail.utc_ms, config.site.timezone, message_id)
    return make_mail(envelope, mail.subject, text + "\n", important=True)
