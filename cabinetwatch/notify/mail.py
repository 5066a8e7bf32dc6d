"""What a notice says: its words, the mail of it, and the one way in which all our mails are built.

The keys of a device's figures end in their unit (`rise_k`); people read "Rise" and "12.4 K".

The standard library's folding writes encoded-words of 76 characters (RFC 2047 section 2 allows 75)
and in some releases doubles a blank between two of them, so the headers with free text and those
with Message-IDs are folded here; everything else is left to the library.
"""

import shlex
import textwrap
from base64 import b64encode
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from email.headerregistry import Address
from email.message import EmailMessage
from email.policy import EmailPolicy
from email.utils import format_datetime
from pathlib import Path
from typing import Any, NamedTuple
from uuid import uuid4
from zoneinfo import ZoneInfo

from jinja2 import Environment, FileSystemLoader, StrictUndefined, select_autoescape

from cabinetwatch.config.loading import SYSTEM_FILE, usual_files
from cabinetwatch.config.model import SITE_SUBJECT, Config
from cabinetwatch.config.services import Email
from cabinetwatch.notify.links import link_to
from cabinetwatch.notify.plan import TEST_CONDITION, Present, message_id, sender_of, thread_roots
from cabinetwatch.store.records import Notice
from cabinetwatch.text import (
    TemperatureUnit,
    beside,
    describe_duration,
    from_rfc3339,
    local_time,
    measure,
    printable,
    to_datetime,
)
from cabinetwatch.watch import conditions
from cabinetwatch.watch.commands import NOT_VERIFIED
from cabinetwatch.watch.conditions import base
from cabinetwatch.watch.devices import LABELS
from cabinetwatch.watch.events import OVER, Account, AccountFigure, AlarmState, Priority, Transition
from cabinetwatch.watch.incidents import plain_account, urgency

DEVICE_CAUTIONS = (
    "Opened gear holds mains voltage and, even unplugged, charged capacitors.",
    "Leave power supplies and the UPS to licensed people. Local codes come first.",
    "A stopped fan can start without warning: keep fingers out of it.",
    "Never cover a vent, and never pad the cabinet with anything that can burn.",
)
"""Where hands go near mains: on the notices of devices and of the sensors beside them."""

NO_SMOKE_ALARM = (
    "This is no smoke alarm, and it can fail together with its sensors: it does not replace a smoke"
    " alarm or anything else that local codes require."
)


def predicate(transition: Transition) -> str:
    """Say what is on, or no longer on, with the subject of a transition.

    A condition that this version doesn't know is called by its name.
    """
    return _predicate(transition.condition, over=transition.is_return)


def told_in_short(transition: Transition) -> str:
    """Say in a few words what a transition tells; of most only programs and MQTT are told."""
    if transition.is_raise or transition.is_return:
        return predicate(transition)
    # Out of service is all of a device, whatever its alarms are.
    if transition.state is AlarmState.OUT_OF_SERVICE:
        return "out of service"
    if transition.state is not AlarmState.NORMAL:
        what = _predicate(transition.condition, over=False)
        return f"{transition.state.replace('-', ' ')} ({what})"
    if transition.previous is AlarmState.OUT_OF_SERVICE:
        return "back in service"
    return _predicate(transition.condition, over=True)


def _predicate(name: str, *, over: bool) -> str:
    condition = conditions.named(name)
    if condition is None:
        words = "a test of the notices" if name == TEST_CONDITION else name.replace("-", " ")
        return f"no longer {words}" if over else words
    whose = "the watch is " if condition.kind == "site" else ""
    return f"{whose}{condition.over if over else condition.predicate}"


def degree(account: Account) -> str:
    """Say how bad an incident is, or that it is over.

    Never more than that: others of the same device may still stand.
    """
    return "Over" if account.is_over else account.priority.capitalize()


# As SENML writes units (RFC 8428, section 12.1), and as people do; with the decimals they need.
_UNITS_OF_ACCOUNTS = {"W": ("W", 1), "%RH": ("%", 0), "1/min": ("rpm", 0), "dB": ("dB", 1)}


