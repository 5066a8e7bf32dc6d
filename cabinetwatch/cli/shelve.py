"""`cabinetwatch shelve ID`: hide an alarm for a while, with a reason."""

import argparse

from cabinetwatch.cli.asking import ask, find_alarm, open_store
from cabinetwatch.service.remote import shelving_s, words


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of this command."""
    parser.add_argument("id", metavar="ID", help="the alarm's ID, as notices and `alarms` show it")
    parser.add_argument(
        "--for",
        dest="span",
        metavar="TIME",
        required=True,
        help="how long: a number with s, m, h or d, such as 2h; at most 30d",
    )
    parser.add_argument("--reason", required=True, help="why, for whoever asks later")


def run(args: argparse.Namespace) -> int:
    """Shelve."""
    for_s, reason = shelving_s(args.span), words(args.reason, "--reason")
    with open_store(args) as store:
        find_alarm(store, args.id)
        command = {"command": "shelve", "id": args.id, "for_s": for_s, "reason": reason}
        return ask(store, command)
