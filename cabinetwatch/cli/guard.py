"""`cabinetwatch guard`: on a second computer, mails when the watch is gone and when it is back."""

import argparse
import logging
import signal
import threading

from cabinetwatch.cli.service_log import log_to_standard_error
from cabinetwatch.config import find_config_file, require_mail
from cabinetwatch.errors import UsageError
from cabinetwatch.service.guard import Guard
from cabinetwatch.service.publisher import HEARTBEAT_MS
from cabinetwatch.service.systemd import Notifier
from cabinetwatch.times import describe_duration, parse_duration
from cabinetwatch.watch import configuration

SHORTEST_S = 2 * HEARTBEAT_MS / 1000
"""One heartbeat may be late or lost without the watch being gone."""


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the options of this command."""
    parser.add_argument(
        "--after",
        metavar="TIME",
        default="3m",
        help="tell when the watch has not been heard for this long: a number with s, m, h or d"
        " (default: 3m; it is heard every 30 s; at least 1m)",
    )


def run(args: argparse.Namespace) -> int:
    """Guard until told to stop.

    Raises:
        ConfigError: the configuration is faulty, or says not whom to mail.
        UsageError: --after is no duration, or too short a one.
    """
    try:
        after_s = parse_duration(args.after)
    except ValueError as error:
        raise UsageError(f"--after: {error}") from None
    if after_s < SHORTEST_S:
        raise UsageError(
            f"--after: {args.after} is less than two heartbeats of the watch, which comes every"
            f" {HEARTBEAT_MS // 1000} s, so that it would count as gone again and again; give"
            f" {describe_duration(SHORTEST_S)} or more"
        )
    path = find_config_file(args.config)
    config = require_mail(configuration.load(path), path)
    log_to_standard_error(logging.INFO)
    stop = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stop.set())
    Guard(config, after_s).run(stop, Notifier())
    return 0