def measured(figure: AccountFigure, unit: TemperatureUnit) -> str:
    r"""Write the value of an account's figure with its unit and, where it has one, its interval.

    >>> settling = AccountFigure("Settling at", 15.22, "K", 1.07)
    >>> measured(settling, TemperatureUnit.CELSIUS), measured(settling, TemperatureUnit.FAHRENHEIT)
    ('15.2\xa0K ± 1.1\xa0K', '27.4\xa0°F ± 1.9\xa0°F')
    """
    if isinstance(figure.value, str):
        return figure.value
    if figure.unit == "Cel":
        return unit.temperature(figure.value)
    values = [figure.value] if figure.ci95 is None else [figure.value, figure.ci95]
    if figure.unit == "K":
        return " ± ".join(unit.difference(value) for value in values)
    called, decimals = _UNITS_OF_ACCOUNTS.get(figure.unit, (figure.unit, 1))
    return " ± ".join(measure(value, decimals, called) for value in values)


# By the end of a key; longest first, so that "_k_per_w" is not taken for "_w".
_WRITTEN: dict[str, Callable[[float, TemperatureUnit], str]] = {
    "_k_per_w": lambda value, shown: shown.difference(value, 3, per="/W"),
    "_fraction": lambda value, _: measure(100 * value, 0, "%"),
    "_rpm": lambda value, _: measure(value, 0, "rpm"),
    "_c": lambda value, shown: shown.temperature(value),
    "_k": lambda value, shown: shown.difference(value),
    "_w": lambda value, _: measure(value, 1, "W"),
    "_s": lambda value, _: describe_duration(value),
}


def label(key: str) -> str:
    """Give the plain label of a device's figure by its key, without the unit.

    >>> label("settled_rise_k"), label("time_constant_s")
    ('Settling at', 'Time constant')
    """
    stem = next((key.removesuffix(end) for end in _WRITTEN if key.endswith(end)), key)
    return LABELS.get(key) or stem.replace("_", " ").capitalize()


def written(key: str, value: float, shown: TemperatureUnit) -> str:
    r"""Write a device's figure with its unit, as its key says and as people read temperatures.

    >>> fahrenheit = TemperatureUnit.FAHRENHEIT
    >>> written("rise_k", 12.44, fahrenheit), written("resistance_k_per_w", 0.5, fahrenheit)
    ('22.4\xa0°F', '0.900\xa0°F/W')
    >>> written("time_constant_s", 900, fahrenheit), written("load_fraction", 0.8, fahrenheit)
    ('15\xa0min', '80\xa0%')
    """
    if isinstance(value, bool):
        return "yes" if value else "no"
    return next(write for end, write in _WRITTEN.items() if key.endswith(end))(value, shown)


def learning_words(learning: Mapping[str, Any] | None, timezone: str) -> str:
    """Say what normal rise rests on, from what `status --json` gives as `learning`."""
    if learning is None:
        return "no sensor of the surrounding air, so only its temperature is watched."
    remarks = "".join(f" {remark}" for remark in learning["remarks"])
    return f"{_learnt(learning, timezone)}.{remarks}"


def _learnt(learning: Mapping[str, Any], timezone: str) -> str:
    stage, since = learning["stage"], learning["since"]
    if stage == "none" and since is None:
        return "nothing is learnt yet"
    if stage == "none":
        span_s = 86_400 * learning["days"]
        so_far = f"has been learning its normal rise for {describe_duration(span_s)}"
        return (
            f"{so_far if span_s else 'begins to learn its normal rise'}; lost cooling is not"
            " noticed before the third day is over, unless normal_rise_k is given"
        )
    if stage == "commissioned":
        told = "its normal rise is the one given in the configuration"
        if learning["confidence"] is None:
            return told
        return f"{told}; its response was learnt on {_date(since, timezone)}"
    loads, checked = "", NOT_VERIFIED
    if learning["loads_w"] is not None:
        low, high = learning["loads_w"]
        loads = f" over loads of {base.watts(low)} to {base.watts(high)}"
    if verified := learning.get("verified"):
        checked = f"every fan was seen turning on {_date(verified, timezone)}"
    still = "provisional, still learning: " if stage == "provisional" else ""
    return (
        f"{still}its normal rise was learnt on {_date(since, timezone)}{loads}, confidence"
        f" {learning['confidence']}; {checked}"
    )


