"""How commands print: tables, lines and JSON, with control characters from outside escaped."""

import json
import sys
from collections.abc import Iterable, Sequence
from typing import Any, Literal, TextIO

from cabinetwatch.text import printable

_GAP = "  "


def say(sentence: str, out: TextIO | None = None) -> None:
    """Print a line; whatever could move the cursor in it is escaped."""
    print(printable(sentence), file=out or sys.stdout)


def print_json(value: Any, out: TextIO | None = None) -> None:
    """Print JSON of ASCII letters alone, which no terminal takes for a command.

    Raises:
        ValueError: there is a NaN or an infinity in it, which JSON does not know.
    """
    print(json.dumps(value, indent=2, allow_nan=False), file=out or sys.stdout)


def print_table(
    headings: Sequence[str],
    rows: Iterable[Sequence[str]],
    *,
    right: Iterable[int] = (),
    title: str | None = None,
    out: TextIO | None = None,
) -> None:
    """Print a table: drawn on a terminal, else plain columns that are never cut.

    Args:
        headings: one for each column.
        rows: as many cells in each as there are headings; nothing in them is taken for markup.
        right: numbers, from 0, of the columns that are aligned to the right.
        title: a line above it.
        out: standard output if left out.
    """
    out = out or sys.stdout
    cells = [[printable(cell) for cell in row] for row in rows]
    if out.isatty():
        _print_drawn(headings, cells, set(right), title, out)
    else:
        _print_plain(headings, cells, set(right), title, out)


def _print_drawn(
    headings: Sequence[str],
    cells: list[list[str]],
    right: set[int],
    title: str | None,
    out: TextIO,
) -> None:
    # Rich takes a while to import, and only a terminal needs it.
    from rich import box  # noqa: PLC0415
    from rich.console import Console  # noqa: PLC0415
    from rich.table import Table  # noqa: PLC0415
    from rich.text import Text  # noqa: PLC0415

    # No upright lines: eight columns of figures must fit a terminal of 80.
    table = Table(
        title=None if title is None else Text(title),
        title_justify="left",
        box=box.SIMPLE_HEAD,
        pad_edge=False,
        show_edge=False,
        collapse_padding=True,
    )
    for number, heading in enumerate(headings):
        # Folded rather than cut: an ID must be whole on the narrowest terminal.
        justify: Literal["left", "right"] = "right" if number in right else "left"
        table.add_column(Text(heading), justify=justify, overflow="fold")
    for row in cells:
        table.add_row(*map(Text, row))
    Console(file=out).print(table)


def _print_plain(
    headings: Sequence[str],
    cells: list[list[str]],
    right: set[int],
    title: str | None,
    out: TextIO,
) -> None:
    if title is not None:
        print(printable(title), file=out)
    lines = [list(headings), *cells]
    widths = [max(len(line[number]) for line in lines) for number in range(len(headings))]
    for line in lines:
        padded = (
            cell.rjust(width) if number in right else cell.ljust(width)
            for number, (cell, width) in enumerate(zip(line, widths, strict=True))
        )
        print(_GAP.join(padded).rstrip(), file=out)
