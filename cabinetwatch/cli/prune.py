"""`cabinetwatch prune`: let go of what is older than its keeping time, and give the space back."""

import argparse

from cabinetwatch.cli.asking import ask
from cabinetwatch.clock import SystemClock, WatchTime
from cabinetwatch.config import Config, find_config_file
from cabinetwatch.service.housekeeping import thorough_round
from cabinetwatch.service.store_loop import PRUNE
from cabinetwatch.store.prune import Keeping, Now
from cabinetwatch.store.running import find_watch
from cabinetwatch.store.store import Store
from cabinetwatch.watch import configuration

_ANSWER_WITHIN_S = 900.0
"""A running watch prunes in small steps and goes on watching in between: that takes its time."""


def configure(parser: argparse.ArgumentParser) -> None:
    """Say what is pruned; there are no options."""
    parser.epilog = (
        "The keeping times stand in [store]. The watch prunes by itself; this does it now, and "
        "gives all free space in the file back to the disk."
    )


def run(args: argparse.Namespace) -> int:
    """Prune, by the watch if it runs.

    Raises:
        ConfigError: the configuration is faulty.
        StoreError: there is no store, or it can't be written.
    """
    config = configuration.load(find_config_file(args.config))
    with Store.open(config.store.url, read_only=True) as store:
        if find_watch(store.path) is not None:
            return ask(store, {"command": PRUNE}, within_s=_ANSWER_WITHIN_S)
    print(_prune(config))
    return 0


def _prune(config: Config) -> str:
    """Prune without a watch; give the sentence on what came of it."""
    with Store.open(config.store.url) as store:
        watch = WatchTime(SystemClock(), store.last_t())
        now_t = watch.now_ms()
        steps = thorough_round(store, Now(now_t, watch.utc_ms(now_t)), Keeping.of(config.store))
        while True:
            try:
                next(steps)
            except StopIteration as end:
                return str(end.value)
