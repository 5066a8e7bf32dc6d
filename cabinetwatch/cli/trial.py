"""`cabinetwatch trial`: a change of cooling, proved and put to work."""

import argparse
import difflib
import shutil
import signal
import time
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.container import OutOfOrderTableProxy
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import Item, Key, Table

from cabinetwatch import config as reading
from cabinetwatch.cli.look import ask
from cabinetwatch.cli.terminal import LeftOut, device_to, print_json, print_table, say, tell
from cabinetwatch.clock import SystemClock
from cabinetwatch.config.model import Config
from cabinetwatch.report.trial_case import (
    CHANGES,
    HOW,
    MOST_REASONS,
    NOTHING_FOLLOWS,
    PHASE_HEADINGS,
    SETTLED,
    Case,
    Interval,
    bar_lines,
    case_of,
    figure_rows,
    judge_case,
    note_lines,
    phase_rows,
    read_file,
    state_of,
    state_of_case,
    verdict_words,
    with_stored_readings,
)
from cabinetwatch.report.words import entries_about, operator_log, short_time, subjects_of
from cabinetwatch.store.database import signal_watch
from cabinetwatch.store.place import as_root_again, write_durably
from cabinetwatch.store.replay import StoreFollower
from cabinetwatch.store.store import Store
from cabinetwatch.text import ConfigError, UsageError, to_datetime, typeset
from cabinetwatch.trial.judgement import CAUTIONS, TrialFigures, check_intervals
from cabinetwatch.trial.readings import EMPTY, Phase, Terms
from cabinetwatch.watch.conditions import SPECS
from cabinetwatch.watch.events import EntryKind
from cabinetwatch.watch.trials import MEASURED, TrialBook, TrialRecord


def begin(args: argparse.Namespace) -> int:
    """Begin a trial."""
    command = {"command": "trial-begin", "trial": args.name, "device": args.device}
    with Store.open(args.config.store.url, read_only=True) as store:
        return ask(store, {**command, "change": args.change})


def enter(args: argparse.Namespace) -> int:
    """Enter a phase; one that has not settled is left all the same, but that is said."""
    with Store.open(args.config.store.url, read_only=True) as store:
        trial = _find(_book(store, args.config), args.name)
        if trial.phase in MEASURED:
            state = state_of(store, args.config, trial, _now(store))
            if not state.settled:
                tell(f"Note: {state.sentences[0]}", indent="  ")
        return ask(store, {"command": "trial-phase", "trial": args.name, "phase": args.phase})


def end(args: argparse.Namespace) -> int:
    """End a trial; with --apply only once its settings are in force."""
    config = args.config
    with Store.open(config.store.url, read_only=True) as store:
        trial = _find(_book(store, config), args.name)
        if args.apply:
            case = case_of(store, config, _compared(trial, config), _now(store))
            # First the settings, then the end: nothing is told in between of a rise that is normal
            # now.
            applied = apply_setpoints(args.config_file, store, judge_case(case, _terms(args)))
            if applied != 0:
                if trial.open:
                    say(f"The trial {trial.name} stays open; end it without --apply to close it.")
                return applied
            if not trial.open:
                return 0
        return ask(store, {"command": "trial-end", "trial": args.name})


def show_all(args: argparse.Namespace) -> int:
    """List all trials, and how far the open ones are."""
    with Store.open(args.config.store.url, read_only=True) as store:
        now_utc_ms, trials = _now(store), _book(store, args.config).trials.values()
        states = [state_of(store, args.config, trial, now_utc_ms) for trial in trials]
    if args.json:
        print_json([state.public() for state in states])
        return 0
    if not states:
        say("There is no trial yet; cabinetwatch trial begin --help shows how to begin one.")
        return 0
    rows, timezone = [], args.config.site.timezone
    for state in states:
        trial = state.trial
        phase = (trial.phase or "none yet") if trial.open else "ended"
        begun = short_time(trial.begun_utc_ms, timezone, "%Y-%m-%d %H:%M")
        rows.append([trial.name, trial.device, trial.change, begun, phase])
    print_table(("Trial", "Device", "Change", f"Begun ({timezone})", "Phase"), rows)
    for state in states:
        for sentence in state.sentences:
            tell(f"{state.trial.name}: {sentence}", indent="  ")
    return 0


