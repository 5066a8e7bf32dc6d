"""A summary as text, HTML and mail; as a program, what makes one for the daemon.

What draws and reckons takes a hundred megabytes, which go with the child that took them:

    python -m cabinetwatch.report.summary_mail close --store URL --week 2026-W47
    python -m cabinetwatch.report.summary_mail mail --store URL --week 2026-W47 ...

gives a week's figures as JSON, or its mail, on standard output.
"""

import argparse
import gc
import json
import sys
import textwrap
from collections.abc import Iterable, Iterator, Sequence
from email.message import EmailMessage

from cabinetwatch.clock import SystemClock
from cabinetwatch.config.model import Config
from cabinetwatch.notify.mail import TEMPLATES, Envelope, display_names, make_mail
from cabinetwatch.notify.words import DEVICE_CAUTIONS, NO_SMOKE_ALARM, predicate
from cabinetwatch.report.charts import Drawn, be_last_in_line, draw_week
from cabinetwatch.report.summary_make import WeekMaker
from cabinetwatch.report.summary_week import IsoWeek, Week
from cabinetwatch.report.summary_words import (
    PROOF_OF_LIFE,
    Section,
    Summary,
    Table,
    summary_of,
)
from cabinetwatch.report.words import STANDS, short_time
from cabinetwatch.store.replay import in_force
from cabinetwatch.store.store import Store
from cabinetwatch.text import CabinetwatchError, printable
from cabinetwatch.watch.events import AlarmState, Transition

_COLUMNS = 76
_MOST_NAMED = 3

_HIDDEN = {AlarmState.SUPPRESSED, AlarmState.SHELVED}


def text_of(summary: Summary) -> str:
    """Give the plain-text part."""
    return "\n".join(line.rstrip() for line in _lines(summary)) + "\n"


def _lines(summary: Summary) -> Iterator[str]:
    yield from _wrapped(summary.title.upper())
    yield from _wrapped(summary.span)
    yield ""
    for sentence in summary.lead:
        yield from _wrapped(sentence)
    for section in summary.sections:
        if section.only != "html":
            yield from ("", section.heading.upper(), "-" * len(section.heading))
            yield from _joined(_parts(section), "")
    yield ""
    yield from _wrapped(PROOF_OF_LIFE)


def _parts(section: Section) -> Iterator[Iterable[str]]:
    """Give the parts of a section, which blank lines set apart."""
    for number, matter in enumerate(section.matters, 1):
        indent = " " * (len(str(number)) + 2)
        yield [
            *_wrapped(f"{number}. [{matter.urgency}] {matter.heading}", indent),
            *_wrapped(f"{indent}{matter.text}", indent),
            *_wrapped(f"{indent}What to do: {matter.todo}", indent),
        ]
    for table in section.tables:
        yield _table(table)
    if section.alarms is not None:
        indent = " " * 12
        lines = [
            line
            for when, what, how in section.alarms.rows
            for text in (f"{when:<10}  {what}", f"{indent}{how}")
            for line in _wrapped(text, indent)
        ]
        if section.alarms.earlier:
            lines.append(f"And {section.alarms.earlier} before these.")
        yield lines
        if section.alarms.returned:
            yield _wrapped(section.alarms.returned)
    if section.notes:
        yield (line for note in section.notes for line in _wrapped(note))
    if section.pairs:
        yield (
            line
            for label, value in section.pairs
            for line in _wrapped(f"{label:<20}  {value}", " " * 22)
        )


def _joined(parts: Iterable[Iterable[str]], between: str) -> Iterator[str]:
    for number, part in enumerate(parts):
        if number:
            yield between
        yield from part


def _table(table: Table) -> Iterator[str]:
    widths = [max(map(len, column)) for column in zip(table.headings, *table.rows, strict=True)]
    gap = "  " if sum(widths) + 2 * (len(widths) - 1) <= _COLUMNS else " "
    names = ""
    for first, name in table.groups:
        names = names.ljust(sum(widths[:first]) + first * len(gap)) + name
    if names:
        yield names
    for line in (table.headings, *table.rows):
        cells = [
            printable(cell).ljust(width) if index in table.left else printable(cell).rjust(width)
            for index, (cell, width) in enumerate(zip(line, widths, strict=True))
        ]
        row = gap.join(cells)
        if len(row.rstrip()) <= _COLUMNS:
            yield row
        else:
            # It goes on in the next line; the last column has the room for it.
            yield from textwrap.wrap(
                row, _COLUMNS, subsequent_indent=" " * 4, break_on_hyphens=False
            )


