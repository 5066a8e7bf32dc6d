"""`cabinetwatch listen`: show what arrives, and draft the tables for it."""

import argparse
import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from cabinetwatch.cli.hearing import Visit, add_span, checked_filters, span_s
from cabinetwatch.cli.listen_screen import live_table
from cabinetwatch.cli.output import say
from cabinetwatch.config import find_config_file
from cabinetwatch.errors import UsageError
from cabinetwatch.intake.draft import draft
from cabinetwatch.intake.excerpt import excerpt, excerpt_of_bytes
from cabinetwatch.intake.message import Incoming
from cabinetwatch.intake.survey import Survey
from cabinetwatch.text import counted
from cabinetwatch.times import to_rfc3339
from cabinetwatch.watch import configuration

Show = Callable[[Incoming | None], None]


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of this command."""
    parser.description = (
        "Show what arrives from the broker until Ctrl-C, then draft sensor tables for it and a"
        " device table for each temperature. When its output is no terminal, all of it is"
        " TOML: what arrived stands in comments."
    )
    parser.add_argument(
        "filters", metavar="FILTER", nargs="*", help="the topic filters to listen to (default: #)"
    )
    parser.add_argument(
        "--out", metavar="FILE", type=Path, help="write the draft there; the file must be new"
    )
    add_span(parser)


def run(args: argparse.Namespace) -> int:
    """Listen until the time is over, or until Ctrl-C or SIGTERM, then draft.

    Returns:
        0, or 1 when nothing arrived.

    Raises:
        ConfigError: the configuration is faulty.
        UsageError: the file exists, or a filter or the time is wrong.
    """
    for_s = span_s(args)
    if args.out is not None:
        _check_new(args.out)
    config = configuration.load(find_config_file(args.config))
    visit = Visit(config, checked_filters(args.filters) or ["#"], "Listen")
    survey = Survey()
    with _display(survey, visit) as show:
        for message in visit.messages(for_s):
            if message is not None:
                survey.note(message)
            show(message)
    if survey.left_out:
        say(f"Left out: {counted(survey.left_out, 'message')} of still more topics.", sys.stderr)
    if not survey.topics:
        say("nothing arrived", sys.stderr)
        return 1
    _hand_over(draft(survey.topics.values(), config), args.out)
    return 0


def _check_new(out: Path) -> None:
    """Refuse a file that could not be written once all has been heard."""
    if out.exists():
        raise UsageError(f"{out} exists already; name a file that does not")
    if not os.access(out.parent, os.W_OK | os.X_OK):
        raise UsageError(
            f"{out} can't be made: {out.parent.absolute()} is no folder that you may write to"
        )


@contextmanager
def _display(survey: Survey, visit: Visit) -> Iterator[Show]:
    if sys.stdout.isatty():
        with live_table(survey, visit.watch) as refresh:
            yield lambda _: refresh()
    else:
        yield lambda message: _print_message(message, visit)


def _print_message(message: Incoming | None, visit: Visit) -> None:
    if message is None:
        return
    time = to_rfc3339(visit.watch.utc_ms(message.t))
    marks = f"QoS {message.qos}" + (", retained" if message.retain else "")
    topic, payload = excerpt(message.topic, 200), excerpt_of_bytes(message.payload, 200)
    print(f"# {time}  {topic}  {payload}  ({marks})", flush=True)


def _hand_over(text: str, out: Path | None) -> None:
    if out is None:
        print(f"\n{text}", end="")
        return
    try:
        with out.open("x", encoding="utf-8") as file:
            file.write(text)
    except OSError as error:
        raise UsageError(f"{out}: can't be written: {error.strerror}") from error
    say(f"The draft is in {out}: edit the IDs, then add it to the configuration.", sys.stderr)
