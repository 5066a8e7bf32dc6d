"""`cabinetwatch failed`: mails that the watch's service has failed; systemd runs it."""

import argparse
import logging
from pathlib import Path

from cabinetwatch.cli.service_log import log_to_standard_error
from cabinetwatch.config import find_config_file
from cabinetwatch.errors import UsageError
from cabinetwatch.service.failure import tell_failure
from cabinetwatch.times import parse_duration
from cabinetwatch.watch import configuration


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the options of this command."""
    parser.add_argument(
        "--unit",
        metavar="NAME",
        default="cabinetwatch.service",
        help="the unit that has failed (default: cabinetwatch.service)",
    )
    parser.add_argument(
        "--stamp",
        metavar="FILE",
        type=Path,
        required=True,
        help="a file that remembers when it was last told; best below /run",
    )
    parser.add_argument(
        "--for",
        dest="span",
        metavar="TIME",
        default="15m",
        help="go on trying for this long: a number with s, m, h or d (default: 15m)",
    )


def run(args: argparse.Namespace) -> int:
    """Mail it; exit status 1 when nobody could be told.

    Raises:
        ConfigError: the configuration says not whom to mail.
        UsageError: --for is no duration.
    """
    try:
        for_s = parse_duration(args.span)
    except ValueError as error:
        raise UsageError(f"--for: {error}") from None
    log_to_standard_error(logging.INFO)
    config = configuration.load_for_mail(find_config_file(args.config))
    return 0 if tell_failure(config, args.unit, args.stamp, for_s) else 1
