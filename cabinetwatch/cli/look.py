"""Looking at the watch: status and alarms."""

import argparse
import sys
import time
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from cabinetwatch.cli.act import in_memory_sentence, open_store, open_where
from cabinetwatch.cli.terminal import print_history, print_json, print_standing, print_table, say
from cabinetwatch.clock import Clock, SystemClock, describe_duration, from_rfc3339
from cabinetwatch.config import Config, find_config_file
from cabinetwatch.notify.words import learning_words
from cabinetwatch.service.store_loop import LITTLE_LEFT_DAYS, megabytes
from cabinetwatch.store.database import find_records
from cabinetwatch.store.place import NoStoreError
from cabinetwatch.store.replay import Snapshot, take_snapshot
from cabinetwatch.store.store import Store
from cabinetwatch.store.upkeep import Room
from cabinetwatch.text import StoreError, UsageError, counted
from cabinetwatch.watch import configuration
from cabinetwatch.watch.conditions.base import celsius, interval_k, kelvin, quantity

if TYPE_CHECKING:
    from cabinetwatch.report.trial_case import TrialState

_UNKNOWN = "-"
_FOLLOW_EVERY_S = 2.0
_CLEAR = "\x1b[H\x1b[2J"


def configure_status(parser: argparse.ArgumentParser) -> None:
    """Add the options of this command."""
    parser.add_argument("--json", action="store_true", help="print JSON, for programs")
    parser.add_argument(
        "--follow", action="store_true", help="show it anew every two seconds, until Ctrl-C"
    )


def run_status(args: argparse.Namespace) -> int:
    """Show the present; exit status 1 when something is wrong or the watch is not running."""
    config = configuration.load(find_config_file(args.config))
    clock = SystemClock()
    records = find_records(config.store_path())
    try:
        store = open_where(config, records)
    except StoreError as error:
        if records is None and not isinstance(error, NoStoreError):
            raise
        # Bad news rather than wrong use: the watch is not running, or in memory.
        say(str(error), sys.stderr)
        if records is not None:
            say(in_memory_sentence(config.site.name, records.process), sys.stderr)
        return 1
    if args.follow:
        store.close()
        return _follow(config, clock, as_json=args.json)
    with store:
        snapshot = take_snapshot(store, config, clock)
        _print(snapshot, clock, _open_trials(snapshot, store, config), as_json=args.json)
    return _status(snapshot)


def _follow(config: Config, clock: Clock, *, as_json: bool) -> int:
    """Show it again and again; on a terminal in place, else one below the other.

    Each time it is looked anew where the records are: they may move into memory and back.
    """
    status = 1
    try:
        while True:
            with open_where(config, find_records(config.store_path())) as store:
                snapshot = take_snapshot(store, config, clock)
                trials = _open_trials(snapshot, store, config)
            status = _status(snapshot)
            if sys.stdout.isatty():
                sys.stdout.write(_CLEAR)
            _print(snapshot, clock, trials, as_json=as_json)
            sys.stdout.flush()
            time.sleep(_FOLLOW_EVERY_S)
    except KeyboardInterrupt:
        return status


def _open_trials(snapshot: Snapshot, store: Store, config: Config) -> "list[TrialState]":
    """Say how open trials stand."""
    if not snapshot.trials:
        return []
    # It fits curves, with libraries that take a second to import; trials are rare.
    from cabinetwatch.report.trial_case import state_of  # noqa: PLC0415

    now_utc_ms = snapshot.utc_ms or 0
    return [state_of(store, config, trial, now_utc_ms) for trial in snapshot.trials]


def trial_line(state: "TrialState") -> str:
    """Name an open trial and its phase."""
    trial = state.trial
    phase = f"in its {trial.phase} phase" if trial.phase else "before its first phase"
    change = f" ({trial.change})" if trial.change else ""
    return f"Trial {trial.name} of {trial.device}{change}, {phase}:"


def _print(snapshot: Snapshot, clock: Clock, trials: "list[TrialState]", *, as_json: bool) -> None:
    if as_json:
        print_json(snapshot.public() | {"trials": [each.public() for each in trials]})
        return
    show(snapshot, clock.utc_ms())
    for state in trials:
        print()
        say(trial_line(state))
        for sentence in state.sentences:
            say(f"  {sentence}")


def _status(snapshot: Snapshot) -> int:
    return 0 if snapshot.is_well else 1


def show(snapshot: Snapshot, now_utc_ms: int) -> None:
    """Print a snapshot for people, who read it at `now_utc_ms`."""
    say(_headline(snapshot, now_utc_ms))
    print()
    print_table(
        ("Device", "Now", "Ambient", "Rise", "Load", "Fan", "Threshold", "Margin"),
        [_device_row(figures) for figures in snapshot.devices.values()],
        right=range(1, 8),
    )
    print()
    print_table(
        ("Device", "Heading for", "Normal", "On the hottest day", "Margin then"),
        [_heading_row(figures) for figures in snapshot.devices.values()],
        right=range(1, 5),
    )
    print()
    for figures in snapshot.devices.values():
        say(f"{figures['name']}: {learning_words(figures['learning'])}")
    print()
    print_table(
        ("Sensor", "Value", "State", "Last heard"),
        [_sensor_row(each, now_utc_ms) for each in snapshot.sensors.values()],
        right=(1,),
    )
    for name, each in snapshot.sensors.items():
        if each["unreadable"]["since_start"]:
            say(_unreadable_line(name, each, now_utc_ms))
        if each["late"]["since_start"]:
            say(_late_line(each))
    print()
    print_standing(snapshot.standing)
    little = _little_room(snapshot.room)
    if little is not None:
        print()
        say(little)


