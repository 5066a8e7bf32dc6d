"""`cabinetwatch trial`: a change of cooling, proved."""

import argparse
import difflib
import os
import shutil
import signal
import tempfile
import time
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.container import OutOfOrderTableProxy
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import Item, Key, Table

from cabinetwatch import config as reading
from cabinetwatch.cli.act import ask
from cabinetwatch.cli.terminal import (
    LeftOut,
    positive,
    print_json,
    print_table,
    read_interval,
    say,
    utc_minute,
)
from cabinetwatch.clock import SystemClock, to_datetime
from cabinetwatch.config import find_config_file
from cabinetwatch.config.model import Config
from cabinetwatch.report.charts import note_marks
from cabinetwatch.report.trial_case import (
    NOTHING_FOLLOWS,
    Case,
    Interval,
    TrialState,
    case_of,
    check_device,
    deed_lines,
    figure_rows,
    judge_case,
    phase_rows,
    read_file,
    state_of,
    verdict_words,
    with_stored_readings,
)
from cabinetwatch.report.words import operator_log, subjects_of
from cabinetwatch.service.publisher import words
from cabinetwatch.store.database import signal_watch
from cabinetwatch.store.place import as_root_again
from cabinetwatch.store.replay import StoreFollower
from cabinetwatch.store.store import Store
from cabinetwatch.text import ConfigError, UsageError
from cabinetwatch.trial.analysis import check_intervals
from cabinetwatch.trial.judgement import CAUTIONS, TrialFigures
from cabinetwatch.trial.readings import EMPTY, Phase, Subject, Terms, Trial
from cabinetwatch.watch import configuration
from cabinetwatch.watch.conditions import SPECS
from cabinetwatch.watch.events import EntryKind
from cabinetwatch.watch.trials import PHASES, TrialBook, TrialRecord, check_name

Body = list[tuple[Key | None, Item]]


def with_settings(text: str, device: str, values: Mapping[str, float]) -> str:
    """Give the text of a configuration with some keys of a device set to other values.

    Args:
        text: of the file as it is.
        device: has a table in it.
        values: for each key the number to stand there.

    Raises:
        ConfigError: the file is no TOML, or has no such table.
    """
    try:
        document = tomlkit.parse(text)
    except TOMLKitError as error:
        raise ConfigError([f"the configuration is no valid TOML: {error}"]) from None
    devices = document.get("devices")
    if not isinstance(devices, Mapping) or not isinstance(devices.get(device), Mapping):
        raise ConfigError([f"the configuration has no table [devices.{device}]"])
    table = devices[device]
    for key in values.keys() & table.keys():
        table[key] = values[key]
    new = {key: value for key, value in values.items() if key not in table}
    below = _cut_tail(_parts_of(document, device)) if new else None
    for key, value in new.items():
        table[key] = value
    if below is not None:
        body, tail = below
        body.extend(tail)
    return tomlkit.dumps(document)


def _parts_of(document: tomlkit.TOMLDocument, device: str) -> Body | None:
    """Give what the table [devices.ID] holds, comments and all; None if written another way."""
    devices: Any = document.item("devices")
    table = devices.get(device)
    if isinstance(table, OutOfOrderTableProxy) or not isinstance(table, Table):
        return None
    return table.value.body


def _cut_tail(body: Body | None) -> tuple[Body, Body] | None:
    """Take the comments at the end of a table off: they speak of what comes after it."""
    if body is None:
        return None
    end = len(body)
    while end and body[end - 1][0] is None:
        end -= 1
    tail = body[end:]
    del body[end:]
    return body, tail


_READ_WITHIN_S = 20.0
_LOOK_EVERY_S = 0.1


def apply_setpoints(path: Path, store: Store, figures: TrialFigures) -> int:
    """Write the setpoints of a trial into the configuration and have the watch read them.

    Returns:
        0; 1 when the trial gives nothing to apply, or the watch did not read it.

    Raises:
        ConfigError: the file would not be accepted.
        UsageError: it can't be written.
    """
    undecided = figures.verdict == "undecided" and figures.hot_day_margin is not None
    if undecided or not figures.setpoints.values:
        say(f"Nothing is applied: the verdict is {figures.verdict}.")
        for reason in figures.reasons:
            say(f"  - {reason}")
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
    _show_difference(path, old, new)
    with as_root_again():
        backup = _replace(path, new)
    say(f"{path} is written; as it was before it is kept in {backup}.")
    return _have_read(store, wanted, figures.device)


def _show_difference(path: Path, old: str, new: str) -> None:
    lines = difflib.unified_diff(
        old.splitlines(), new.splitlines(), f"{path} (before)", f"{path} (after)", lineterm="", n=2
    )
    for line in lines:
        say(line)


