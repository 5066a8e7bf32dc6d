"""How commands print, and the kinds of argument they take."""

import argparse
import json
import logging
import math
import re
import sys
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta, tzinfo
from pathlib import Path
from typing import Any, Literal, NamedTuple, TextIO, TypeVar
from zoneinfo import ZoneInfo

from cabinetwatch.clock import from_datetime, from_rfc3339, to_datetime
from cabinetwatch.text import UsageError, printable
from cabinetwatch.watch.alarms import without_span
from cabinetwatch.watch.events import AlarmState, Transition

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


class Figure(NamedTuple):
    """One quantity: its key in JSON (with the unit as suffix), its name for people, value, unit."""

    key: str
    name: str
    value: float | str
    unit: str = ""

    @property
    def text(self) -> str:
        """The value with its unit, four digits."""
        return f"{_four_digits(self.value)} {self.unit}".rstrip()


def _four_digits(value: float | str) -> str:
    """Write a value; powers of ten only where the figure would be long.

    >>> _four_digits(50000.0), _four_digits(90509.7), _four_digits(1.64e10)
    ('50000', '90510', '1.64e+10')
    """
    if isinstance(value, str):
        return value
    written = f"{value:z.4g}"
    if not 1e4 <= abs(value) < 1e9:
        return written
    return f"{float(written):z.0f}"


@dataclass(frozen=True)
class BenchResult:
    """What is printed. `notes` say what the sum can't, `cautions` where hands get hurt."""

    calculation: str
    formula: str
    source: str
    inputs: list[Figure]
    results: list[Figure]
    notes: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        """Refuse an answer that is no number.

        Raises:
            ValueError: an input was so large or so small that the sum left the numbers.
        """
        for figure in self.results:
            if isinstance(figure.value, float) and not math.isfinite(figure.value):
                raise ValueError(
                    f"with these figures the answer ({figure.name}) is beyond all numbers; check"
                    " their units"
                )


def show(answer: BenchResult, *, as_json: bool) -> None:
    """Print an answer."""
    if as_json:
        print_json(_as_json(answer))
        return
    say(f"Formula: {answer.formula}")
    say(f"Source:  {answer.source}")
    print_table(("given", "", "key"), [(f.name, f.text, f.key) for f in answer.inputs])
    print_table(("answer", "", "key"), [(f.name, f.text, f.key) for f in answer.results])
    for note in answer.notes:
        say(f"Note: {note}")
    for caution in answer.cautions:
        say(f"CAUTION: {caution}")


def _as_json(answer: BenchResult) -> dict[str, Any]:
    return {
        "calculation": answer.calculation,
        "formula": answer.formula,
        "source": answer.source,
        "inputs": {figure.key: figure.value for figure in answer.inputs},
        "answer": {figure.key: figure.value for figure in answer.results},
        "notes": list(answer.notes),
        "cautions": list(answer.cautions),
    }


def number(text: str) -> float:
    """Read a finite number from the command line."""
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise argparse.ArgumentTypeError(f"{text!r} is no number; write it like 12 or 0.1")
    return value


def positive(text: str) -> float:
    """Read a number above 0 from the command line."""
    value = number(text)
    if value <= 0:
        raise argparse.ArgumentTypeError(f"{text!r} must lie above 0")
    return value


def temperature(text: str) -> float:
    """Read a temperature in degC that gear may come to know."""
    value = number(text)
    if not -90 <= value <= 500:
        raise argparse.ArgumentTypeError(f"{text!r} is no temperature of gear in °C (-90 to 500)")
    return value


_MOST_TOLD = 20


