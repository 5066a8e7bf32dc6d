"""Acting on alarms and devices: ack, shelve, unshelve, service, note, learn.

Each puts a command into the store, which a running watch answers within seconds and any other
carries out at its next start.
"""

import argparse
import getpass
import os
import sys
from collections.abc import Mapping, Sequence
from typing import Any

from cabinetwatch.cli.terminal import say
from cabinetwatch.clock import SystemClock
from cabinetwatch.config import Config
from cabinetwatch.store.database import MemoryRecords, find_records
from cabinetwatch.store.replay import ASKED_WITHIN_S, ask_watch
from cabinetwatch.store.store import Store
from cabinetwatch.text import UsageError, to_rfc3339
from cabinetwatch.watch.commands import too_hot_to_learn
from cabinetwatch.watch.conditions import named
from cabinetwatch.watch.events import AlarmState

_ACTIVE = {AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED, AlarmState.SUPPRESSED}


def ack(args: argparse.Namespace) -> int:
    """Acknowledge an incident, an alarm, all of a device or sensor, or everything.

    Raises:
        UsageError: nothing with this ID is on, or waits to be acknowledged.
    """
    with open_records(args.config) as store:
        standing = store.standing()
        known = {each for it in standing for each in (it.id, it.incident, it.subject) if each}
        if args.all:
            return ask(store, {"command": "ack", "all": True})
        if args.id not in known:
            waiting = [each for each in standing if each.is_raise or each.is_return]
            raise UsageError(_unknown(args.id, [each.incident or each.id for each in waiting]))
        return ask(store, {"command": "ack", "id": args.id})


def _unknown(wanted: str, known: Sequence[str]) -> str:
    listed = ", ".join(dict.fromkeys(known)) or "none"
    return f"There is no active alarm with the ID {wanted!r}; active: {listed}"


def shelve(args: argparse.Namespace) -> int:
    """Shelve."""
    return _ask_of_alarm(args, {"command": "shelve", "for_s": args.for_s, "reason": args.reason})


def unshelve(args: argparse.Namespace) -> int:
    """Unshelve."""
    return _ask_of_alarm(args, {"command": "unshelve"})


def _ask_of_alarm(args: argparse.Namespace, command: Mapping[str, Any]) -> int:
    """Ask something of a standing alarm.

    Raises:
        UsageError: no alarm with this ID stands.
    """
    with open_records(args.config) as store:
        standing = [transition.id for transition in store.standing()]
        if args.id not in standing:
            raise UsageError(_unknown(args.id, standing))
        return ask(store, {**command, "id": args.id})


def service(args: argparse.Namespace) -> int:
    """Take a subject out of service, or put it in."""
    if args.way == "in" and args.for_s is not None:
        raise UsageError("--for goes with out: it says how long the subject stays out of service")
    command = {"command": f"service-{args.way}", "subject": args.subject}
    for key in ("for_s", "reason"):
        if getattr(args, key) is not None:
            command[key] = getattr(args, key)
    with open_records(args.config) as store:
        return ask(store, command)


def note(args: argparse.Namespace) -> int:
    """Note what was done; the trend of the device, or of all, starts anew from it."""
    command = {"command": "note", "text": args.text}
    if args.device is not None:
        command["device"] = args.device
    if args.at_utc_ms is not None:
        if args.at_utc_ms > SystemClock().utc_ms():
            raise UsageError("--at lies in the future; give the time at which it was done")
        command["at"] = to_rfc3339(args.at_utc_ms)
    with Store.open(args.config.store.url, read_only=True) as store:
        return ask(store, command)


def learn(args: argparse.Namespace) -> int:
    """Begin to learn anew, put in force what an interval of the record teaches, or verify.

    Raises:
        UsageError: an interval is given of which nothing is to be learnt.
    """
    command: dict[str, object] = {"command": "learn", "device": args.device}
    interval = (args.from_utc_ms, args.to_utc_ms)
    if args.verified and interval != (None, None):
        raise UsageError("--verified goes without --from and --to: it verifies what is learnt")
    command |= {name: True for name in ("verified", "anyway") if getattr(args, name)}
    with Store.open(args.config.store.url, read_only=True) as store:
        hot = _heat_alarm(store, args.config, args.device)
        if hot and not args.anyway:
            print(too_hot_to_learn(hot))
            return 1
        if interval != (None, None):
            # It takes the engine, and all that makes a record of what it says.
            from cabinetwatch.service.offline import teach  # noqa: PLC0415

            for name, utc_ms in zip(("from", "to"), interval, strict=True):
                command[name] = None if utc_ms is None else to_rfc3339(utc_ms)
            command["observer"] = teach(store, args.config, args.device, *interval)
        return ask(store, command)


def _heat_alarm(store: Store, config: Config, device: str) -> str:
    """Name an alarm on the heat of a device that is active by the record; nothing without any."""
    for each in store.standing():
        condition = named(each.condition)
        is_heat = condition is not None and condition.is_heat and each.subject == device
        if is_heat and each.state in _ACTIVE and condition is not None:
            return f'"{config.name_of(device)}: {condition.predicate}"'
    return ""


def ask(store: Store, command: Mapping[str, Any], within_s: float = ASKED_WITHIN_S) -> int:
    """Put a command and print what becomes of it; exit status 1 when it can't be done now."""
    try:
        user = getpass.getuser()
    except (KeyError, OSError):
        user = f"user {os.getuid()}"
    asked = ask_watch(store, {**command, "by": user}, SystemClock(), within_s)
    print(asked.text)
    return 0 if asked.done or not asked.is_running else 1


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
        "refuses the store: it notifies as usual, but what it records is lost when it ends. "
        "Check the disk: is it full, or read-only?"
    )
