"""`cabinetwatch ack ID`: say that somebody has seen an alarm."""

import argparse

from cabinetwatch.cli.asking import ask, find_alarm, open_store


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of this command."""
    parser.add_argument("id", metavar="ID", help="the alarm's ID, as notices and `alarms` show it")


def run(args: argparse.Namespace) -> int:
    """Acknowledge."""
    with open_store(args) as store:
        find_alarm(store, args.id)
        return ask(store, {"command": "ack", "id": args.id})