def _replace(path: Path, text: str) -> Path:
    """Put a new text in the place of a file at one stroke; the old one stays beside it."""
    target = path.resolve()
    stamp = to_datetime(SystemClock().utc_ms()).strftime("%Y%m%dT%H%M%SZ")
    backup = target.with_name(f"{target.name}.before-{stamp}")
    try:
        status = target.stat()
        shutil.copy2(target, backup)
        descriptor, name = tempfile.mkstemp(prefix=f".{target.name}.", dir=target.parent)
        try:
            with os.fdopen(descriptor, "w", encoding="utf-8", newline="") as file:
                file.write(text)
                file.flush()
                os.fsync(file.fileno())
            Path(name).chmod(status.st_mode & 0o7777)
            if os.geteuid() == 0:
                os.chown(name, status.st_uid, status.st_gid)
            Path(name).replace(target)
        except BaseException:
            Path(name).unlink(missing_ok=True)
            raise
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
        say(f"The watch can't be told ({error.strerror}); send it SIGHUP.")
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


_PHASE_HEADINGS = (
    "Phase",
    "From",
    "To",
    "Rise",
    "95 %",
    "State",
    "Time constant",
    "Ambient",
    "Load",
)


def show(case: Case, figures: TrialFigures) -> None:
    """Print a report for people."""
    say(f"Trial {case.title}: {case.name} ({case.device})")
    if case.change:
        say(f"Change: {case.change}")
    print()
    say(f"VERDICT: {verdict_words(figures)}")
    for reason in figures.reasons:
        say(f"  - {reason}")
    print()
    print_table(_PHASE_HEADINGS, phase_rows(case, figures), right=(3, 6, 7, 8))
    print()
    rows = figure_rows(figures)
    if rows:
        print_table(("Figure", ""), rows)
    else:
        say(f"What follows: {NOTHING_FOLLOWS[0].lower()}{NOTHING_FOLLOWS[1:]}")
    _setpoints(figures)
    notes = deed_lines(case)
    if notes:
        print()
        say("What people did meanwhile:")
        for line in notes:
            say(f"  {line}")
    print()
    for caution in CAUTIONS:
        say(f"CAUTION: {caution}")


def _setpoints(figures: TrialFigures) -> None:
    stanza = figures.setpoints.as_toml()
    print()
    if not stanza:
        say("No setpoints follow for the watch.")
        return
    say("Setpoints for the watch (cabinetwatch trial end NAME --apply writes them):")
    for line in stanza.splitlines():
        say(f"  {line}")


_MARGIN_DEFAULT_K = Terms().accept_margin_k
_ENERGY_DEFAULT_EV = Terms().activation_energy_ev


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.add_argument(
        "name", nargs="?", metavar="NAME", help="a trial that was told to the watch"
    )
    parser.add_argument("--device", metavar="ID", help="after the fact: the device")
    for phase, needed in (("before", ""), ("after", ""), ("zero", " (optional)")):
        parser.add_argument(
            f"--{phase}",
            metavar="INTERVAL",
            help=f"after the fact: the {phase} phase{needed}, an ISO 8601 interval such as"
            " 2026-07-01T18:00:00Z/2026-07-01T20:00:00Z or 2026-07-01T18:00:00Z/PT2H",
        )
    parser.add_argument(
        "--recording",
        type=Path,
        metavar="FILE",
        help="after the fact: read a recording, or CSV of time,sensor,value, and not the store",
    )
    parser.add_argument("--json", action="store_true", help="print JSON, for programs")
    parser.add_argument(
        "--html", type=Path, metavar="FILE", help="write the report as one HTML page as well"
    )
    add_terms(parser)


def add_terms(parser: argparse.ArgumentParser) -> None:
    """Add the options that say what a trial is judged by."""
    parser.add_argument(
        "--accept-margin",
        dest="accept_margin_k",
        type=positive,
        default=_MARGIN_DEFAULT_K,
        metavar="K",
        help=f"the hot-day margin asked for, in K (default: {_MARGIN_DEFAULT_K:zg})",
    )
    parser.add_argument(
        "--energy",
        dest="energy_ev",
        type=positive,
        default=_ENERGY_DEFAULT_EV,
        metavar="EV",
        help=f"activation energy for life, in eV (default: {_ENERGY_DEFAULT_EV:zg})",
    )


def terms_of(args: argparse.Namespace) -> Terms:
    """Give what a trial is judged by."""
    return Terms(args.accept_margin_k, args.energy_ev)


