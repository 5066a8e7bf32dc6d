"""Asking the daemon for something through its store, and waiting for what becomes of it."""

import argparse
import getpass
import os
import time
from collections.abc import Mapping
from typing import Any

from cabinetwatch.cli.records import open_records
from cabinetwatch.clock import SystemClock
from cabinetwatch.config import find_config_file
from cabinetwatch.errors import UsageError
from cabinetwatch.store.running import find_watch, is_mute
from cabinetwatch.store.store import Store
from cabinetwatch.watch import configuration
from cabinetwatch.watch.transition import Transition

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