def report(args: argparse.Namespace) -> int:
    """Report, of a trial told to the watch or after the fact; 1 when it is to be undone."""
    afterwards = (args.device, args.before, args.after, args.zero, args.recording)
    if args.name is not None and any(each is not None for each in afterwards):
        raise UsageError(
            "trial report: give the name of a trial, or --device with --before and --after; not"
            " both"
        )
    if args.name is None and None in (args.device, args.before, args.after):
        raise UsageError(
            "trial report: give the name of a trial, or --device, --before and --after"
        )
    if args.name is None:
        case = _case_afterwards(args)
        figures = judge_case(case, _terms(args))
    else:
        with Store.open(args.config.store.url, read_only=True) as store:
            trial = _compared(_find(_book(store, args.config), args.name), args.config)
            now_utc_ms = _now(store)
            case = _with_notes(case_of(store, args.config, trial, now_utc_ms), store)
        figures = judge_case(case, _terms(args))
        if trial.open:
            told = state_of_case(case, trial, now_utc_ms, figures).sentences
            # How a phase stands may begin with what is wrong with it.
            reasons = (r for r in figures.reasons if not any(each.startswith(r) for each in told))
            figures = replace(figures, reasons=(*reasons, *told))
    if args.html is not None:
        # It draws with matplotlib, which takes a second to import.
        from cabinetwatch.report.trial_page import html_of  # noqa: PLC0415

        try:
            args.html.write_bytes(html_of(case, figures))
        except OSError as error:
            raise UsageError(
                f"--html {args.html}: can't be written there: {error.strerror}; name another file"
            ) from error
    if args.json:
        print_json(figures.as_json())
    else:
        _show(case, figures)
        if args.html is not None:
            say(f"The report is in {args.html}.")
    return 1 if figures.verdict == "reject" else 0


def _book(store: Store, config: Config) -> TrialBook:
    return StoreFollower(store, config).engine().trials


def _find(book: TrialBook, name: str) -> TrialRecord:
    """Give a trial by its name."""
    trial = book.trials.get(name)
    if trial is None:
        raise UsageError(book.lacks(name))
    return trial


def _compared(trial: TrialRecord, config: Config) -> TrialRecord:
    """Give a trial whose device still is one of which rises can be compared."""
    device_to("compare").read(trial.device, config)
    return trial


def _now(store: Store) -> int:
    """How far the watch has come: what a phase under way is measured up to."""
    return store.heartbeat() or 0


def _terms(args: argparse.Namespace) -> Terms:
    return Terms(args.accept_margin_k, args.energy_ev)


def _case_afterwards(args: argparse.Namespace) -> Case:
    given: dict[str, Interval | None] = {
        name: getattr(args, name) for name in ("zero", "before", "after")
    }
    intervals = {name: ends for name, ends in given.items() if ends is not None}
    # Refused before a year is read for it.
    check_intervals({name: Phase(*ends, EMPTY, EMPTY) for name, ends in intervals.items()})
    title = f"{args.config.name_of(args.device)}, before and after"
    case = Case(title, args.device, "", args.config, intervals, {})
    if args.recording is not None:
        left_out = LeftOut(args.recording)
        readings = read_file(args.recording, args.config, left_out.tell)
        left_out.close()
        return replace(case, readings=readings)
    with Store.open(args.config.store.url, read_only=True) as store:
        return _with_notes(with_stored_readings(case, store), store)


def _with_notes(case: Case, store: Store) -> Case:
    """Add what people did to the device during the trial."""
    subjects = subjects_of(case.device, case.config.devices[case.device])
    from_ms, to_ms = case.span if case.intervals else (0, 0)
    notes = entries_about(subjects, operator_log(store), from_ms, to_ms + 1)
    return replace(case, notes=tuple(notes))


def _show(case: Case, figures: TrialFigures) -> None:
    """Print a report for people: the verdict and why, then what it rests on."""
    tell(f"VERDICT: {verdict_words(figures)}")
    _tell_reasons(figures.reasons[:MOST_REASONS])
    bar = bar_lines(case, figures)
    for line in ("", *bar) if bar else ():
        say(typeset(line))
    print(f"\n{HOW.upper()}")
    tell(f"Trial {case.title}: {case.name} ({case.device}){case.change and f': {case.change}'}")
    _tell_reasons(figures.reasons[MOST_REASONS:])
    print()
    if case.intervals:
        columns = zip(PHASE_HEADINGS, *phase_rows(case, figures), strict=True)
        headings, *rows = ([typeset(cell) for cell in row] for row in columns)
        print_table(headings, rows)
        tell(f"Times: {case.config.site.timezone}. {SETTLED}")
        print()
    if found := figure_rows(figures, case.config.site.temperature_unit):
        print_table(("What follows", ""), [(name, typeset(value)) for name, value in found])
        tell(CHANGES)
    else:
        tell(f"What follows: {NOTHING_FOLLOWS[0].lower()}{NOTHING_FOLLOWS[1:]}")
    print()
    stanza = figures.setpoints.as_toml().splitlines()
    if stanza:
        tell("Setpoints for the watch (cabinetwatch trial end NAME --apply writes them):")
    else:
        tell("No setpoints follow for the watch.")
    for line in stanza:
        say(f"  {line}")
    if case.notes:
        print("\nWhat people did meanwhile:")
        for line in note_lines(case):
            tell(f"  {line}", indent="    ")
    print()
    for caution in CAUTIONS:
        tell(f"CAUTION: {caution}", indent="  ")


