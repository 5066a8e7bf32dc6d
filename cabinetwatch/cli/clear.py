"""`cabinetwatch clear`: takes the watch off its broker, for when it is moved or removed."""

import argparse
import sys

from cabinetwatch.cli.output import say
from cabinetwatch.clock import SystemClock
from cabinetwatch.config import Config, find_config_file
from cabinetwatch.errors import StoreError, UsageError
from cabinetwatch.intake.retained import RetainedError, clear_retained
from cabinetwatch.service.client_id import client_id_last
from cabinetwatch.store.place import holder_of
from cabinetwatch.store.running import is_running
from cabinetwatch.store.store import Store
from cabinetwatch.text import counted
from cabinetwatch.watch import configuration

_WITHIN_S = 30.0


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the options of this command: it has none of its own."""
    del parser


def run(args: argparse.Namespace) -> int:
    """Clear the retained topics; exit status 1 when the broker can't be reached or refuses.

    Raises:
        ConfigError: the configuration is faulty.
        UsageError: the watch is running.
    """
    config = configuration.load(find_config_file(args.config))
    _refuse_if_running(config)
    try:
        client_id = client_id_last(config.mqtt, config.store_path())
        secret = config.secret("mqtt-password")
        topics = clear_retained(config.mqtt, secret, client_id, _WITHIN_S)
    except RetainedError as error:
        say(str(error), sys.stderr)
        return 1
    for topic in topics:
        say(f"cleared {topic}")
    say(
        f"The broker keeps nothing of the watch any more ({counted(len(topics), 'topic')} cleared)."
    )
    return 0


def _refuse_if_running(config: Config) -> None:
    try:
        with Store.open(config.store.url, read_only=True) as store:
            running = is_running(store, SystemClock())
    except StoreError:
        # None is there, or not for us: then its lock alone says whether a watch is at work.
        running = holder_of(config.store_path()) is not None
    if running:
        raise UsageError("the watch is running; stop it first, or it will publish all of it again")
