"""`cabinetwatch clear`: takes the watch off its broker, for when it is moved or removed."""

import argparse
import sys

from cabinetwatch.cli.output import say
from cabinetwatch.config import find_config_file
from cabinetwatch.errors import UsageError
from cabinetwatch.intake.retained import RetainedError, clear_retained
from cabinetwatch.service.client_id import client_id_last
from cabinetwatch.store.running import find_watch
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
    if find_watch(config.store_path()) is not None:
        raise UsageError("the watch is running; stop it first, or it will publish all of it again")
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
