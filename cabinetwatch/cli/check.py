"""`cabinetwatch check`: is the configuration right, and do broker, mail and store play along?"""

import argparse
import sys
from collections.abc import Iterator

from cabinetwatch.cli.output import print_table, say
from cabinetwatch.cli.trying import Finding, try_all
from cabinetwatch.config import Config, find_config_file
from cabinetwatch.errors import StoreError, UsageError
from cabinetwatch.store.place import NoStoreError
from cabinetwatch.store.store import Store
from cabinetwatch.text import counted
from cabinetwatch.times import describe_duration, parse_duration
from cabinetwatch.watch import configuration


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the options of this command."""
    parser.add_argument(
        "--send", action="store_true", help="send a test notice through every channel"
    )
    parser.add_argument(
        "--listen",
        metavar="TIME",
        help="hear each sensor once, for this time at most: a number with s, m, h or d, such as"
        " 30s",
    )


def run(args: argparse.Namespace) -> int:
    """Check the file, then try what it names.

    Returns:
        0 when all is well, 1 when a broker, a server or the store refuses, or, with --listen, a
        sensor is not heard or can't be read.

    Raises:
        ConfigError: the configuration is faulty.
        UsageError: --listen is no duration.
    """
    listen_s = _listen_s(args)
    path = find_config_file(args.config)
    config = configuration.load(path)
    sensors = counted(len(config.sensors), "sensor")
    say(f"{path} is right: {sensors}, {counted(len(config.devices), 'device')}.")
    for warning in warnings(config):
        say(f"Warning: {warning}")
    if listen_s is not None and config.sensors:
        sensors = counted(len(config.sensors), "sensor")
        say(f"Listening for {sensors}, {describe_duration(listen_s)} at most ...", sys.stderr)
    findings = try_all(config, send=args.send, listen_s=listen_s)
    print_table(("what", "answer", "details"), [_row(finding) for finding in findings])
    # Only now: reading the store may mean to go on as its owner, who need not see a password.
    for warning in rename_warnings(config):
        say(f"Warning: {warning}")
    return 0 if all(finding.well for finding in findings) else 1


def _listen_s(args: argparse.Namespace) -> float | None:
    if args.listen is None:
        return None
    try:
        return parse_duration(args.listen)
    except ValueError as error:
        raise UsageError(f"--listen: {error}") from None


def warnings(config: Config) -> Iterator[str]:
    """Give what is allowed and yet hardly meant."""
    if not config.sensors:
        yield "there is no sensor, so nothing is watched; cabinetwatch listen drafts their tables."
    for name, sensor in config.sensors.items():
        if sensor.topic.startswith("/"):
            yield (
                f"[sensors.{name}] topic begins with a slash, which makes it another topic than"
                f" {sensor.topic[1:]!r}; leave the slash out unless the sensor really sends there."
            )
    for name, device in config.devices.items():
        judged = device.derating or device.max_rise_k is not None
        if not judged and config.sensors[device.temperature].high is None:
            yield (
                f"[devices.{name}] has no derating and no max_rise_k, and [sensors."
                f"{device.temperature}] has no high, so no setpoint guards {config.name_of(name)}."
            )
    yield from _shared_sensors(config)
    for table in (config.mqtt, config.notify.email):
        if table is not None and table.exposure is not None:
            yield table.exposure
    if config.notify.email is None and config.notify.command is None:
        yield "without [notify.email] or [notify.command] notices go out over MQTT alone."


def _shared_sensors(config: Config) -> Iterator[str]:
    """Several devices by one temperature: the heat of one is told of all."""
    sharing: dict[str, list[str]] = {}
    for name, device in config.devices.items():
        sharing.setdefault(device.temperature, []).append(name)
    for sensor, devices in sharing.items():
        if len(devices) > 1:
            *others, last = (f"[devices.{name}]" for name in devices)
            yield (
                f"{', '.join(others)} and {last} have one temperature sensor, {sensor}, so the heat"
                " of one is told of the others too; give each a sensor of its own, or make them"
                " one device, whose power may be a list."
            )


def rename_warnings(config: Config) -> Iterator[str]:
    """Give which sensors can't take over the history that they are to have."""
    if not config.renames:
        return
    try:
        with Store.open(config.store.url, read_only=True) as store:
            yield from (f"{remark}." for remark in store.renames_wanted(config.renames).remarks)
    except NoStoreError as error:
        for old, new in config.renames:
            yield f'[sensors.{new}] renamed_from = "{old}": {error}, so there is no history yet.'
    except StoreError:
        return  # its finding says so


def _row(finding: Finding) -> tuple[str, str, str]:
    return finding.what, "well" if finding.well else finding.trouble, finding.details
