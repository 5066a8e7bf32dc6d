"""What the terminal shows and takes: lines, tables, the log, and the types of arguments.

A type refuses what it can't read in one sentence. One that needs the configuration (an ID, an
interval in the site's time zone) is `Known`, and reads once that is loaded. So a command is handed
durations in s, instants in ms and IDs that exist, and parses nothing. Every command imports this
module, so what is heavy is imported where it is used.
"""

import argparse
import difflib
import importlib
import json
import logging
import math
import re
import signal
import sys
import textwrap
import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime, time, timedelta, tzinfo
from operator import attrgetter
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, NamedTuple, TextIO, TypeVar
from zoneinfo import ZoneInfo

from cabinetwatch.text import (
    UsageError,
    from_datetime,
    from_rfc3339,
    parse_duration,
    printable,
    typeset,
)
from cabinetwatch.watch.trials import check_name

if TYPE_CHECKING:
    from cabinetwatch.config import Config

_GAP = "  "
_LEAST_FOLDED = 10
COLUMNS = 80
_T = TypeVar("_T")


def say(sentence: str, out: TextIO | None = None) -> None:
    """Print a line; whatever could move the cursor in it is escaped."""
    print(printable(sentence), file=out or sys.stdout)


def paragraph(text: str, before: str = "", *, indent: str = "") -> None:
    """Print a paragraph, begun with `before` and folded to the narrowest terminal."""
    folding = textwrap.TextWrapper(
        COLUMNS, before, indent or " " * len(before), break_on_hyphens=False
    )
    for line in folding.wrap(printable(text)):
        print(line)


def tell(text: str, *, indent: str = "") -> None:
    """Print a paragraph whose figures are still to be set for people."""
    paragraph(typeset(text), indent=indent)


def print_json(value: Any) -> None:
    """Print JSON of ASCII letters alone, which no terminal takes for a command.

    Raises:
        ValueError: there is a NaN or an infinity in it, which JSON does not know.
    """
    print(json.dumps(value, indent=2, allow_nan=False))


def print_table(
    headings: Sequence[str],
    rows: Iterable[Sequence[str]],
    *,
    right: Iterable[int] = (),
    most_columns: int | None = None,
) -> None:
    """Print a table: drawn on a terminal, else plain columns that are never cut.

    Nothing in the cells is taken for markup. `right` numbers, from 0, the columns that are aligned
    to the right. A plain table wider than `most_columns` has its widest other column folded.
    """
    cells = [[printable(cell) for cell in row] for row in rows]
    if sys.stdout.isatty():
        _print_drawn(headings, cells, set(right))
    else:
        _print_plain(headings, cells, set(right), most_columns)


def _print_drawn(headings: Sequence[str], cells: list[list[str]], right: set[int]) -> None:
    # Rich takes a while to import, and only a terminal needs it.
    from rich import box  # noqa: PLC0415
    from rich.console import Console  # noqa: PLC0415
    from rich.table import Table  # noqa: PLC0415
    from rich.text import Text  # noqa: PLC0415

    # No upright lines: eight columns of figures must fit a terminal of 80.
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, show_edge=False, collapse_padding=True)
    for number, heading in enumerate(headings):
        # Folded rather than cut: an ID must be whole on the narrowest terminal.
        justify: Literal["left", "right"] = "right" if number in right else "left"
        table.add_column(Text(heading), justify=justify, overflow="fold")
    for row in cells:
        table.add_row(*map(Text, row))
    Console().print(table)


def _print_plain(
    headings: Sequence[str], cells: list[list[str]], right: set[int], most_columns: int | None
) -> None:
    lines = [list(headings), *cells]
    widths = [max(len(line[number]) for line in lines) for number in range(len(headings))]
    too_wide = sum(widths) + len(_GAP) * (len(widths) - 1) - (most_columns or math.inf)
    if too_wide > 0:
        widest = max({*range(len(widths))} - right, key=widths.__getitem__)
        widths[widest] = max(_LEAST_FOLDED, widths[widest] - int(too_wide))
        lines = [part for line in lines for part in _folded(line, widest, widths[widest])]
    for line in lines:
        padded = (
            cell.rjust(width) if number in right else cell.ljust(width)
            for number, (cell, width) in enumerate(zip(line, widths, strict=True))
        )
        print(_GAP.join(padded).rstrip())


def _folded(line: list[str], column: int, width: int) -> list[list[str]]:
    """Give the lines that a line of a table takes where one of its columns is narrower."""
    first, *further = textwrap.wrap(line[column], width, break_on_hyphens=False) or [""]
    return [
        [*line[:column], first, *line[column + 1 :]],
        *([part if number == column else "" for number in range(len(line))] for part in further),
    ]


MANUAL = Path(__file__).parents[1] / "manual"
_INDEX = "README"


