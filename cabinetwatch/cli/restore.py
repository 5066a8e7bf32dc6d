"""`cabinetwatch restore FILE`: put a backup in the place of the store."""

import argparse
from pathlib import Path

from cabinetwatch.cli.output import say
from cabinetwatch.clock import SystemClock
from cabinetwatch.config import find_config_file
from cabinetwatch.errors import StoreError
from cabinetwatch.store.backup import Restored, restore
from cabinetwatch.store.running import find_watch
from cabinetwatch.times import to_rfc3339
from cabinetwatch.watch import configuration


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of this command."""
    parser.add_argument("file", metavar="FILE", type=Path, help="what `backup` wrote; it is kept")
    parser.epilog = (
        "Stop the watch first. The store that is there is kept under a dated name beside it, with "
        "its log; do not copy a backup over the store yourself: the log left there would spoil it."
    )


def run(args: argparse.Namespace) -> int:
    """Check the backup and put it in place.

    Raises:
        ConfigError: the configuration is faulty.
        StoreError: a watch runs, FILE is no sound backup, or it can't be put there.
    """
    config = configuration.load(find_config_file(args.config))
    path = config.store.path
    watch = find_watch(path)
    if watch is not None:
        process = "" if watch.process is None else f" (process {watch.process})"
        raise StoreError(
            f"A watch is running on the store {path}{process}; stop it first, with"
            " `systemctl stop cabinetwatch`, or Ctrl-C where it runs"
        )
    now_utc_ms = SystemClock().utc_ms()
    done = restore(args.file, path, now_utc_ms)
    say(f"{args.file} is in place as {path}; it was checked first, and `run` goes on with it.")
    say(_missing(done, now_utc_ms))
    if done.aside is not None:
        say(f"The store that was there is kept as {done.aside}.")
    return 0


def _missing(done: Restored, now_utc_ms: int) -> str:
    """Say what the backup does not have."""
    if done.newest_utc_ms is None:
        return "The backup holds no readings: everything up to now is missing in it."
    since = to_rfc3339(done.newest_utc_ms)
    if done.before_utc_ms is None:
        until = to_rfc3339(now_utc_ms)
        return f"What was measured and told from {since} to now ({until}) is missing in it."
    if done.before_utc_ms <= done.newest_utc_ms:
        return f"Nothing is missing: the store that was there had nothing after {since} either."
    until = to_rfc3339(done.before_utc_ms)
    return f"What was measured and told from {since} to {until} is missing in it."
