"""`cabinetwatch backup FILE`: copy the store while the watch goes on, and verify the copy."""

import argparse
from pathlib import Path

from cabinetwatch.cli.output import say
from cabinetwatch.config import find_config_file
from cabinetwatch.service.housekeeping import megabytes
from cabinetwatch.store.backup import back_up
from cabinetwatch.watch import configuration


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of this command."""
    parser.add_argument(
        "file", metavar="FILE", type=Path, help="the copy; it may be used as a store"
    )
    parser.add_argument("--force", action="store_true", help="replace FILE if it is there already")


def run(args: argparse.Namespace) -> int:
    """Copy and verify.

    Raises:
        ConfigError: the configuration is faulty.
        StoreError: there is no store, FILE is there or can't be written, or does not check out.
    """
    config = configuration.load(find_config_file(args.config))
    backup = back_up(config.store.path, args.file, replace=args.force)
    say(
        f"{args.file}: {megabytes(backup.bytes)}, opened and checked; "
        f"{backup.readings} single readings are in it."
    )
    return 0