def _little_room(room: Room) -> str | None:
    """Say when the disk of the store will soon be full; None as long as it won't."""
    if room.days_left is None or room.days_left >= LITTLE_LEFT_DAYS:
        return None
    return (
        f"THE DISK OF THE STORE WILL BE FULL IN {describe_duration(room.days_left * 86400)}, as it "
        f"grows now: {megabytes(room.free_bytes)} are left, and {megabytes(room.bytes)} taken by "
        "the store. Make room, or lower the keeping times in [store]."
    )


def _headline(snapshot: Snapshot, now_utc_ms: int) -> str:
    told = ""
    if snapshot.memory_process is not None:
        told = in_memory_sentence(snapshot.site, snapshot.memory_process)
    if snapshot.utc_ms is None or snapshot.starting:
        has_never = "has never run with this store."
        just = "has just started; its first figures come in a moment."
        return told or f"{snapshot.site}: the watch {just if snapshot.starting else has_never}"
    age = describe_duration((now_utc_ms - snapshot.utc_ms) / 1000)
    if told:
        return f"{told} The figures below are {age} old."
    if snapshot.mute_process is not None:
        return (
            f"{snapshot.site}: THE WATCH HAS WRITTEN NOTHING FOR {age}, though its process "
            f"{snapshot.mute_process} lives: it can't write its store, or hangs. It tells alarms "
            "from memory as long as it can; look into its log, and whether the disk is full."
        )
    if not snapshot.running:
        return f"{snapshot.site}: THE WATCH IS NOT RUNNING; its last sign of life was {age} ago."
    if snapshot.session_taken or not snapshot.connected:
        but = (
            "ANOTHER CLIENT USES ITS CLIENT ID: it hears only part of what is sent"
            if snapshot.session_taken
            else "has no connection to its broker"
        )
        return f"{snapshot.site}: the watch is running, but {but}."
    up = describe_duration((now_utc_ms - (snapshot.since_utc_ms or now_utc_ms)) / 1000)
    return f"{snapshot.site}: the watch has been running for {up}; these figures are {age} old."


def _device_row(figures: dict[str, Any]) -> list[str]:
    return [
        f"{figures['name']}{' (off)' if figures['off'] else ''}",
        _written(figures["temperature_c"], celsius),
        _written(figures["ambient_c"], celsius),
        _written(figures["rise_k"], kelvin),
        _written(figures["power_w"], lambda power_w: quantity(power_w, "power")),
        _written(figures["fan_rpm"], lambda fan_rpm: quantity(fan_rpm, "fan-speed")),
        _written(figures["threshold_c"], celsius),
        _written(figures["margin_k"], kelvin),
    ]


def _heading_row(figures: dict[str, Any]) -> list[str]:
    settled_k, sd_k = figures["settled_rise_k"], figures["settled_rise_sd_k"]
    heading = _written(settled_k, kelvin)
    if settled_k is not None and sd_k is not None:
        heading = interval_k(settled_k, sd_k)
    return [
        str(figures["name"]),
        heading,
        _written(figures["normal_rise_k"], kelvin),
        _written(figures["hot_day_temperature_c"], celsius),
        _written(figures["hot_day_margin_k"], kelvin),
    ]


def _sensor_row(figures: dict[str, Any], now_utc_ms: int) -> list[str]:
    heard = _UNKNOWN
    if figures["time"] is not None:
        heard = f"{describe_duration((now_utc_ms - from_rfc3339(figures['time'])) / 1000)} ago"
    value = _written(figures["value"], lambda value: quantity(value, figures["quantity"]))
    return [figures["name"], value, figures["state"], heard]


def _unreadable_line(sensor_id: str, figures: dict[str, Any], now_utc_ms: int) -> str:
    unreadable = figures["unreadable"]
    age = describe_duration((now_utc_ms - from_rfc3339(unreadable["time"])) / 1000)
    problem = unreadable["problem"].removeprefix(f"{sensor_id}: ")
    messages = counted(unreadable["since_start"], "message")
    return (
        f"{figures['name']}: {messages} could not be read since the start, {unreadable['total']} in"
        f" all; the last {age} ago: {problem}"
    )


def _late_line(figures: dict[str, Any]) -> str:
    late = figures["late"]
    readings = counted(late["since_start"], "reading")
    return (
        f"{figures['name']}: {readings} since the start came up to {late['greatest_s']:zg} s after"
        " the time in them, too late to be judged; set the clock of its node, or see lateness_s"
    )


def _written(value: float | None, write: Callable[[float], str]) -> str:
    return _UNKNOWN if value is None else write(value)


_DEFAULT_LIMIT = 50
_LARGEST_LIMIT = 1_000_000


def configure_alarms(parser: argparse.ArgumentParser) -> None:
    """Add the options of this command."""
    parser.add_argument("--json", action="store_true", help="print JSON, for programs")
    parser.add_argument(
        "--limit",
        type=int,
        default=_DEFAULT_LIMIT,
        metavar="N",
        help=f"so many of the newest transitions (default {_DEFAULT_LIMIT})",
    )


def run_alarms(args: argparse.Namespace) -> int:
    """Show alarms."""
    if not 1 <= args.limit <= _LARGEST_LIMIT:
        raise UsageError(f"--limit {args.limit} is not from 1 to {_LARGEST_LIMIT}")
    with open_store(args) as store:
        standing, history = store.standing(), store.transitions(limit=args.limit)
    if args.json:
        print_json(
            {
                "standing": [each.public() for each in standing],
                "history": [each.public() for each in history],
            }
        )
        return 0
    print_standing(standing)
    print()
    print_history(history)
    return 0