def _date(instant: str, timezone: str) -> str:
    return local_time(from_rfc3339(instant), timezone, "%-d %b %Y %H:%M")


# The mail.

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
            folded = _fold_text(name, str(value))
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


def _fold_text(name: str, text: str) -> str:
    lines = textwrap.wrap(
        text,
        MOST_COLUMNS,
        initial_indent=f"{name}: ",
        subsequent_indent=" ",
        break_long_words=False,
        break_on_hyphens=False,
    )
    if not text.isascii() or any(len(line) > MOST_COLUMNS for line in lines):
        return _fold(name, encoded_words(text))
    return "\r\n".join(lines or [f"{name}: "]) + "\r\n"


_MOST_NAME = 60
_MOST_HEADLINE = 120
"""Characters of a name or headline in a subject: beyond that no mail program shows them."""


class Card(NamedTuple):
    """The account of an incident as a mail shows it.

    `tone` is a priority's value, or "over". `facts` are its instants, `figures` what is measured;
    both are pairs of a label and a text. `acknowledge` is the command for it, if there is something
    to acknowledge; `link` leads to it on the page, where that has a place.
    """

    degree: str
    tone: str
    headline: str
    now: str
    facts: list[tuple[str, str]]
    figures: list[tuple[str, str]]
    likely: str
    response: str
    acknowledge: str
    link: str = ""


class Raised(NamedTuple):
    """What an alarm told when it was raised, or returned; no text where an account has it."""

    time: str
    what: str
    text: str
    id: str


class Content(NamedTuple):
    """A whole mail in words.

    The first of the `cards` is shown whole, the others shorter; what is `over` beside what is on
    takes one line each. `told` is what the alarms told at their instants.
    """

    subject: str
    intro: str
    as_of: str
    cards: list[Card]
    over: list[str]
    told: list[Raised]
    cautions: tuple[str, ...]
    no_smoke_alarm: str
    site: str
    acts: bool
    """Whether its links let people act."""


def content_of(
    notice: Notice, config: Config, present: Present | None = None, recipient: str = ""
) -> Content:
    """Put a notice into words, with its incidents as they are now where that is known.

    What is done by one of its links is put down to the `recipient`.
    """
    told_of: Iterable[Account] = notice.accounts
    if not notice.accounts:
        # An earlier version wrote the transitions alone.
        newest = {each.incident or each.id: each for each in notice.transitions}
        told_of = (account_alone(each, config) for each in newest.values())
    accounts = sorted((_present(each, present) for each in told_of), key=urgency)
    present_on = [each for each in accounts if not each.is_over]
    on = present_on or accounts[:1]
    near_mains = [e for e in present_on if not {SITE_SUBJECT, TEST_CONDITION} & {*e.subjects}]
    over = [each for each in accounts if each not in on]
    zone = config.site.timezone
    as_of_ms = max(each.time_ms for each in accounts)
    told = [each for each in notice.transitions if each.is_raise or each.is_return]
    cards = []
    for each in on:
        card = card_of(each, as_of_ms, config, shorter=each is not on[0])
        if notice.kind != "test" and not each.is_over:
            card = card._replace(link=link_to(config, each.id, as_of_ms, recipient))
        cards.append(card)
    # What an account says in the very words of an alarm is not said twice.
    places = {each.text: place for place, each in enumerate(told)}
    said = {places[text] for text in places if any(text in each.now for each in on)}
    return Content(
        subject=_subject(notice, accounts, config.site.name),
        intro=_intro(notice, accounts, zone),
        as_of=local_time(as_of_ms, zone, "%a %-d %b %Y %H:%M:%S %Z"),
        cards=cards,
        over=[each.headline for each in over],
        told=[
            Raised(
                local_time(each.utc_ms, zone, "%-d %b %H:%M:%S"),
                "over" if each.is_return else each.priority.value,
                "" if place in said else each.text,
                each.id,
            )
            for place, each in [*enumerate(told)][-_MOST_TOLD:]
        ],
        cautions=DEVICE_CAUTIONS if near_mains else (),
        no_smoke_alarm=NO_SMOKE_ALARM,
        site=config.site.name,
        acts=config.page is not None and config.page.actions,
    )


