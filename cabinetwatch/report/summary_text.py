"""Dresses a summary as plain text: aligned columns, no line over 76 characters."""

import textwrap
from collections.abc import Iterable, Iterator

from cabinetwatch.report.summary_content import Summary, Table, column_widths
from cabinetwatch.text import printable

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
