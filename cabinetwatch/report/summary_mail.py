"""A summary as text, HTML and mail; as a program, what makes one for the daemon.

What draws and reckons takes a hundred megabytes, which go with the child that took them:

    python -m cabinetwatch.report.summary_mail close --store URL --week 2026-W47
    python -m cabinetwatch.report.summary_mail mail --store URL --week 2026-W47 ...

gives a week's figures as JSON, or its mail, on standard output.
"""

import argparse
import gc
import json
import os
import sys
import textwrap
from collections.abc import Iterator, Sequence
from email.message import EmailMessage
from typing import TYPE_CHECKING

from cabinetwatch.clock import SystemClock
from cabinetwatch.config.model import Config
from cabinetwatch.notify.mail import TEMPLATES, Envelope, display_names, make_mail, predicate
from cabinetwatch.report.page import can_draw
from cabinetwatch.report.summary_make import WeekMaker
from cabinetwatch.report.summary_week import IsoWeek, Week
from cabinetwatch.report.summary_words import PROOF_OF_LIFE, Section, Summary, Table, summary_of
from cabinetwatch.report.words import STANDS, short_time
from cabinetwatch.store.replay import in_force
from cabinetwatch.store.store import Store
from cabinetwatch.text import CabinetwatchError, printable
from cabinetwatch.watch.events import AlarmState, Transition

if TYPE_CHECKING:
    from cabinetwatch.report.charts import Drawn

_COLUMNS = 76
_HEADING = 12
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
    caution = Section("Caution", notes=summary.cautions)
    notes = Section("Notes", notes=(*summary.notes, PROOF_OF_LIFE))
    for section in (*summary.sections, caution, notes):
        yield from ("", section.heading.upper(), "-" * len(section.heading))
        for number, matter in enumerate(section.matters, 1):
            if number > 1:
                yield ""
            indent = " " * (len(str(number)) + 2)
            yield from _wrapped(f"{number}. [{matter.urgency}] {matter.heading}", indent)
            yield from _wrapped(f"{indent}{matter.text}", indent)
            yield from _wrapped(f"{indent}What to do: {matter.todo}", indent)
        if section.table is not None:
            yield from _table(section.table)
        for what, how in section.lines:
            yield from _wrapped(f"{what}: {how}", "  ")
        for note in section.notes:
            yield from _wrapped(note)


def _table(table: Table) -> Iterator[str]:
    rows = [[printable(cell) for cell in row] for row in table.rows]
    headings = [textwrap.wrap(heading, _HEADING) for heading in table.headings]
    most = max(map(len, headings))
    columns = ([""] * (most - len(lines)) + lines for lines in headings)
    rows[:0] = map(list, zip(*columns, strict=True))
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    for row in rows:
        yield "  ".join(
            cell.rjust(width) if index else cell.ljust(width)
            for index, (cell, width) in enumerate(zip(row, widths, strict=True))
        )


def _wrapped(text: str, indent: str = "") -> list[str]:
    """Break a paragraph into lines, indented from the second one on."""
    text, is_short = printable(text), len(text) <= _COLUMNS
    if is_short:
        return [text]
    return textwrap.wrap(text, _COLUMNS, subsequent_indent=indent, break_on_hyphens=False)


def html_of(summary: Summary, drawn: "Sequence[Drawn]" = (), sources: Sequence[str] = ()) -> str:
    """Give the HTML with pictures that come from some sources; what is from outside is escaped."""
    return TEMPLATES.get_template("report/templates/summary.html.j2").render(
        summary=summary,
        pictures=list(zip(drawn, sources, strict=True)),
        proof_of_life=PROOF_OF_LIFE,
    )


def mail_of(summary: Summary, drawn: "Sequence[Drawn]", envelope: Envelope) -> EmailMessage:
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


def draw_week(store: Store, config: Config, week: Week) -> "list[Drawn]":
    """Draw the pictures of a week's mail; none where nothing can draw."""
    if not can_draw():
        return []
    from cabinetwatch.report import charts  # noqa: PLC0415

    return charts.draw_week(store, config, week)


def present_sentence(store: Store, config: Config, now_utc_ms: int) -> str:
    """Say which alarms are active at an instant."""
    standing = store.standing(now_utc_ms + 1)
    names = display_names(config)

    def named(alarms: Sequence[Transition]) -> str:
        words = [f"{names.get(each.subject, each.subject)}: {predicate(each)}" for each in alarms]
        more = len(words) - _MOST_NAMED
        return ", ".join(words[:_MOST_NAMED]) + (f" and {more} more" if more > 0 else "")

    told = [each for each in standing if each.state in STANDS]
    # Shelved, or withheld by a trial that was left open: what nobody is told must not be forgotten.
    hidden = [each for each in standing if each.state in _HIDDEN]
    when = f"Now ({short_time(now_utc_ms, config.site.timezone)})"
    unseen = f" Hidden: {named(hidden)}." if hidden else ""
    return f"{when}: {named(told)}.{unseen}" if told else f"{when} no alarm is active.{unseen}"


def main(arguments: Sequence[str]) -> int:
    """Write a week's figures as JSON, or its mail, to standard output; 2 with a sentence."""
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
    # Pictures can wait, the watch can't.
    os.nice(19)
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
    present = present_sentence(store, config, now_utc_ms)
    summary = summary_of(week, present, config.site.temperature_unit)
    envelope = Envelope(args.sender, args.to, now_utc_ms, week.timezone, args.message_id)
    return mail_of(summary, draw_week(store, config, week), envelope).as_bytes()


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
