"""Looking at the watch, and acting on its alarms and devices.

status and alarms; ack, shelve, unshelve, service, note and learn. Each of these puts a command into
the store, which a running watch answers within seconds and any other carries out at its next start.
"""

import argparse
import getpass
import os
import sys
import time
from collections import Counter
from collections.abc import Mapping, Sequence
from functools import partial
from typing import TYPE_CHECKING, Any

from cabinetwatch.cli.terminal import COLUMNS, paragraph, print_json, print_table, say
from cabinetwatch.clock import Clock, SystemClock
from cabinetwatch.config import Config
from cabinetwatch.config.model import SITE_SUBJECT
from cabinetwatch.notify.mail import (
    DEVICE_CAUTIONS,
    NO_SMOKE_ALARM,
    card_of,
    display_names,
    learning_words,
    predicate,
)
from cabinetwatch.report.words import (
    Present,
    hidden_words,
    known,
    last_known,
    present_of,
    short_time,
    subjects_of,
)
from cabinetwatch.store.database import MemoryRecords, find_records
from cabinetwatch.store.place import NoStoreError
from cabinetwatch.store.replay import ASKED_WITHIN_S, ask_watch, take_snapshot
from cabinetwatch.store.store import Store
from cabinetwatch.store.upkeep import Room
from cabinetwatch.text import (
    StoreError,
    TemperatureUnit,
    UsageError,
    beside,
    counted,
    describe_duration,
    from_rfc3339,
    to_rfc3339,
)
from cabinetwatch.watch.commands import too_hot_to_learn
from cabinetwatch.watch.conditions import named
from cabinetwatch.watch.conditions.base import interval_k, is_vague, quantity, rpm
from cabinetwatch.watch.events import Account, AlarmState

if TYPE_CHECKING:
    from cabinetwatch.report.trial_case import TrialState

_UNKNOWN = "-"
_FOLLOW_EVERY_S = 2.0
_CLEAR = "\x1b[H\x1b[2J"
_INDENT = "  "
_ACTIVE = {AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED, AlarmState.SUPPRESSED}

_known = partial(known, otherwise=_UNKNOWN)
_print_table = partial(print_table, most_columns=COLUMNS)


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
        snapshot, now_utc_ms = take_snapshot(store, config, clock), clock.utc_ms()
        present = present_of(snapshot, config, now_utc_ms)
        devices = [
            last_known(device_id, figures, present, store)
            for device_id, figures in snapshot.devices.items()
        ]
        if snapshot.trials:
            # It fits curves, with libraries that take a second to import; trials are rare.
            from cabinetwatch.report.trial_case import state_of  # noqa: PLC0415

            measured_ms = snapshot.utc_ms or 0
            trials = [state_of(store, config, trial, measured_ms) for trial in snapshot.trials]
    if args.follow and sys.stdout.isatty():
        sys.stdout.write(_CLEAR)
    if args.json:
        print_json(snapshot.public() | {"trials": [each.public() for each in trials]})
    else:
        _show(present, devices, config, now_utc_ms)
        for state in trials:
            print()
            paragraph(_trial_line(state))
            for sentence in state.sentences:
                paragraph(sentence, _INDENT)
    return 0 if snapshot.is_well else 1


def _trial_line(state: "TrialState") -> str:
    trial = state.trial
    phase = f"in its {trial.phase} phase" if trial.phase else "before its first phase"
    change = f" ({trial.change})" if trial.change else ""
    return f"Trial {trial.name} of {trial.device}{change}, {phase}:"