class LeftOut:
    """Tells on standard error what is left out of a file; `lines` numbers the lines with faults."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._count = 0
        self.lines: set[int] = set()

    def tell(self, number: int, sentence: str) -> None:
        """Take what is wrong with a line; one line may have several faults."""
        self.lines.add(number)
        self._count += 1
        if self._count <= _MOST_TOLD:
            say(f"{self._path}, line {number} {sentence}; it is left out", sys.stderr)

    def close(self) -> None:
        """Say how many were not told."""
        more = self._count - _MOST_TOLD
        if more > 0:
            say(f"{self._path}: {more} more faults are not shown", sys.stderr)


class LineFormatter(logging.Formatter):
    """Keeps every message on its line: some hold what a broker, a server or a person wrote."""

    def formatMessage(self, record: logging.LogRecord) -> str:  # noqa: N802 - the library's name
        """Give the line, without a traceback after it."""
        return printable(super().formatMessage(record))


def log_to_standard_error(level: int) -> None:
    """Let everything from `level` on be written to standard error.

    On a terminal lines have local times; what systemd keeps gets its own.
    """
    handler = logging.StreamHandler(sys.stderr)
    when = "%(asctime)s " if sys.stderr.isatty() else ""
    form = f"{when}%(levelname)s %(name)s: %(message)s"
    handler.setFormatter(LineFormatter(form, datefmt="%Y-%m-%d %H:%M:%S"))
    logging.basicConfig(level=level, handlers=[handler])


def instant(text: str) -> int:
    """Read an RFC 3339 time as an argument; UTC in ms."""
    try:
        return from_rfc3339(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(str(error)) from None


def add_interval(parser: argparse.ArgumentParser, *, from_help: str, to_help: str) -> None:
    """Add --from and --to, which give `from_utc_ms` and `to_utc_ms`."""
    for name, text in (("from", from_help), ("to", to_help)):
        parser.add_argument(
            f"--{name}", dest=f"{name}_utc_ms", type=instant, metavar="TIME", help=text
        )


def check_interval(args: argparse.Namespace) -> None:
    """Refuse an interval that ends before it begins.

    Raises:
        UsageError: it does.
    """
    if None not in (args.from_utc_ms, args.to_utc_ms) and args.from_utc_ms >= args.to_utc_ms:
        raise UsageError("--from is not before --to; give the earlier time first")


_T = TypeVar("_T")
_DURATION = re.compile(
    r"P(?:(\d+(?:\.\d+)?)W)?(?:(\d+(?:\.\d+)?)D)?"
    r"(?:T(?:(\d+(?:\.\d+)?)H)?(?:(\d+(?:\.\d+)?)M)?(?:(\d+(?:\.\d+)?)S)?)?"
)


def read_interval(option: str, text: str, timezone: str) -> tuple[int, int]:
    """Read an interval of ISO 8601 (5.5.1 of ISO 8601-1:2019, from memory).

    A time without an offset is in the time zone of the site; an end may leave out what it shares
    with the start: its date, and its offset. Hours are hours, also where the clocks change; a day
    is from one time of day to the same on the next.

    Args:
        option: the option it stands behind, for the sentence of an error.
        text: such as 2026-07-01T18:00Z/20:00, or 2026-07-01T18:00/PT2H.
        timezone: of the site.

    Returns:
        From and up to before, UTC in ms; the end needn't lie after the start.

    Raises:
        UsageError: it is no such interval.
    """
    first, slash, second = text.strip().replace("--", "/").partition("/")
    zone = ZoneInfo(timezone)
    try:
        start, end = _ends(first, second if slash else "", zone)
        return from_datetime(start), from_datetime(end)
    except (ValueError, OverflowError) as error:
        raise UsageError(
            f"{option} {text}: this is no ISO 8601 interval ({error}); write it like"
            " 2026-07-01T18:00:00Z/2026-07-01T20:00:00Z or 2026-07-01T18:00:00Z/PT2H"
        ) from None


def _ends(first: str, second: str, zone: tzinfo) -> tuple[datetime, datetime]:
    if first.startswith("P"):
        end = _instant(second, zone)
        return _after(end, first, -1), end
    start = _instant(first, zone)
    if second.startswith("P"):
        return start, _after(start, second, 1)
    return start, _end(second, start)


def _after(moment: datetime, duration: str, sign: int) -> datetime:
    """Give the time a duration after another, or before it with a sign of -1."""
    days, hours = _duration(duration)
    # Within one time zone the sum of a datetime and a span is what the clocks on the wall show.
    return (moment + sign * days).astimezone(UTC) + sign * hours


def _instant(text: str, zone: tzinfo | None) -> datetime:
    if "T" not in text.upper():
        raise ValueError(f"{text or 'nothing'} has no time of day")
    moment = _parsed(datetime.fromisoformat, text)
    return moment if moment.tzinfo is not None else moment.replace(tzinfo=zone)


def _end(text: str, start: datetime) -> datetime:
    if "T" in text.upper():
        return _instant(text, start.tzinfo)
    moment = _parsed(time.fromisoformat, text)
    whole = datetime.combine(start.date(), moment)
    return whole if whole.tzinfo is not None else whole.replace(tzinfo=start.tzinfo)


def _parsed(parse: Callable[[str], _T], text: str) -> _T:
    try:
        return parse(text)
    except ValueError:
        raise ValueError(f"{text or 'nothing'} is no time") from None


def _duration(text: str) -> tuple[timedelta, timedelta]:
    """Give the days of a duration, and what is shorter."""
    match = _DURATION.fullmatch(text)
    if match is None or not any(match.groups()):
        raise ValueError(f"{text} is no duration of weeks, days, hours, minutes or seconds")
    weeks, days, hours, minutes, seconds = (float(each or 0) for each in match.groups())
    return (
        timedelta(weeks=weeks, days=days),
        timedelta(hours=hours, minutes=minutes, seconds=seconds),
    )


_HIDDEN = {AlarmState.SHELVED, AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE}


def print_standing(standing: Sequence[Transition]) -> None:
    """Print what stands, each with its sentence and its ID, and apart from it what is hidden."""
    seen = [each for each in standing if each.state not in _HIDDEN]
    hidden = [each for each in standing if each.state in _HIDDEN]
    if seen:
        _print_alarms(seen, "Standing alarms")
    else:
        say("No alarm stands.")
    if hidden:
        print()
        _print_alarms(hidden, "Hidden: shelved, suppressed or out of service")


def _print_alarms(alarms: Sequence[Transition], title: str) -> None:
    print_table(
        ("ID", "Priority", "State", "Subject", "Condition", "Since (UTC)"),
        [
            (
                each.id,
                each.priority.value,
                each.state.value,
                each.subject,
                each.condition,
                utc_minute(_since_utc_ms(each)),
            )
            for each in alarms
        ],
        title=title,
    )
    # A device out of service has the same sentence for each of its conditions.
    told: dict[str, list[str]] = {}
    # Since when stands above; for how long it was when it was told is no longer true.
    texts = {each.id: without_span(each.text) for each in alarms}
    for each in alarms:
        told.setdefault(f"{each.subject} {texts[each.id]}", []).append(each.id)
    for ids in told.values():
        say(f"{', '.join(ids)}: {texts[ids[0]]}")


def print_history(history: Sequence[Transition]) -> None:
    """Print transitions, the newest last."""
    if not history:
        say("No alarm has ever moved.")
        return
    print_table(
        ("Time (UTC)", "ID", "Subject", "Condition", "From", "To", "Priority"),
        [
            (
                utc_minute(each.utc_ms, seconds=True),
                each.id,
                each.subject,
                each.condition,
                each.previous.value,
                each.state.value,
                each.priority.value,
            )
            for each in history
        ],
        title="History",
    )


def _since_utc_ms(transition: Transition) -> int:
    """Give when it began; for one that only was taken out of service, when it was."""
    since: str | None = transition.values.get("since")
    return transition.utc_ms if since is None else from_rfc3339(since)


def utc_minute(utc_ms: int, *, seconds: bool = False) -> str:
    """Write an instant in UTC to the minute or the second."""
    return to_datetime(utc_ms).strftime("%Y-%m-%d %H:%M:%S" if seconds else "%Y-%m-%d %H:%M")
