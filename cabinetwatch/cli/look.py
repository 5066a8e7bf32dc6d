"""Looking at the watch: status and alarms."""

import argparse
import sys
import time
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

from cabinetwatch.cli.act import in_memory_sentence, open_records, open_where
from cabinetwatch.cli.terminal import print_json, print_table, say, utc_minute
from cabinetwatch.clock import Clock, SystemClock
from cabinetwatch.config import Config
from cabinetwatch.notify.words import learning_words
from cabinetwatch.store.database import find_records
from cabinetwatch.store.place import NoStoreError
from cabinetwatch.store.replay import Snapshot, take_snapshot
from cabinetwatch.store.store import Store
from cabinetwatch.store.upkeep import Room
from cabinetwatch.text import StoreError, counted, describe_duration, from_rfc3339
from cabinetwatch.watch.alarms import without_span
from cabinetwatch.watch.conditions.base import celsius, interval_k, kelvin, quantity
from cabinetwatch.watch.events import AlarmState, Transition

if TYPE_CHECKING:
    from cabinetwatch.report.trial_case import TrialState

_UNKNOWN = "-"
_FOLLOW_EVERY_S = 2.0
_CLEAR = "\x1b[H\x1b[2J"
_HIDDEN = {AlarmState.SHELVED, AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE}


def status(args: argparse.Namespace) -> int:
    """Show the present; exit status 1 when something is wrong or the watch is not running."""
    config, clock = args.config, SystemClock()
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
    found = 1
    try:
        while True:
            found = _look(store, config, clock, args)
            if not args.follow:
                return found
            sys.stdout.flush()
            time.sleep(_FOLLOW_EVERY_S)
            # Anew each time: records may move into memory and back.
            store = open_where(config, find_records(config.store_path()))
    except KeyboardInterrupt:
        if not args.follow:
            raise
        return found


def _look(store: Store, config: Config, clock: Clock, args: argparse.Namespace) -> int:
    """Show the present once; when it is followed on a terminal, in the place of what was there."""
    trials: list[TrialState] = []
    with store:
        snapshot = take_snapshot(store, config, clock)
        if snapshot.trials:
            # It fits curves, with libraries that take a second to import; trials are rare.
            from cabinetwatch.report.trial_case import state_of  # noqa: PLC0415

            now_utc_ms = snapshot.utc_ms or 0
            trials = [state_of(store, config, trial, now_utc_ms) for trial in snapshot.trials]
    if args.follow and sys.stdout.isatty():
        sys.stdout.write(_CLEAR)
    if args.json:
        print_json(snapshot.public() | {"trials": [each.public() for each in trials]})
    else:
        _show(snapshot, clock.utc_ms())
        for state in trials:
            print()
            say(_trial_line(state))
            for sentence in state.sentences:
                say(f"  {sentence}")
    return 0 if snapshot.is_well else 1


def _trial_line(state: "TrialState") -> str:
    trial = state.trial
    phase = f"in its {trial.phase} phase" if trial.phase else "before its first phase"
    change = f" ({trial.change})" if trial.change else ""
    return f"Trial {trial.name} of {trial.device}{change}, {phase}:"


def _show(snapshot: Snapshot, now_utc_ms: int) -> None:
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
    _print_standing(snapshot.standing)
    little = _little_room(snapshot.room)
    if little is not None:
        print()
        say(little)


def _little_room(room: Room) -> str | None:
    """Say when the disk of the store will soon be full; None as long as it won't."""
    if room.days_left is None:
        return None
    # Beside the rounds of upkeep stands all that the store's thread needs.
    from cabinetwatch.service.store_loop import LITTLE_LEFT_DAYS, megabytes  # noqa: PLC0415

    if room.days_left >= LITTLE_LEFT_DAYS:
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


def alarms(args: argparse.Namespace) -> int:
    """Show what stands, and the newest transitions."""
    with open_records(args.config) as store:
        standing, history = store.standing(), store.transitions(limit=args.limit)
    if args.json:
        told = {"standing": standing, "history": history}
        print_json({key: [each.public() for each in told[key]] for key in told})
        return 0
    _print_standing(standing)
    print()
    if not history:
        say("No alarm has ever moved.")
        return 0
    print_table(
        ("Time (UTC)", "ID", "Subject", "Condition", "From", "To", "Priority"),
        [
            (
                utc_minute(each.utc_ms, seconds=True),
                each.id,
                each.subject,
                each.condition,
                each.previous.value,
                each.state.value,
                each.priority.value,
            )
            for each in history
        ],
        title="History",
    )
    return 0


def _print_standing(standing: Sequence[Transition]) -> None:
    """Print what stands, each with its sentence and its ID, and apart from it what is hidden."""
    seen = [each for each in standing if each.state not in _HIDDEN]
    hidden = [each for each in standing if each.state in _HIDDEN]
    if seen:
        _print_alarms(seen, "Standing alarms")
    else:
        say("No alarm stands.")
    if hidden:
        print()
        _print_alarms(hidden, "Hidden: shelved, suppressed or out of service")


def _print_alarms(alarms: Sequence[Transition], title: str) -> None:
    print_table(
        ("ID", "Priority", "State", "Subject", "Condition", "Since (UTC)"),
        [
            (
                each.id,
                each.priority.value,
                each.state.value,
                each.subject,
                each.condition,
                utc_minute(_since_utc_ms(each)),
            )
            for each in alarms
        ],
        title=title,
    )
    # A device out of service has the same sentence for each of its conditions.
    told: dict[str, list[str]] = {}
    # Since when stands above; for how long it was when it was told is no longer true.
    texts = {each.id: without_span(each.text) for each in alarms}
    for each in alarms:
        told.setdefault(f"{each.subject} {texts[each.id]}", []).append(each.id)
    for ids in told.values():
        say(f"{', '.join(ids)}: {texts[ids[0]]}")


def _since_utc_ms(transition: Transition) -> int:
    """Give when it began; for one that only was taken out of service, when it was."""
    since: str | None = transition.values.get("since")
    return transition.utc_ms if since is None else from_rfc3339(since)
