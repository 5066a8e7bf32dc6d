"""`cabinetwatch alarms`: what stands, and how it came to it."""

import argparse

from cabinetwatch.cli.asking import open_store
from cabinetwatch.cli.output import print_json
from cabinetwatch.cli.transitions import print_history, print_standing
from cabinetwatch.errors import UsageError

_DEFAULT_LIMIT = 50
_LARGEST_LIMIT = 1_000_000


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the options of this command."""
    parser.add_argument("--json", action="store_true", help="print JSON, for programs")
    parser.add_argument(
        "--limit",
        type=int,
        default=_DEFAULT_LIMIT,
        metavar="N",
        help=f"so many of the newest transitions (default {_DEFAULT_LIMIT})",
    )


def run(args: argparse.Namespace) -> int:
    """Show alarms."""
    if not 1 <= args.limit <= _LARGEST_LIMIT:
        raise UsageError(f"--limit {args.limit} is not from 1 to {_LARGEST_LIMIT}")
    with open_store(args) as store:
        standing, history = store.standing(), store.transitions(limit=args.limit)
    if args.json:
        print_json(
            {
                "standing": [each.public() for each in standing],
                "history": [each.public() for each in history],
            }
        )
        return 0
    print_standing(standing)
    print()
    print_history(history)
    return 0
