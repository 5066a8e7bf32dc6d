"""`cabinetwatch note TEXT`: log what somebody did to the cabinet."""

import argparse

from cabinetwatch.cli.asking import ask
from cabinetwatch.cli.instants import instant
from cabinetwatch.clock import SystemClock
from cabinetwatch.config import find_config_file
from cabinetwatch.errors import UsageError
from cabinetwatch.service.remote import words
from cabinetwatch.store.store import Store
from cabinetwatch.times import to_rfc3339
from cabinetwatch.watch import configuration
from cabinetwatch.watch.deeds import LONGEST_NOTE


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of this command."""
    parser.add_argument("text", metavar="TEXT", help='what was done, such as "cleaned the filter"')
    parser.add_argument("--device", metavar="ID", help="to which device (default: to all)")
    parser.add_argument(
        "--at",
        dest="at_utc_ms",
        type=instant,
        metavar="TIME",
        help="when (RFC 3339, such as 2026-07-01T12:00:00Z; default: now)",
    )


def run(args: argparse.Namespace) -> int:
    """Note it; the trend of the device, or of all, starts anew from it."""
    config = configuration.load(find_config_file(args.config))
    text = words(args.text, "TEXT")
    if len(text) > LONGEST_NOTE:
        raise UsageError(f"A note of {len(text)} letters is too long; {LONGEST_NOTE} are the most")
    if args.device is not None and args.device not in config.devices:
        known = ", ".join(config.devices) or "none"
        raise UsageError(f"There is no device {args.device!r}; there are {known}")
    command: dict[str, object] = {"command": "note", "text": text}
    if args.device is not None:
        command["device"] = args.device
    if args.at_utc_ms is not None:
        if args.at_utc_ms > SystemClock().utc_ms():
            raise UsageError("--at lies in the future; give the time at which it was done")
        command["at"] = to_rfc3339(args.at_utc_ms)
    with Store.open(config.store.url, read_only=True) as store:
        return ask(store, command)
