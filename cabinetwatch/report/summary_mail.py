"""A summary as text, HTML and mail; made in a process of its own.

What draws and reckons takes a hundred megabytes, which so go as soon as it is done.
"""

import argparse
import gc
import json
import sys
import textwrap
from collections.abc import Iterable, Iterator, Mapping, Sequence
from email.message import EmailMessage
from typing import NamedTuple

from cabinetwatch.clock import SystemClock
from cabinetwatch.notify.mail import TEMPLATES, Envelope, make_mail
from cabinetwatch.report.charts import Drawn, be_last_in_line, draw_week
from cabinetwatch.report.summary_content import (
    Summary,
    Table,
    column_widths,
    present_sentence,
    summary_of,
)
from cabinetwatch.report.summary_make import WeekMaker
from cabinetwatch.report.summary_week import IsoWeek, Week
from cabinetwatch.store.replay import in_force
from cabinetwatch.store.store import Store
from cabinetwatch.text import CabinetwatchError, printable

COLUMNS = 76
_LONGEST_NAME = 16
_GAP = "  "


def text_of(summary: Summary) -> str:
    """Give the plain-text part."""
    return "\n".join(line.rstrip() for line in _lines(summary)) + "\n"


def _lines(summary: Summary) -> Iterator[str]:
    yield from _wrapped(summary.title.upper())
    yield from _wrapped(summary.span)
    yield ""
    yield from _wrapped(summary.verdict.sentence)
    if summary.change:
        yield from _wrapped(summary.change)
    if summary.present:
        yield from _wrapped(summary.present)
    yield from _heading("What needs a hand")
    yield from _matters(summary)
    yield from _heading("Devices")
    yield from _devices(summary)
    yield from _heading("Sensors")
    yield from _table(summary.sensors)
    yield from _heading("Alarms of the week")
    yield from _alarms(summary)
    yield from _heading("How the watch did")
    yield from _pairs(summary.watch)
    if summary.remarks:
        yield from _heading("What people noted")
        yield from _pairs(summary.remarks)
    yield from _heading("Caution")
    for caution in (*summary.cautions, summary.no_smoke_alarm):
        yield from _wrapped(caution)
    yield ""
    yield from _wrapped(summary.proof_of_life)


def _heading(words: str) -> Iterator[str]:
    yield ""
    yield words.upper()
    yield "-" * len(words)


def _matters(summary: Summary) -> Iterator[str]:
    if not summary.matters:
        yield "Nothing."
    for number, matter in enumerate(summary.matters, 1):
        if number > 1:
            yield ""
        indent = " " * (len(str(number)) + 2)
        yield from _wrapped(f"{number}. [{matter.urgency.words}] {matter.heading}", indent)
        yield from _wrapped(f"{indent}{matter.text}", indent)
        yield from _wrapped(f"{indent}What to do: {matter.todo}", indent)


def _devices(summary: Summary) -> Iterator[str]:
    if not summary.temperatures.rows:
        yield "None."
        return
    yield from _grouped(_narrowed(summary.temperatures), {1: "Temperature, °C", 5: "Rise, K"})
    yield ""
    yield from _grouped(_narrowed(summary.rises), {1: "Settled rise, K", 4: "Margin, K"})
    yield ""
    for note in summary.footnotes:
        yield from _wrapped(note)


def _alarms(summary: Summary) -> Iterator[str]:
    if not summary.alarms.rows:
        yield "None was raised, and none stood."
    for row in summary.alarms.rows:
        raised, priority, name, stood, seen, state = row
        yield from _wrapped(f"{raised:<10}  [{priority}] {name}", " " * 12)
        seen = "not acknowledged" if seen == "-" else f"acknowledged {seen}"
        yield from _wrapped(f"{'':<12}stood {stood}, {seen}; {state}", " " * 12)
    if summary.alarms_more:
        yield f"And {summary.alarms_more} before these."
    if summary.returned:
        yield ""
        yield from _wrapped(summary.returned)
    yield ""
    yield from _pairs(summary.measures)


def _grouped(table: Table, groups: dict[int, str]) -> Iterator[str]:
    """Put a line with the names of groups of columns above a table, each over its first column."""
    widths, gap = column_widths(table), _gap(table)
    line = ""
    for first, name in groups.items():
        line = line.ljust(sum(widths[:first]) + first * len(gap)) + name
    yield line
    yield from _table(table)


def _gap(table: Table) -> str:
    """Give what stands between columns: less where the table would be too wide."""
    widths = column_widths(table)
    return _GAP if sum(widths) + len(_GAP) * (len(widths) - 1) <= COLUMNS else " "


def _narrowed(table: Table) -> Table:
    """Shorten long names in the first column, so that the rest of the row has room."""
    rows = tuple(
        (row[0] if len(row[0]) <= _LONGEST_NAME else row[0][: _LONGEST_NAME - 1] + "…", *row[1:])
        for row in table.rows
    )
    return Table(table.headings, rows, table.left)