def manual(args: argparse.Namespace) -> int:
    """Show a topic of the manual, or the list of them."""
    from rich.console import Console  # noqa: PLC0415
    from rich.markdown import Markdown  # noqa: PLC0415

    wanted = args.topic or _INDEX
    path = MANUAL / f"{wanted}.md"
    topics = [each.stem for each in MANUAL.glob("*.md")]
    if wanted not in topics:
        nearest = difflib.get_close_matches(wanted.lower(), topics, 1, cutoff=0.0)[0]
        raise UsageError(
            f"cabinetwatch manual: there is no topic {wanted}; the nearest is {nearest}"
        )
    # A terminal can follow no link to a file; its words stay.
    text = re.sub(r"\[([^]\n]+)\]\([^)]+\)", r"*\1*", path.read_text(encoding="utf-8"))
    console = Console(width=min(COLUMNS, Console().width))
    with console.capture() as captured:
        console.print(Markdown(text, code_theme="bw"))
    for line in captured.get().splitlines():
        print(line.rstrip())
    return 0


def topics_of(tables: Iterable[str]) -> list[str]:
    """Give the topics of the manual whose headings name tables of the configuration."""
    texts = {path.stem: path.read_text(encoding="utf-8") for path in sorted(MANUAL.glob("*.md"))}
    headings = [rf"^#.*`\[{re.escape(table)}[].]" for table in tables]
    return [
        name
        for name, text in texts.items()
        if any(re.search(heading, text, re.MULTILINE) for heading in headings)
    ]


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
        """Say how many were not shown."""
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


@contextmanager
def signalled(*numbers: signal.Signals) -> Iterator[threading.Event]:
    """Give what is set once one of these signals comes; after the block they do as before."""
    came = threading.Event()
    before = {number: signal.signal(number, lambda *_: came.set()) for number in numbers}
    try:
        yield came
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def function_of(path: str) -> Callable[..., Any]:
    """Give what MODULE:FUNCTION names."""
    module, _, name = path.partition(":")
    function: Callable[..., Any] = attrgetter(name)(
        importlib.import_module(f"cabinetwatch.{module}")
    )
    return function


class Known(NamedTuple):
    """The type of an argument that is read with the configuration."""

    read: Callable[[str, "Config"], Any]


def reading(
    function: Callable[[str], _T],
    wrong: type[Exception] = argparse.ArgumentTypeError,
    before: str = "",
) -> Callable[[str], _T]:
    """Give the type of what a function reads, which says by a ValueError what it can't."""

    def read(text: str) -> _T:
        try:
            return function(text)
        except ValueError as error:
            raise wrong(f"{before}{error}") from None

    return read


def later(path: str, *more: Any) -> Callable[[str], Any]:
    """Give a type whose function is imported when there is something to read."""
    return reading(lambda text: function_of(path)(text, *more))


def duration(option: str) -> Callable[[str], float]:
    """Give the type of a duration in s: a number with s, m, h or d, up to ten years.

    Python can't wait for more than 292 years, nor say how long infinity is.
    """

    def read(text: str) -> float:
        seconds = parse_duration(text)
        if seconds > 3650 * 86_400.0:
            raise ValueError(f"{text!r} is too long; give at most 3650d")
        return seconds

    return reading(read, UsageError, f"{option}: ")


instant = reading(from_rfc3339)
"""Reads an RFC 3339 time; UTC in ms."""


def interval(option: str) -> Known:
    """Give the type of an interval of ISO 8601 (5.5.1 of ISO 8601-1:2019, from memory).

    It gives from and up to before, UTC in ms; the end needn't lie after the start. A time without
    an offset is in the time zone of the site; an end may leave out what it shares with the start:
    its date, and its offset. Hours are hours, also where the clocks change; a day is from one time
    of day to the same on the next.
    """

    def read(text: str, config: "Config") -> tuple[int, int]:
        first, slash, second = text.strip().replace("--", "/").partition("/")
        try:
            start, end = _ends(first, second if slash else "", ZoneInfo(config.site.timezone))
            return from_datetime(start), from_datetime(end)
        except (ValueError, OverflowError) as error:
            raise UsageError(
                f"{option} {text}: this is no ISO 8601 interval ({error}); write it like"
                " 2026-07-01T18:00:00Z/2026-07-01T20:00:00Z or 2026-07-01T18:00:00Z/PT2H"
            ) from None

    return Known(read)


def _ends(first: str, second: str, zone: tzinfo) -> tuple[datetime, datetime]:
    if first.startswith("P"):
        end = _moment(second, zone)
        return _after(end, first, -1), end
    start = _moment(first, zone)
    if second.startswith("P"):
        return start, _after(start, second, 1)
    if "T" in second.upper():
        return start, _moment(second, start.tzinfo)
    end = datetime.combine(start.date(), _parsed(time.fromisoformat, second))
    return start, end if end.tzinfo is not None else end.replace(tzinfo=start.tzinfo)


def _moment(text: str, zone: tzinfo | None) -> datetime:
    if "T" not in text.upper():
        raise ValueError(f"{text or 'nothing'} has no time of day")
    moment = _parsed(datetime.fromisoformat, text)
    return moment if moment.tzinfo is not None else moment.replace(tzinfo=zone)