def run(args: argparse.Namespace) -> int:
    """Report; 1 when the verdict is to undo the change."""
    _check_use(args)
    config = configuration.load(find_config_file(args.config))
    case, progress = _afterwards(args, config) if args.name is None else _told(args, config)
    figures = judge_case(case, terms_of(args))
    # How a phase stands may begin with what is wrong with it.
    reasons = (each for each in figures.reasons if not any(p.startswith(each) for p in progress))
    figures = replace(figures, reasons=(*reasons, *progress))
    if args.html is not None:
        _write_html(args.html, case, figures)
    if args.json:
        print_json(figures.as_json())
    else:
        show(case, figures)
        if args.html is not None:
            say(f"The report is in {args.html}.")
    return 1 if figures.verdict == "reject" else 0


def judge_trial(store: Store, config: Config, trial: TrialRecord, terms: Terms) -> TrialFigures:
    """Judge a trial out of the store, as it stands now."""
    check_device(config, trial.device)
    return judge_case(case_of(store, config, trial, now_of(store)), terms)


def find_trial(book: TrialBook, name: str) -> TrialRecord:
    """Give a trial by its name.

    Raises:
        UsageError: there is none.
    """
    trial = book.trials.get(name)
    if trial is None:
        raise UsageError(book.lacks(name))
    return trial


def now_of(store: Store) -> int:
    """Give how far the watch has come: what a phase under way is measured up to."""
    return store.heartbeat() or 0


def _check_use(args: argparse.Namespace) -> None:
    afterwards = (args.device, args.before, args.after, args.zero, args.recording)
    if args.name is not None:
        if any(each is not None for each in afterwards):
            raise UsageError(
                "trial report: give the name of a trial, or --device with --before and --after;"
                " not both"
            )
        return
    if None in (args.device, args.before, args.after):
        raise UsageError(
            "trial report: give the name of a trial, or --device, --before and --after"
        )


def _told(args: argparse.Namespace, config: Config) -> tuple[Case, tuple[str, ...]]:
    """Give a trial that the journal knows, and how it stands if it is open."""
    with Store.open(config.store.url, read_only=True) as store:
        trial = find_trial(StoreFollower(store, config).engine().trials, args.name)
        check_device(config, trial.device)
        now_utc_ms = now_of(store)
        case = _with_notes(case_of(store, config, trial, now_utc_ms), store)
        return case, state_of(store, config, trial, now_utc_ms).sentences


def _afterwards(args: argparse.Namespace, config: Config) -> tuple[Case, tuple[str, ...]]:
    """Put a case together from intervals."""
    check_device(config, args.device)
    intervals = {
        phase: read_interval(f"--{phase}", text, config.site.timezone)
        for phase, text in (("zero", args.zero), ("before", args.before), ("after", args.after))
        if text is not None
    }
    # Refused before a year is read for it.
    _check(intervals, args.device)
    case = Case(
        title=f"{config.name_of(args.device)}, before and after",
        device=args.device,
        change="",
        config=config,
        intervals=intervals,
        readings={},
    )
    if args.recording is not None:
        left_out = LeftOut(args.recording)
        readings = read_file(args.recording, config, left_out.tell)
        left_out.close()
        return replace(case, readings=readings), ()
    with Store.open(config.store.url, read_only=True) as store:
        return _with_notes(with_stored_readings(case, store), store), ()


def _check(intervals: dict[str, Interval], device: str) -> None:
    phases = {name: Phase(*each, EMPTY, EMPTY) for name, each in intervals.items()}
    subject = Subject(device, 0.0)
    check_intervals(Trial(subject, phases["before"], phases["after"], phases.get("zero")))


def _with_notes(case: Case, store: Store) -> Case:
    """Add what people did to the device during the trial."""
    subjects = subjects_of(case.device, case.config.devices[case.device])
    from_ms, to_ms = case.span if case.intervals else (0, 0)
    done = [deed for deed in operator_log(store) if from_ms <= deed.utc_ms <= to_ms]
    kept = {mark.utc_ms for mark in note_marks(done, subjects, from_ms)}
    return replace(case, notes=tuple(deed for deed in done if deed.utc_ms in kept))


def _write_html(path: Path, case: Case, figures: TrialFigures) -> None:
    # It draws with matplotlib, which takes a second to import.
    from cabinetwatch.report.trial_page import html_of  # noqa: PLC0415

    try:
        path.write_bytes(html_of(case, figures))
    except OSError as error:
        raise UsageError(
            f"--html {path}: can't be written there: {error.strerror}; name another file"
        ) from error


