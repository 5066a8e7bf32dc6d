"""`cabinetwatch learn DEVICE`: learn normal rise and response again, after a change."""

import argparse

from cabinetwatch.cli.asking import ask
from cabinetwatch.cli.instants import add_interval, check_interval
from cabinetwatch.config import Config, find_config_file
from cabinetwatch.errors import UsageError
from cabinetwatch.service.lesson import teach
from cabinetwatch.store.store import Store
from cabinetwatch.times import to_rfc3339
from cabinetwatch.watch import configuration


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of this command."""
    parser.add_argument("device", metavar="DEVICE", help="the device, by its ID")
    add_interval(
        parser,
        from_help="learn at once from what the store holds from this time on"
        " (RFC 3339, such as 2026-07-01T12:00:00Z); without an interval it learns from now on",
        to_help="up to before this time",
    )


def run(args: argparse.Namespace) -> int:
    """Begin to learn anew, or put in force what an interval of the record teaches."""
    check_interval(args)
    config = configuration.load(find_config_file(args.config))
    _check_device(args.device, config)
    command: dict[str, object] = {"command": "learn", "device": args.device}
    with Store.open(config.store.url, read_only=True) as store:
        interval = (args.from_utc_ms, args.to_utc_ms)
        if interval != (None, None):
            for name, utc_ms in zip(("from", "to"), interval, strict=True):
                command[name] = None if utc_ms is None else to_rfc3339(utc_ms)
            command["observer"] = teach(store, config, args.device, *interval)
        return ask(store, command)


def _check_device(device_id: str, config: Config) -> None:
    device = config.devices.get(device_id)
    if device is None:
        known = ", ".join(config.devices) or "none"
        raise UsageError(f"There is no device {device_id!r}; there are {known}")
    if device.ambient is None:
        raise UsageError(
            f"{device_id} has no ambient sensor, so there is no rise to learn; name one in"
            f" [devices.{device_id}]"
        )
