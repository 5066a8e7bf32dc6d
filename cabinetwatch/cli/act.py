"""Acting on alarms and devices: ack, shelve, unshelve, service, note, learn."""

import argparse
import getpass
import os
import sys
import time
from collections.abc import Mapping
from typing import Any

from cabinetwatch.cli.terminal import add_interval, check_interval, instant, say
from cabinetwatch.clock import SystemClock, to_rfc3339
from cabinetwatch.config import SITE_SUBJECT, Config, find_config_file
from cabinetwatch.service.offline import teach
from cabinetwatch.service.publisher import service_s, shelving_s, words
from cabinetwatch.store.database import MemoryRecords, find_records, find_watch
from cabinetwatch.store.replay import is_mute
from cabinetwatch.store.store import Store
from cabinetwatch.text import UsageError
from cabinetwatch.watch import configuration
from cabinetwatch.watch.commands import LONGEST_NOTE
from cabinetwatch.watch.events import Transition


def open_records(config: Config) -> Store:
    """Open them for reading and asking; when they are in memory, say so beside the answer.

    Raises:
        StoreError: there are none yet, or they can't be read.
    """
    records = find_records(config.store_path())
    if records is not None:
        say(in_memory_sentence(config.site.name, records.process), sys.stderr)
    return open_where(config, records)


def open_where(config: Config, records: MemoryRecords | None) -> Store:
    """Open the store, or, where we may, what stands in for it in memory.

    Raises:
        StoreError: it isn't there, or can't be read.
    """
    url = config.store.url if records is None or records.url is None else records.url
    return Store.open(url, read_only=True)


def in_memory_sentence(site: str, process: int) -> str:
    """Say that the records are in memory, and what that means."""
    return (
        f"{site}: THE WATCH RUNS WITH ITS RECORDS IN MEMORY (process {process}), for its disk "
        "refuses the store: it tells alarms as ever, but what it records is lost when it ends. "
        "Look at the disk: is it full, or read-only?"
    )


_ANSWER_WITHIN_S = 10.0
_LOOK_EVERY_S = 0.1


def open_store(args: argparse.Namespace) -> Store:
    """Open what the watch of the configuration records, for reading and asking.

    Raises:
        ConfigError: the configuration is faulty.
        StoreError: there is no store yet, or it can't be read.
    """
    return open_records(configuration.load(find_config_file(args.config)))


def find_alarm(store: Store, alarm_id: str) -> Transition:
    """Give the last transition of a standing alarm.

    Raises:
        UsageError: no alarm with this ID stands.
    """
    standing = store.standing()
    for transition in standing:
        if transition.id == alarm_id:
            return transition
    known = ", ".join(transition.id for transition in standing) or "none"
    raise UsageError(f"No alarm with the ID {alarm_id!r} stands; those that do: {known}")


def ask(store: Store, command: Mapping[str, Any], within_s: float = _ANSWER_WITHIN_S) -> int:
    """Put a command and print what becomes of it; exit status 1 when it can't be done."""
    clock = SystemClock()
    row = store.put_command({**command, "by": _user()}, clock.utc_ms())
    watch = find_watch(store.path)
    if watch is None:
        print("The watch is not running; this takes effect when it starts.")
        return 0
    if is_mute(watch, store, clock.utc_ms()):
        print(
            "The watch runs, but can't write its store or hangs; this takes effect when it can."
            " `cabinetwatch status` says more."
        )
        return 1
    until = time.monotonic() + within_s
    while time.monotonic() < until:
        answer = store.command_result(row)
        if answer is not None:
            print(answer["text"])
            return 0 if answer["ok"] else 1
        time.sleep(_LOOK_EVERY_S)
    print("The watch has not answered yet; this takes effect when it does.")
    return 1


def _user() -> str:
    """Give the name of who asks, or the number of one without a name."""
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        return f"user {os.getuid()}"


def configure_ack(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of this command."""
    parser.add_argument("id", metavar="ID", help="the alarm's ID, as notices and `alarms` show it")


def run_ack(args: argparse.Namespace) -> int:
    """Acknowledge."""
    with open_store(args) as store:
        find_alarm(store, args.id)
        return ask(store, {"command": "ack", "id": args.id})


def configure_shelve(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of this command."""
    parser.add_argument("id", metavar="ID", help="the alarm's ID, as notices and `alarms` show it")
    parser.add_argument(
        "--for",
        dest="span",
        metavar="TIME",
        required=True,
        help="how long: a number with s, m, h or d, such as 2h; at most 30d",
    )
    parser.add_argument("--reason", required=True, help="why, for whoever asks later")


def run_shelve(args: argparse.Namespace) -> int:
    """Shelve."""
    for_s, reason = shelving_s(args.span), words(args.reason, "--reason")
    with open_store(args) as store:
        find_alarm(store, args.id)
        command = {"command": "shelve", "id": args.id, "for_s": for_s, "reason": reason}
        return ask(store, command)


def configure_unshelve(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of this command."""
    parser.add_argument("id", metavar="ID", help="the alarm's ID, as notices and `alarms` show it")


def run_unshelve(args: argparse.Namespace) -> int:
    """Unshelve."""
    with open_store(args) as store:
        find_alarm(store, args.id)
        return ask(store, {"command": "unshelve", "id": args.id})


def configure_service(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of this command."""
    parser.add_argument("subject", metavar="SUBJECT", help="a device, a sensor, or site")
    parser.add_argument(
        "way", metavar="out|in", choices=("out", "in"), help="out of service, or back in"
    )
    parser.add_argument(
        "--for", dest="span", metavar="TIME", help="how long it stays out, such as 4h"
    )
    parser.add_argument("--reason", help="why, for whoever asks later")


def run_service(args: argparse.Namespace) -> int:
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


def configure_note(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of this command."""
    parser.add_argument("text", metavar="TEXT", help='what was done, such as "cleaned the filter"')
    parser.add_argument("--device", metavar="ID", help="to which device (default: to all)")
    parser.add_argument(
        "--at",
        dest="at_utc_ms",
        type=instant,
        metavar="TIME",
        help="when (RFC 3339, such as 2026-07-01T12:00:00Z; default: now)",
    )


def run_note(args: argparse.Namespace) -> int:
    """Note it; the trend of the device, or of all, starts anew from it."""
    config = configuration.load(find_config_file(args.config))
    text = words(args.text, "TEXT")
    if len(text) > LONGEST_NOTE:
        raise UsageError(f"A note of {len(text)} letters is too long; {LONGEST_NOTE} are the most")
    if args.device is not None and args.device not in config.devices:
        known = ", ".join(config.devices) or "none"
        raise UsageError(f"There is no device {args.device!r}; there are {known}")
    command: dict[str, object] = {"command": "note", "text": text}
    if args.device is not None:
        command["device"] = args.device
    if args.at_utc_ms is not None:
        if args.at_utc_ms > SystemClock().utc_ms():
            raise UsageError("--at lies in the future; give the time at which it was done")
        command["at"] = to_rfc3339(args.at_utc_ms)
    with Store.open(config.store.url, read_only=True) as store:
        return ask(store, command)


def configure_learn(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of this command."""
    parser.add_argument("device", metavar="DEVICE", help="the device, by its ID")
    add_interval(
        parser,
        from_help="learn at once from what the store holds from this time on"
        " (RFC 3339, such as 2026-07-01T12:00:00Z); without an interval it learns from now on",
        to_help="up to before this time",
    )


def run_learn(args: argparse.Namespace) -> int:
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
