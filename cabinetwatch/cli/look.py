"""Looking at the watch: status and alarms."""

import argparse
import sys
import textwrap
import time
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from cabinetwatch.cli.act import in_memory_sentence, open_records, open_where
from cabinetwatch.cli.terminal import print_json, print_table, say
from cabinetwatch.clock import Clock, SystemClock
from cabinetwatch.config import Config
from cabinetwatch.config.model import SITE_SUBJECT
from cabinetwatch.notify.mail import card_of, display_names
from cabinetwatch.notify.words import (
    DEVICE_CAUTIONS,
    NO_SMOKE_ALARM,
    learning_words,
    predicate,
)
from cabinetwatch.report.present import Present, hidden_words, last_known, moment, present_of
from cabinetwatch.report.words import short_time, subjects_of
from cabinetwatch.store.database import find_records
from cabinetwatch.store.place import NoStoreError
from cabinetwatch.store.replay import take_snapshot
from cabinetwatch.store.store import Store
from cabinetwatch.store.upkeep import Room
from cabinetwatch.text import (
    StoreError,
    TemperatureUnit,
    counted,
    describe_duration,
    from_rfc3339,
    printable,
)
from cabinetwatch.watch.conditions.base import interval_k, quantity, rpm
from cabinetwatch.watch.events import Account

if TYPE_CHECKING:
    from cabinetwatch.report.trial_case import TrialState

_UNKNOWN = "-"
_FOLLOW_EVERY_S = 2.0
_CLEAR = "\x1b[H\x1b[2J"
_COLUMNS = 80
_INDENT = "  "


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
            _say(_trial_line(state))
            for sentence in state.sentences:
                _say(sentence, _INDENT)
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
        as_of = f"Last known, {moment(present.as_of_ms, now_utc_ms, config.site.timezone)}:"
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
        _say(f"{', '.join(names)}: {words}")
    print()
    states = Counter(each["state"] for each in snapshot.sensors.values())
    _say(f"Sensors: {', '.join(f'{count} {state}' for state, count in states.items()) or 'none'}.")
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
            _say(_unreadable_line(name, each, now_utc_ms))
        if each["late"]["since_start"]:
            _say(_late_line(each))
    little = _little_room(snapshot.room)
    if little is not None:
        print()
        _say(little)


def _say(text: str, before: str = "", *, indent: int = 0) -> None:
    """Print a paragraph within the columns of a terminal; its further lines are indented."""
    further = " " * max(indent, len(before))
    for line in textwrap.wrap(
        printable(text),
        _COLUMNS,
        initial_indent=before,
        subsequent_indent=further,
        break_on_hyphens=False,
    ):
        print(line)


def _print_table(
    headings: Sequence[str], rows: Sequence[Sequence[str]], right: Sequence[int] = ()
) -> None:
    print_table(headings, rows, right=right, most_columns=_COLUMNS)


def _print_present(present: Present, config: Config, now_ms: int) -> None:
    """Print what is on, the worst first, what is over, and what is hidden."""
    snapshot, zone = present.snapshot, config.site.timezone
    _say(f"{snapshot.site}, {short_time(now_ms, zone, '%a %-d %b %Y %H:%M:%S %Z')}")
    if present.trouble is not None:
        _say(f"{present.trouble.words.upper()}. {present.trouble.detail}")
    else:
        if not present.on:
            # What is over or hidden follows by itself.
            _say(f"{present.headline.words}.")
        up_s, age_s = (
            (now_ms - (since_ms or now_ms)) / 1000
            for since_ms in (snapshot.since_utc_ms, snapshot.utc_ms)
        )
        up, age = describe_duration(up_s), describe_duration(age_s)
        _say(f"The watch has been running for {up}; the figures are {age} old.")
    said: set[str] = set()
    for account in present.on:
        print()
        _print_incident(present, account, config, now_ms, said)
    if any(SITE_SUBJECT not in each.subjects for each in present.on):
        print()
        _say(" ".join((*DEVICE_CAUTIONS, NO_SMOKE_ALARM)))
    if present.over:
        print()
        say("Over, not acknowledged:")
        for account in present.over:
            facts = card_of(account, account.time_ms, config).facts
            words = [account.headline, *(f"{name} {value}" for name, value in facts), account.id]
            _say("; ".join(words), _INDENT, indent=4)
    if present.hidden:
        print()
        _say(f"{hidden_words(present.hidden)}:")
        for each in present.hidden:
            since = f"{each.state.value.replace('-', ' ')}, since"
            alarm = "" if each.is_out else f"; {each.alarms[0].id}"
            line = f"{each.words}; {since} {moment(each.since_ms, now_ms, zone)}{alarm}"
            _say(line, _INDENT, indent=4)


def _print_incident(
    present: Present, account: Account, config: Config, now_ms: int, said: set[str]
) -> None:
    """Print the account of an incident, without repeating what was `said` of those before it."""
    card = card_of(account, account.time_ms, config)
    zone, now = config.site.timezone, card.now
    if now and present.is_last_known(account) and present.as_of_ms is not None:
        now = f"Last known, {moment(present.as_of_ms, now_ms, zone)}: {now}"
    _say(f"[{card.degree}] {card.headline}")
    _say(now, _INDENT)
    if not now:
        for told in present.told(account, now_ms, zone):
            _say(f"{told.when[0].upper()}{told.when[1:]}: {told.text}", _INDENT)
    alarms = [each for each in present.snapshot.standing if each.id in account.alarms]
    advice = {"What to do": card.response, "Likely": card.likely}
    rows = [
        *card.facts,
        *((name, "as above" if text in said else text) for name, text in advice.items()),
        ("Alarms", ", ".join(f"{each.condition} {each.id}" for each in alarms)),
    ]
    said |= {*advice.values()} - {""}
    for name, text in rows:
        _say(text, f"{_INDENT}{name + ':':13}")
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
        _written(figures["temperature_c"], unit.temperature),
        _written(figures["ambient_c"], unit.temperature),
        _written(figures["rise_k"], unit.difference),
        _written(figures["power_w"], lambda power_w: quantity(power_w, "power", unit)),
        _written(figures["fan_rpm"], rpm),
    ]


def _heading_row(figures: Mapping[str, Any], unit: TemperatureUnit) -> list[str]:
    settled_k, sd_k = figures["settled_rise_k"], figures["settled_rise_sd_k"]
    settling = _written(settled_k, unit.difference)
    if settled_k is not None and sd_k is not None:
        settling = interval_k(settled_k, sd_k, unit)
    return [
        str(figures["name"]),
        settling,
        _written(figures["normal_rise_k"], unit.difference),
        _written(figures["threshold_c"], unit.temperature),
        _written(figures["margin_k"], unit.difference),
        _written(figures["hot_day_margin_k"], unit.difference),
    ]


def _sensor_row(figures: dict[str, Any], unit: TemperatureUnit, now_utc_ms: int) -> list[str]:
    heard = _UNKNOWN
    if figures["time"] is not None:
        heard = f"{describe_duration((now_utc_ms - from_rfc3339(figures['time'])) / 1000)} ago"
    value = _written(figures["value"], lambda value: quantity(value, figures["quantity"], unit))
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