def _show(
    present: Present, devices: Sequence[Mapping[str, Any]], config: Config, now_utc_ms: int
) -> None:
    """Print the present, and what is last known of devices, for people who read it now."""
    _print_present(present, config, now_utc_ms)
    snapshot, unit = present.snapshot, config.site.temperature_unit
    as_of = ""
    if present.are_old and present.as_of_ms is not None:
        as_of = f"Last known, {beside(present.as_of_ms, now_utc_ms, config.site.timezone)}:"
    print()
    if as_of:
        say(as_of)
    _print_table(
        ("Device", "Now", "Surrounding air", "Rise", "Load", "Fan"),
        [_device_row(figures, unit) for figures in devices],
        right=range(1, 6),
    )
    print()
    _print_table(
        ("Device", "Settling at", "Normal", "Threshold", "Margin now", "Hot-day margin"),
        [_heading_row(figures, unit) for figures in devices],
        right=range(1, 6),
    )
    print()
    learnt: dict[str, list[str]] = {}
    for figures in devices:
        learnt.setdefault(learning_words(figures["learning"], config.site.timezone), []).append(
            figures["name"]
        )
    for words, names in learnt.items():
        paragraph(f"{', '.join(names)}: {words}")
    print()
    states = Counter(each["state"] for each in snapshot.sensors.values())
    paragraph(
        f"Sensors: {', '.join(f'{count} {state}' for state, count in states.items()) or 'none'}."
    )
    # What a device's sensor measures stands above, as long as it does.
    above = {each for key in config.devices for each in subjects_of(key, config.devices[key])}
    sensors = [
        _sensor_row(each, unit, now_utc_ms)
        for name, each in snapshot.sensors.items()
        if name not in above or each["state"] != "live" or present.are_old
    ]
    if sensors:
        _print_table(("Sensor", "Value", "State", "Last heard"), sensors, right=(1,))
    for name, each in snapshot.sensors.items():
        if each["unreadable"]["since_start"]:
            paragraph(_unreadable_line(name, each, now_utc_ms))
        if each["late"]["since_start"]:
            paragraph(_late_line(each))
    little = _little_room(snapshot.room)
    if little is not None:
        print()
        paragraph(little)


def _print_present(present: Present, config: Config, now_ms: int) -> None:
    """Print what is on, the worst first, what is over, and what is hidden."""
    snapshot, zone = present.snapshot, config.site.timezone
    paragraph(f"{snapshot.site}, {short_time(now_ms, zone, '%a %-d %b %Y %H:%M:%S %Z')}")
    if present.trouble is not None:
        paragraph(f"{present.trouble.words.upper()}. {present.trouble.detail}")
    else:
        if not present.on:
            # What is over or hidden follows by itself.
            paragraph(f"{present.headline.words}.")
        up_s, age_s = (
            (now_ms - (since_ms or now_ms)) / 1000
            for since_ms in (snapshot.since_utc_ms, snapshot.utc_ms)
        )
        up, age = describe_duration(up_s), describe_duration(age_s)
        paragraph(f"The watch has been running for {up}; the figures are {age} old.")
    said: set[str] = set()
    for account in present.on:
        print()
        _print_incident(present, account, config, now_ms, said)
    if any(SITE_SUBJECT not in each.subjects for each in present.on):
        print()
        paragraph(" ".join((*DEVICE_CAUTIONS, NO_SMOKE_ALARM)))
    if present.over:
        print()
        say("Over, not acknowledged:")
        for account in present.over:
            facts = card_of(account, account.time_ms, config).facts
            words = [account.headline, *(f"{name} {value}" for name, value in facts), account.id]
            paragraph("; ".join(words), _INDENT, indent=2 * _INDENT)
    if present.hidden:
        print()
        paragraph(f"{hidden_words(present.hidden)}:")
        for each in present.hidden:
            since = f"{each.state.value.replace('-', ' ')}, since"
            alarm = "" if each.is_out else f"; {each.alarms[0].id}"
            line = f"{each.words}; {since} {beside(each.since_ms, now_ms, zone)}{alarm}"
            paragraph(line, _INDENT, indent=2 * _INDENT)


def _print_incident(
    present: Present, account: Account, config: Config, now_ms: int, said: set[str]
) -> None:
    """Print the account of an incident, without repeating what was `said` of those before it."""
    card = card_of(account, account.time_ms, config)
    zone, now = config.site.timezone, card.now
    if now and present.is_last_known(account) and present.as_of_ms is not None:
        now = f"Last known, {beside(present.as_of_ms, now_ms, zone)}: {now}"
    paragraph(f"[{card.degree}] {card.headline}")
    paragraph(now, _INDENT)
    if not now:
        for told in present.told(account, now_ms, zone):
            paragraph(f"{told.when[0].upper()}{told.when[1:]}: {told.text}", _INDENT)
    alarms = [each for each in present.snapshot.standing if each.id in account.alarms]
    advice = {"What to do": card.response, "Likely": card.likely}
    rows = [
        *card.facts,
        *((name, "as above" if text in said else text) for name, text in advice.items()),
        ("Alarms", ", ".join(f"{each.condition} {each.id}" for each in alarms)),
    ]
    said |= {*advice.values()} - {""}
    for name, text in rows:
        paragraph(text, f"{_INDENT}{name + ':':13}")
    # Whole, so that it can be copied.
    seen = ("Seen it?", card.acknowledge) if card.acknowledge else ("ID:", account.id)
    say(f"{_INDENT}{seen[0]:13}{seen[1]}")


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
        "the store. Make room, or shorten the retention times in [store]."
    )


