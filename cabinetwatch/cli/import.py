"""`cabinetwatch import FILE`: readings from a file into the store, kept and not judged."""

import argparse
from itertools import chain, islice
from pathlib import Path

from cabinetwatch.cli.left_out import LeftOut
from cabinetwatch.cli.output import say
from cabinetwatch.clock import SystemClock
from cabinetwatch.config import find_config_file
from cabinetwatch.errors import UsageError
from cabinetwatch.intake import tables
from cabinetwatch.service.importing import Imported, import_readings
from cabinetwatch.service.startup import open_or_make
from cabinetwatch.store.corrections import offsets_throughout
from cabinetwatch.text import counted
from cabinetwatch.times import to_rfc3339
from cabinetwatch.watch import configuration
from cabinetwatch.watch.entry import EntryKind


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of this command."""
    parser.add_argument(
        "file",
        type=Path,
        metavar="FILE",
        help="CSV (time,sensor,value; values are taken as corrected), the JSON Lines of export, or"
        " a recording",
    )


def run(args: argparse.Namespace) -> int:
    """Take the file in; what can't be read is told by its line and left out.

    Raises:
        ConfigError: the configuration is faulty.
        StoreError: the watch is running with this store, or it can't be written.
        UsageError: the file can't be read, or is of no known kind, or no line in it is right.
    """
    config = configuration.load(find_config_file(args.config))
    left_out = LeftOut(args.file)
    readings = tables.read(args.file, config.sensors, left_out.tell)
    # The file is opened by who asks: in the folder of the store root may be another user.
    readings = chain(list(islice(readings, 1)), readings)
    with open_or_make(config.store.url) as store:
        journaled = store.entries(EntryKind.CONFIG)
        offsets = offsets_throughout(journaled, config).at(store.last_seq() + 1)
        now_utc_ms = SystemClock().utc_ms()
        imported = import_readings(store, readings, offsets, now_utc_ms, left_out.tell)
    left_out.close()
    if left_out.lines and not (imported.taken or imported.known or imported.too_old):
        raise UsageError(f"{args.file}: no line could be taken, and nothing has changed")
    say(_summary(imported, len(left_out.lines)))
    return 0


def _summary(imported: Imported, left_out: int) -> str:
    parts = [f"{counted(imported.taken, 'reading')} taken"]
    if imported.known:
        parts.append(f"{imported.known} left out, because the store has them already")
    if imported.too_old and imported.gone_before is not None:
        since = to_rfc3339(imported.gone_before)
        parts.append(
            f"{imported.too_old} left out, because of the time before {since} the store keeps"
            " minutes only, in which they would count twice"
        )
    if left_out:
        parts.append(f"{counted(left_out, 'line')} left out, for what is wrong")
    return "; ".join(parts) + "."