_MOST_TOLD = 8


def account_alone(transition: Transition, config: Config) -> Account:
    """Give the account of an alarm that no incident is known of, its subject as people call it."""
    name = display_names(config).get(transition.subject, transition.subject)
    return replace(plain_account(transition), headline=f"{name}: {predicate(transition)}")


def _present(account: Account, present: Present | None) -> Account:
    """Give an account as it is now: a mail may have waited for hours."""
    if present is None or TEST_CONDITION in account.subjects:
        return account
    now = present(account.id)
    if now is not None or account.is_over:
        return now or account
    # Over, and acknowledged: nobody knows more of it than was written down.
    since = f"It is over by now, and was acknowledged. When it was noticed: {account.now}"
    return replace(account, state=OVER, now=since, figures=())


def display_names(config: Config) -> dict[str, str]:
    """Give what people call each subject, where it stands alone: an ID there says what it is of."""
    names = {subject: config.name_of(subject) for subject in (*config.devices, SITE_SUBJECT)}
    return names | {
        sensor_id: f"sensor {sensor_id}" if sensor.name is None else sensor.name
        for sensor_id, sensor in config.sensors.items()
    }


def card_of(account: Account, as_of_ms: int, config: Config, *, shorter: bool = False) -> Card:
    """Lay out an account for people who read it at an instant (UTC)."""
    zone = config.site.timezone
    facts = []
    if account.is_over:
        if account.over_ms is not None:
            facts.append(("Lasted", _span(account.since_ms, account.over_ms)))
    else:
        since = beside(account.since_ms, as_of_ms, zone, "%H:%M:%S")
        facts.append(("Since", f"{since} (for {_span(account.since_ms, as_of_ms)})"))
        if account.time_left_s:
            left = describe_duration(account.time_left_s)
            facts.append(("Time left", f"at least {left} to its threshold, at this rate"))
        if account.acknowledged_by:
            got_worse = account.state == AlarmState.UNACKNOWLEDGED
            before = ", before it got worse" if got_worse else ""
            facts.append(("Seen by", f"{account.acknowledged_by}{before}"))
    waits = account.state == AlarmState.UNACKNOWLEDGED
    is_test = TEST_CONDITION in account.subjects
    response = account.response
    if shorter:
        # The first sentence is the most urgent.
        sentence, stop, _ = response.partition(". ")
        response = sentence + stop.strip()
    return Card(
        degree="Test" if is_test else degree(account),
        tone="over" if account.is_over else account.priority.value,
        headline=account.headline,
        now=account.now,
        facts=facts,
        figures=[
            (each.name, measured(each, config.site.temperature_unit)) for each in account.figures
        ],
        likely="" if account.is_over else account.likely,
        response="" if account.is_over else response,
        acknowledge=_acknowledge(account.id, config) if waits and not is_test else "",
    )


def _span(from_ms: int, to_ms: int) -> str:
    return describe_duration((to_ms - from_ms) / 1000)


def _acknowledge(incident: str, config: Config) -> str:
    """Give the command that acknowledges an incident.

    As it works from any folder on the watch's computer: that of the system is closed to all but
    root, and any other that is not looked for must be named.
    """
    command = f"cabinetwatch ack {incident}"
    if config.file == SYSTEM_FILE:
        return f"sudo {command}"
    if config.file is None or config.file in usual_files():
        return command
    return f"{command} --config {shlex.quote(str(config.file))}"


def _intro(notice: Notice, accounts: Sequence[Account], zone: str) -> str:
    if accounts[0].is_over and notice.kind in ("repeat", "worse"):
        # It waited so long that this is no longer true.
        return ""
    match notice.kind:
        case "test":
            return "A test: if you can read it, notices by mail reach you."
        case "repeat":
            return "Still on, and nobody has acknowledged it."
        case "worse":
            raised = [each for each in notice.transitions if each.is_raise]
            return f"Worse: {predicate(raised[-1])}." if raised else "Worse."
        case "digest":
            over = sum(each.is_over for each in accounts)
            on = len(accounts) - over
            held = "Notices that were held back, the newest state first"
            return f"{held}: {on} on, {over} over."
    return ""