def _table(table: Table) -> Iterator[str]:
    widths, gap = column_widths(table), _gap(table)
    for line in (table.headings, *table.rows):
        cells = [
            printable(cell).ljust(width) if index in table.left else printable(cell).rjust(width)
            for index, (cell, width) in enumerate(zip(line, widths, strict=True))
        ]
        yield from _folded(gap.join(cells))


def _folded(line: str) -> Iterator[str]:
    """Go on in the next line where a row is too long; its last column has the room for it."""
    if len(line.rstrip()) <= COLUMNS:
        yield line
    else:
        yield from textwrap.wrap(
            line, COLUMNS, subsequent_indent="    ", drop_whitespace=True, break_on_hyphens=False
        )


def _pairs(pairs: Iterable[tuple[str, str]]) -> Iterator[str]:
    for label, value in pairs:
        yield from _wrapped(f"{label:<20}  {value}", " " * 22)


def _wrapped(text: str, indent: str = "") -> Iterator[str]:
    """Break a paragraph into lines, indented from the second one on."""
    if len(text) <= COLUMNS:
        yield printable(text)
        return
    yield from textwrap.wrap(
        printable(text),
        COLUMNS,
        subsequent_indent=indent,
        break_long_words=True,
        break_on_hyphens=False,
    )


class Shown(NamedTuple):
    """A picture in the page: where it comes from, its words, and what is marked on it."""

    source: str
    title: str
    alt: str
    key: str


def html_of(summary: Summary, pictures: Mapping[str, list[Shown]]) -> str:
    """Give the HTML; everything from outside is escaped.

    Args:
        summary: in words.
        pictures: those of each device, by its ID.
    """
    template = TEMPLATES.get_template("report/templates/summary.html.j2")
    return template.render(summary=summary, pictures=pictures)


def mail_of(summary: Summary, drawn: Sequence[Drawn], envelope: Envelope) -> EmailMessage:
    """Give the mail: the same bytes for the same arguments."""
    token, _, domain = envelope.message_id.strip("<>").partition("@")
    ids = [f"{index}.{token}@{domain}" for index in range(len(drawn))]
    html = html_of(summary, by_device(drawn, [f"cid:{cid}" for cid in ids]))
    message = make_mail(envelope, summary.subject, text_of(summary), html)
    _add_pictures(message, drawn, ids, f"=_r{token}")
    return message


def by_device(drawn: Sequence[Drawn], sources: Sequence[str]) -> dict[str, list[Shown]]:
    """Sort pictures by the devices they belong to, each with where it comes from."""
    shown: dict[str, list[Shown]] = {}
    for each, source in zip(drawn, sources, strict=True):
        picture = Shown(source, each.title, each.alt, each.key)
        shown.setdefault(each.device_id, []).append(picture)
    return shown


def _add_pictures(
    message: EmailMessage, drawn: Sequence[Drawn], ids: Sequence[str], boundary: str
) -> None:
    """Put the pictures beside the HTML that shows them (multipart/related, RFC 2387)."""
    if not drawn:
        return
    html = list(_parts(message))[1]
    for each, cid in zip(drawn, ids, strict=True):
        html.add_related(
            each.png,
            "image",
            "png",
            cid=f"<{cid}>",
            disposition="inline",
            filename=each.file_name,
        )
    html.set_boundary(boundary)


def _parts(message: EmailMessage) -> Iterator[EmailMessage]:
    for part in message.iter_parts():
        if isinstance(part, EmailMessage):
            yield part


def main(arguments: Sequence[str]) -> int:
    """Write a week's figures as JSON, or its mail, to standard output.

    Returns:
        0; 2 with one sentence on standard error.
    """
    args = _parser().parse_args(arguments)
    # There are hundreds of thousands of buckets and no cycle; going through them takes its time.
    gc.disable()
    be_last_in_line()
    now_utc_ms = SystemClock().utc_ms() if args.now is None else args.now
    try:
        week = IsoWeek.parse(args.week)
        with Store.open(args.store, read_only=True) as store:
            maker = WeekMaker(store, None, now_utc_ms)
            if args.what == "close":
                out = json.dumps(maker.make(week).as_json(), allow_nan=False).encode()
            else:
                out = _mail(store, maker.frozen_or_made(week), args, now_utc_ms)
    except (CabinetwatchError, ValueError) as error:
        print(error, file=sys.stderr)
        return 2
    sys.stdout.buffer.write(out)
    gc.freeze()
    return 0


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="summary_child")
    parser.add_argument("what", choices=("close", "mail"))
    parser.add_argument("--store", required=True)
    parser.add_argument("--week", required=True)
    parser.add_argument("--now", type=int)
    parser.add_argument("--message-id", default="")
    parser.add_argument("--from", dest="sender", default="")
    parser.add_argument("--to", nargs="*", default=[])
    return parser


def _mail(store: Store, week: Week, args: argparse.Namespace, now_utc_ms: int) -> bytes:
    config = in_force(store, None)
    summary = summary_of(week, present_sentence(store, config, now_utc_ms))
    envelope = Envelope(args.sender, args.to, now_utc_ms, week.timezone, args.message_id)
    return mail_of(summary, draw_week(store, config, week), envelope).as_bytes()


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