def configure_trial(parser: argparse.ArgumentParser) -> None:
    """Add one parser for each deed."""
    deeds = parser.add_subparsers(dest="deed", metavar="DEED", required=True, title="deeds")

    begin = deeds.add_parser("begin", help="begin a trial of a device")
    begin.add_argument("name", metavar="NAME", help="a name for it, such as slow-fan")
    begin.add_argument("--device", required=True, metavar="ID", help="the device")
    begin.add_argument("--change", required=True, metavar="TEXT", help="what will be changed")

    phase = deeds.add_parser(
        "phase", help="enter a phase: zero (device off), before, change (cover off), after"
    )
    phase.add_argument("name", metavar="NAME", help="the trial")
    phase.add_argument("phase", choices=PHASES, help="the phase that begins now")

    end = deeds.add_parser("end", help="end a trial, and put its setpoints to work if asked to")
    end.add_argument("name", metavar="NAME", help="the trial")
    end.add_argument(
        "--apply",
        action="store_true",
        help="write the setpoints that follow into the configuration, after showing the"
        " difference, and have the running watch read them",
    )
    add_terms(end)

    listing = deeds.add_parser("list", help="all trials, and how the open ones stand")
    listing.add_argument("--json", action="store_true", help="print JSON, for programs")

    report = deeds.add_parser("report", help="figures, verdict and setpoints")
    configure(report)

    for each in (begin, phase, end, listing, report):
        # Also behind the deed; left out there, what stands before it counts.
        each.add_argument(
            "--config", metavar="FILE", type=Path, default=argparse.SUPPRESS, help=argparse.SUPPRESS
        )


def run_trial(args: argparse.Namespace) -> int:
    """Do what is asked."""
    if args.deed == "report":
        return run(args)
    path = find_config_file(args.config)
    config = configuration.load(path)
    with Store.open(config.store.url, read_only=True) as store:
        book = StoreFollower(store, config).engine().trials
        if args.deed == "begin":
            return _begin(args, config, store)
        if args.deed == "list":
            return _list(args, config, store, book)
        find_trial(book, args.name)
        if args.deed == "phase":
            return _phase(args, config, store)
        return _end(args, path, config, store, book)


def _begin(args: argparse.Namespace, config: Config, store: Store) -> int:
    check_device(config, args.device)
    try:
        check_name(args.name)
    except ValueError as error:
        raise UsageError(str(error)) from error
    return ask(
        store,
        {
            "command": "trial-begin",
            "trial": args.name,
            "device": args.device,
            "change": words(args.change, "--change"),
        },
    )


def _phase(args: argparse.Namespace, config: Config, store: Store) -> int:
    """Enter a phase; one that has not settled is left all the same, but that is said."""
    for state in _states(config, store):
        measured = state.trial.phase in {"before", "after", "zero"}
        if state.trial.name == args.name and measured and not state.settled:
            say(f"Note: {state.sentences[0]}")
    return ask(store, {"command": "trial-phase", "trial": args.name, "phase": args.phase})


def _end(
    args: argparse.Namespace, path: Path, config: Config, store: Store, book: TrialBook
) -> int:
    if args.apply:
        trial = find_trial(book, args.name)
        figures = judge_trial(store, config, trial, terms_of(args))
        # First the settings, then the end: nothing is told in between of a rise that is normal now.
        applied = apply_setpoints(path, store, figures)
        if applied != 0:
            if trial.open:
                say(f"The trial {trial.name} stays open; without --apply it ends all the same.")
            return applied
        if not trial.open:
            return 0
    return ask(store, {"command": "trial-end", "trial": args.name})


def _states(config: Config, store: Store) -> list[TrialState]:
    book = StoreFollower(store, config).engine().trials
    now_utc_ms = now_of(store)
    return [state_of(store, config, trial, now_utc_ms) for trial in book.trials.values()]


def _list(args: argparse.Namespace, config: Config, store: Store, book: TrialBook) -> int:
    now_utc_ms = now_of(store)
    states = [state_of(store, config, trial, now_utc_ms) for trial in book.trials.values()]
    if args.json:
        print_json([state.public() for state in states])
        return 0
    if not states:
        say("There is no trial yet; cabinetwatch trial begin --help shows how to begin one.")
        return 0
    print_table(
        ("Trial", "Device", "Change", "Begun (UTC)", "Phase"), [_row(state) for state in states]
    )
    for state in states:
        for sentence in state.sentences:
            say(f"{state.trial.name}: {sentence}")
    return 0


def _row(state: TrialState) -> list[str]:
    trial = state.trial
    phase = trial.phase or "none yet"
    if not trial.open:
        phase = "ended"
    return [trial.name, trial.device, trial.change, utc_minute(trial.begun_utc_ms), phase]