def _device_row(figures: Mapping[str, Any], unit: TemperatureUnit) -> list[str]:
    return [
        f"{figures['name']}{' (off)' if figures['off'] else ''}",
        _known(figures["temperature_c"], unit.temperature),
        _known(figures["ambient_c"], unit.temperature),
        _known(figures["rise_k"], unit.difference),
        _known(figures["power_w"], lambda power_w: quantity(power_w, "power", unit)),
        _known(figures["fan_rpm"], rpm),
    ]


def _heading_row(figures: Mapping[str, Any], unit: TemperatureUnit) -> list[str]:
    settled_k, sd_k = figures["settled_rise_k"], figures["settled_rise_sd_k"]
    settling = _UNKNOWN
    if settled_k is not None and sd_k is not None and not is_vague(settled_k, sd_k):
        settling = interval_k(settled_k, sd_k, unit)
    return [
        str(figures["name"]),
        settling,
        _known(figures["normal_rise_k"], unit.difference),
        _known(figures["threshold_c"], unit.temperature),
        _known(figures["margin_k"], unit.difference),
        _known(figures["hot_day_margin_k"], unit.difference),
    ]


def _sensor_row(figures: dict[str, Any], unit: TemperatureUnit, now_utc_ms: int) -> list[str]:
    heard = _UNKNOWN
    if figures["time"] is not None:
        heard = f"{describe_duration((now_utc_ms - from_rfc3339(figures['time'])) / 1000)} ago"
    value = _known(figures["value"], lambda value: quantity(value, figures["quantity"], unit))
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


def alarms(args: argparse.Namespace) -> int:
    """Show what is on, over or hidden, and the newest transitions."""
    config, clock = args.config, SystemClock()
    with open_records(config) as store:
        snapshot, history = take_snapshot(store, config, clock), store.transitions(limit=args.limit)
    if args.json:
        told = {"standing": snapshot.standing, "history": history}
        print_json({key: [each.public() for each in told[key]] for key in told})
        return 0
    now_utc_ms, names = clock.utc_ms(), display_names(config)
    _print_present(present_of(snapshot, config, now_utc_ms), config, now_utc_ms)
    print()
    if not history:
        say("No alarms so far.")
        return 0
    _print_table(
        ("Time", "ID", "State", "Alarm"),
        [
            (
                short_time(each.utc_ms, config.site.timezone, "%Y-%m-%d %H:%M:%S"),
                each.id,
                each.state.value,
                f"{names.get(each.subject, each.subject)}: {predicate(each)} ({each.condition})",
            )
            for each in history
        ],
    )
    return 0


def ack(args: argparse.Namespace) -> int:
    """Acknowledge an incident, an alarm, all of a device or sensor, or everything."""
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
    """Ask something of an active alarm."""
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
    """Begin to learn anew, put in force what an interval of the record teaches, or verify."""
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
    (asked,) = ask_watch(store, [{**command, "by": user}], SystemClock(), within_s)
    print(asked.text)
    return 0 if asked.done or not asked.is_running else 1


def open_records(config: Config) -> Store:
    """Open them for reading and asking; when they are in memory, say so beside the answer."""
    records = find_records(config.store_path())
    if records is not None:
        say(in_memory_sentence(config.site.name, records.process), sys.stderr)
    return open_where(config, records)


def open_where(config: Config, records: MemoryRecords | None) -> Store:
    """Open the store, or, where we may, what stands in for it in memory."""
    url = config.store.url if records is None or records.url is None else records.url
    return Store.open(url, read_only=True)


def in_memory_sentence(site: str, process: int) -> str:
    """Say that the records are in memory, and what that means."""
    return (
        f"{site}: THE WATCH RUNS WITH ITS RECORDS IN MEMORY (process {process}), for its disk "
        "refuses the store: it notifies as usual, but what it records is lost when it ends. "
        "Check the disk: is it full, or read-only?"
    )