def _subject(notice: Notice, accounts: Sequence[Account], site: str) -> str:
    site = _shortened(site)
    if notice.kind == "test":
        return f"[Test] Notices reach you - {site}"
    first = accounts[0]
    mark = degree(first)
    if not first.is_over:
        mark += {"repeat": ", still on", "worse": ", worse"}.get(notice.kind, "")
    others = len(accounts) - 1
    more = f", and {others} more" if others else ""
    return header_text(f"[{mark}] {_shortened(first.headline, _MOST_HEADLINE)}{more} - {site}")


def _shortened(name: str, most: int = _MOST_NAME) -> str:
    name = header_text(name)
    return name if len(name) <= most else name[: most - 1].rstrip() + "…"


def _wrapped(text: str, indent: int = 0) -> str:
    """Break a paragraph into lines, indented from the second one on (a filter of the template)."""
    lines = textwrap.wrap(
        text, MOST_COLUMNS - indent, break_long_words=False, break_on_hyphens=False
    )
    return f"\n{' ' * indent}".join(lines)


TEMPLATES = Environment(
    # Of every folder of ours: a name says whose it is.
    loader=FileSystemLoader(Path(__file__).parents[1]),
    # Text is escaped wherever it goes into HTML; the text part is no markup and stays as it is.
    autoescape=select_autoescape(disabled_extensions=("txt.j2",), default=True),
    undefined=StrictUndefined,
    # No look at the disk, at every mail and page, whether a file has changed: those of a program
    # that runs are of its own version.
    auto_reload=False,
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
    sender = sender_of(envelope.sender)
    written = to_datetime(envelope.utc_ms).astimezone(ZoneInfo(envelope.timezone))
    message["Date"] = format_datetime(written)
    message["From"] = Address(header_text(sender.display_name), sender.username, sender.domain)
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


def build_message(
    notice: Notice,
    config: Config,
    email: Email,
    present: Present | None = None,
    *,
    to: Sequence[str] | None = None,
    before: str = "",
    written_ms: int | None = None,
) -> EmailMessage:
    """Give the mail of a notice, under the same Message-ID at each attempt.

    It shows its incidents as they are `present` now, where that is known; it goes `to` these, else
    to those of [notify.email], and what is done by its links is put down to them. `before` says who
    was notified before them. It is dated from `written_ms` (UTC), else from the notice.
    """
    recipients = email.addresses if to is None else to
    content = content_of(notice, config, present, " or ".join(recipients))
    content = content._replace(intro=f"{before} {content.intro}".strip())
    written_ms = notice.utc_ms if written_ms is None else written_ms
    text, html = (
        TEMPLATES.get_template(f"notify/templates/notice.{kind}.j2").render(mail=content)
        for kind in ("txt", "html")
    )
    references = " ".join(thread_roots(notice, config))
    thread = {"In-Reply-To": notice.in_reply_to, "References": references}
    return make_mail(
        Envelope(email.from_, recipients, written_ms, config.site.timezone, notice.message_id),
        content.subject,
        text,
        html,
        thread={header: ids for header, ids in thread.items() if ids},
        important=any(card.tone == Priority.HIGH for card in content.cards),
    )


@dataclass(frozen=True, slots=True)
class SystemMail:
    """A mail that is no notice: a subject and paragraphs, written at an instant (UTC, ms)."""

    subject: str
    paragraphs: tuple[str, ...]
    utc_ms: int


def build_system_mail(
    mail: SystemMail, config: Config, email: Email, to: Sequence[str]
) -> EmailMessage:
    """Give the mail of a system mail, each time under another Message-ID."""
    text = "\n\n".join(_wrapped(printable(each)) for each in mail.paragraphs)
    own_id = message_id(config, uuid4().hex)
    envelope = Envelope(email.from_, to, mail.utc_ms, config.site.timezone, own_id)
    return make_mail(envelope, mail.subject, text + "\n", important=True)