def _parsed(parse: Callable[[str], _T], text: str) -> _T:
    try:
        return parse(text)
    except ValueError:
        raise ValueError(f"{text or 'nothing'} is no time") from None


_DURATION = re.compile(
    r"P(?:(\d+(?:\.\d+)?)W)?(?:(\d+(?:\.\d+)?)D)?"
    r"(?:T(?:(\d+(?:\.\d+)?)H)?(?:(\d+(?:\.\d+)?)M)?(?:(\d+(?:\.\d+)?)S)?)?"
)


def _after(moment: datetime, text: str, sign: int) -> datetime:
    """The time an ISO 8601 duration after another, or before it with a sign of -1."""
    match = _DURATION.fullmatch(text)
    if match is None or not any(match.groups()):
        raise ValueError(f"{text} is no duration of weeks, days, hours, minutes or seconds")
    weeks, days, hours, minutes, seconds = (float(each or 0) for each in match.groups())
    # Within one time zone the sum of a datetime and a span is what the clocks on the wall show.
    whole = moment + sign * timedelta(weeks=weeks, days=days)
    span = timedelta(hours=hours, minutes=minutes, seconds=seconds)
    return whole.astimezone(UTC) + sign * span


def number(text: str) -> float:
    """Read a finite number."""
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise argparse.ArgumentTypeError(f"{text!r} is no number; write it like 12 or 0.1")
    return value


def positive(text: str) -> float:
    """Read a number above 0."""
    value = number(text)
    if value <= 0:
        raise argparse.ArgumentTypeError(f"{text!r} must lie above 0")
    return value


def _within(least: float, most: float, what: str) -> Callable[[str], float]:
    def read(text: str) -> float:
        value = number(text)
        if not least <= value <= most:
            raise argparse.ArgumentTypeError(f"{text!r} is no {what} ({least} to {most})")
        return value

    return read


temperature = _within(-90, 500, "temperature of gear in °C")
level = _within(-200, 200, "sound level in dB")


def timed_level(text: str) -> tuple[float, float]:
    """Read a level in dB and how long it lasts, s."""
    db, separator, span = text.rpartition(":")
    if not separator:
        raise argparse.ArgumentTypeError(f"{text!r} has no duration; write it like 40:15m")
    return level(db), reading(parse_duration)(span)


def limit(text: str) -> int:
    """Read how many rows of a store to show."""
    try:
        count = int(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"invalid int value: {text!r}") from None
    if not 1 <= count <= 1_000_000:
        raise UsageError(f"--limit {count} is not from 1 to 1000000")
    return count


def every(text: str) -> float:
    """Read an interval in s, up to a year."""
    try:
        seconds = float(text)
    except ValueError:
        seconds = 0.0
    if not 0.0 < seconds <= 366 * 86_400.0:
        raise argparse.ArgumentTypeError(f"{text!r} is no number of seconds above 0")
    return seconds


def address(text: str) -> tuple[str, int]:
    """Read HOST:PORT."""
    host, colon, port = text.rpartition(":")
    host = host.removeprefix("[").removesuffix("]")
    if not colon or not host or not port.isascii() or not port.isdigit() or int(port) > 65535:
        raise argparse.ArgumentTypeError(
            f"{text!r} is no address; write it like 127.0.0.1:8080, with a port up to 65535"
        )
    return host, int(port)


def topic_filter(text: str) -> str:
    """Read an MQTT topic filter."""
    problem = function_of("config.values:check_filter")(text)
    if problem is not None:
        raise UsageError(f"the topic filter {text!r} {problem}")
    return text


def trial_name(text: str) -> str:
    """Read a name that a trial may have."""
    try:
        check_name(text)
    except ValueError as error:
        raise UsageError(str(error)) from error
    return text


def note(text: str) -> str:
    """Read what somebody did."""
    written: str = function_of("service.publisher:words")(text, "TEXT")
    longest: int = importlib.import_module("cabinetwatch.watch.commands").LONGEST_NOTE
    if len(written) > longest:
        raise UsageError(f"A note of {len(written)} letters is too long; {longest} are the most")
    return written


def known_device(text: str, config: "Config") -> str:
    """Read the ID of a device."""
    if text not in config.devices:
        known = ", ".join(config.devices) or "none"
        raise UsageError(f"There is no device {text!r}; there are {known}")
    return text


def device_to(verb: str) -> Known:
    """Give the type of the ID of a device that has a rise, to learn or to compare it."""

    def read(text: str, config: "Config") -> str:
        if config.devices[known_device(text, config)].ambient is None:
            raise UsageError(
                f"{text} has no ambient sensor, so there is no rise to {verb}; name one in"
                f" [devices.{text}]"
            )
        return text

    return Known(read)


def known_subject(text: str, config: "Config") -> str:
    """Read the ID of a device or a sensor, or site."""
    known = [*config.devices, *config.sensors, "site"]
    if text not in known:
        raise UsageError(f"There is no subject {text!r}; there are {', '.join(known)}")
    return text


def said(name: str) -> Callable[[str], Any]:
    """Give the type of a text that must have words in it."""
    return later("service.publisher:words", name)