def _wrapped(text: str, indent: str = "") -> list[str]:
    """Break a paragraph into lines, indented from the second one on."""
    text, is_short = printable(text), len(text) <= _COLUMNS
    if is_short:
        return [text]
    return textwrap.wrap(text, _COLUMNS, subsequent_indent=indent, break_on_hyphens=False)


def html_of(summary: Summary, drawn: Sequence[Drawn] = (), sources: Sequence[str] = ()) -> str:
    """Give the HTML with pictures that come from some sources; what is from outside is escaped."""
    return TEMPLATES.get_template("report/templates/summary.html.j2").render(
        summary=summary,
        pictures=list(zip(drawn, sources, strict=True)),
        cautions=DEVICE_CAUTIONS,
        no_smoke_alarm=NO_SMOKE_ALARM,
        proof_of_life=PROOF_OF_LIFE,
    )


def mail_of(summary: Summary, drawn: Sequence[Drawn], envelope: Envelope) -> EmailMessage:
    """Give the mail: the same bytes for the same arguments."""
    token, _, domain = envelope.message_id.strip("<>").partition("@")
    ids = [f"{index}.{token}@{domain}" for index in range(len(drawn))]
    html = html_of(summary, drawn, [f"cid:{cid}" for cid in ids])
    message = make_mail(envelope, summary.subject, text_of(summary), html)
    # The pictures stand beside the HTML that shows them (multipart/related, RFC 2387).
    _, beside = message.iter_parts()
    for each, cid in zip(drawn, ids, strict=True):
        beside.add_related(
            each.png, "image", "png", cid=f"<{cid}>", disposition="inline", filename=each.file_name
        )
    if drawn:
        beside.set_boundary(f"=_r{token}")
    return message


def present_sentence(store: Store, config: Config, now_utc_ms: int) -> str:
    """Say which alarms stood at an instant.

    Raises:
        StoreError: the store can't be read.
    """
    standing = store.standing(now_utc_ms + 1)
    names = display_names(config)

    def named(alarms: Sequence[Transition]) -> str:
        words = [f"{names.get(each.subject, each.subject)}: {predicate(each)}" for each in alarms]
        more = len(words) - _MOST_NAMED
        return ", ".join(words[:_MOST_NAMED]) + (f" and {more} more" if more > 0 else "")

    told = [each for each in standing if each.state in STANDS]
    # Shelved, or withheld by a trial that was left open: what nobody is told must not be forgotten.
    hidden = [each for each in standing if each.state in _HIDDEN]
    when = f"When this was written ({short_time(now_utc_ms, config.site.timezone)})"
    unseen = f" Hidden then: {named(hidden)}." if hidden else ""
    return f"{when}: {named(told)}.{unseen}" if told else f"{when} no alarm stood.{unseen}"


def main(arguments: Sequence[str]) -> int:
    """Write a week's figures as JSON, or its mail, to standard output.

    Returns:
        0; 2 with one sentence on standard error.
    """
    parser = argparse.ArgumentParser(prog="summary_mail")
    parser.add_argument("what", choices=("close", "mail"))
    parser.add_argument("--store", required=True)
    parser.add_argument("--week", required=True)
    parser.add_argument("--now", type=int)
    parser.add_argument("--message-id", default="")
    parser.add_argument("--from", dest="sender", default="")
    parser.add_argument("--to", nargs="*", default=[])
    args = parser.parse_args(arguments)
    # There are hundreds of thousands of buckets and no cycle; going through them takes its time.
    gc.disable()
    be_last_in_line()
    now_utc_ms = SystemClock().utc_ms() if args.now is None else args.now
    try:
        iso_week = IsoWeek.parse(args.week)
        with Store.open(args.store, read_only=True) as store:
            maker = WeekMaker(store, None, now_utc_ms)
            if args.what == "close":
                out = json.dumps(maker.make(iso_week).as_json(), allow_nan=False).encode()
            else:
                week = maker.frozen_or_made(iso_week)
                out = _mail(store, week, args, now_utc_ms)
    except (CabinetwatchError, ValueError) as error:
        print(error, file=sys.stderr)
        return 2
    sys.stdout.buffer.write(out)
    gc.freeze()
    return 0


def _mail(store: Store, week: Week, args: argparse.Namespace, now_utc_ms: int) -> bytes:
    config = in_force(store, None)
    summary = summary_of(week, present_sentence(store, config, now_utc_ms))
    envelope = Envelope(args.sender, args.to, now_utc_ms, week.timezone, args.message_id)
    return mail_of(summary, draw_week(store, config, week), envelope).as_bytes()


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
