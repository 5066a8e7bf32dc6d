"""`cabinetwatch service SUBJECT out|in`: take a device or sensor out of service, and back."""

import argparse

from cabinetwatch.cli.asking import ask
from cabinetwatch.cli.records import open_records
from cabinetwatch.config import SITE_SUBJECT, Config, find_config_file
from cabinetwatch.errors import UsageError
from cabinetwatch.service.remote import service_s, words
from cabinetwatch.watch import configuration


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of this command."""
    parser.add_argument("subject", metavar="SUBJECT", help="a device, a sensor, or site")
    parser.add_argument(
        "way", metavar="out|in", choices=("out", "in"), help="out of service, or back in"
    )
    parser.add_argument(
        "--for", dest="span", metavar="TIME", help="how long it stays out, such as 4h"
    )
    parser.add_argument("--reason", help="why, for whoever asks later")


def run(args: argparse.Namespace) -> int:
    """Take out or put in."""
    config = configuration.load(find_config_file(args.config))
    _check_subject(args.subject, config)
    if args.way == "in" and args.span is not None:
        raise UsageError("--for goes with out: it says how long the subject stays out of service")
    command: dict[str, object] = {"command": f"service-{args.way}", "subject": args.subject}
    if args.span is not None:
        command["for_s"] = service_s(args.span)
    if args.reason is not None:
        command["reason"] = words(args.reason, "--reason")
    with open_records(config) as store:
        return ask(store, command)


def _check_subject(subject: str, config: Config) -> None:
    known = [*config.devices, *config.sensors, SITE_SUBJECT]
    if subject not in known:
        raise UsageError(f"There is no subject {subject!r}; there are {', '.join(known)}")