def _tell_reasons(reasons: Sequence[str]) -> None:
    for reason in reasons:
        tell(f"  - {reason}", indent="    ")


_READ_WITHIN_S = 20.0
_LOOK_EVERY_S = 0.1


def apply_setpoints(path: Path, store: Store, figures: TrialFigures) -> int:
    """Write the setpoints of a trial into the configuration and have the watch read them.

    1 when the trial gives nothing to apply, or the watch did not read it.
    """
    undecided = figures.verdict == "undecided" and figures.hot_day_margin is not None
    if undecided or not figures.setpoints.values:
        say(f"Nothing is applied: the verdict is {figures.verdict}.")
        _tell_reasons(figures.reasons[:MOST_REASONS])
        return 1
    # Not as text: that would lose what the lines end with.
    with as_root_again():
        old = path.read_bytes().decode()
    new = with_settings(old, figures.device, figures.setpoints.values)
    # What `check` would say of it is said before anything is written.
    wanted = reading.parse(new, path, SPECS)
    if new == old:
        say(f"{path} says so already.")
        return 0
    names = f"{path} (before)", f"{path} (after)"
    for line in difflib.unified_diff(old.splitlines(), new.splitlines(), *names, lineterm="", n=2):
        say(line)
    with as_root_again():
        backup = _replace(path, new)
    say(f"{path} is written; as it was before it is kept in {backup}.")
    return _have_read(store, wanted, figures.device)


def with_settings(text: str, device: str, values: Mapping[str, float]) -> str:
    """Give the text of a configuration with some keys of a device's table set to other values."""
    try:
        document = tomlkit.parse(text)
    except TOMLKitError as error:
        raise ConfigError([f"the configuration is no valid TOML: {error}"]) from None
    devices = document.get("devices")
    if not isinstance(devices, Mapping) or not isinstance(devices.get(device), Mapping):
        raise ConfigError([f"the configuration has no table [devices.{device}]"])
    table: Any = devices[device]
    new = {key: value for key, value in values.items() if key not in table}
    for key in values.keys() & table.keys():
        table[key] = values[key]
    # New keys go before the comments at the end of the table: those speak of what comes after it.
    # A table that is written another way keeps them where they are.
    devices_as_written: Any = document.item("devices")
    written = devices_as_written.get(device)
    body: list[tuple[Key | None, Item]] = []
    if new and isinstance(written, Table) and not isinstance(written, OutOfOrderTableProxy):
        body = written.value.body
    last = len(body)
    while last and body[last - 1][0] is None:
        last -= 1
    tail = body[last:]
    del body[last:]
    for key, value in new.items():
        table[key] = value
    body.extend(tail)
    return tomlkit.dumps(document)


def _replace(path: Path, text: str) -> Path:
    """Put a new text in the place of a file at one stroke; the old one stays beside it."""
    target = path.resolve()
    stamp = to_datetime(SystemClock().utc_ms()).strftime("%Y%m%dT%H%M%SZ")
    backup = target.with_name(f"{target.name}.before-{stamp}")
    try:
        shutil.copy2(target, backup)
        write_durably(target, text.encode(), like=target.stat())
    except OSError as error:
        raise UsageError(
            f"{target} can't be rewritten: {error.strerror}; put the setpoints into it by hand"
        ) from error
    return backup


def _have_read(store: Store, wanted: Config, device: str) -> int:
    """Have the running watch read its file again, and wait until it has."""
    try:
        if signal_watch(store.path, signal.SIGHUP) is None:
            say("The watch is not running; it reads this when it starts.")
            return 0
    except OSError as error:
        say(f"The watch can't be notified ({error.strerror}); send it SIGHUP.")
        return 1
    goal = wanted.as_json()["devices"][device]
    until = time.monotonic() + _READ_WITHIN_S
    while time.monotonic() < until:
        entries = store.entries(EntryKind.CONFIG)
        if entries and entries[-1][1].data["config"]["devices"].get(device) == goal:
            say("The watch has read it.")
            return 0
        time.sleep(_LOOK_EVERY_S)
    say("The watch has not read it; its log says why. Does it run with this very file?")
    return 1
