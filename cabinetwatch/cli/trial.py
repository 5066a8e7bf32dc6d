"""`cabinetwatch trial`: a change of cooling, proved: its phases, how it stands, and the report."""

import argparse
from pathlib import Path

from cabinetwatch.cli import trial_report
from cabinetwatch.cli.asking import ask
from cabinetwatch.cli.output import print_json, print_table, say
from cabinetwatch.cli.transitions import utc_minute
from cabinetwatch.cli.trial_apply import apply_setpoints
from cabinetwatch.config import find_config_file
from cabinetwatch.config.model import Config
from cabinetwatch.errors import UsageError
from cabinetwatch.report.trial_case import check_device
from cabinetwatch.report.trial_state import TrialState, state_of
from cabinetwatch.service.remote import words
from cabinetwatch.store.follower import Follower
from cabinetwatch.store.store import Store
from cabinetwatch.watch import configuration
from cabinetwatch.watch.trials import PHASES, TrialBook, check_name


def configure(parser: argparse.ArgumentParser) -> None:
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
    trial_report.add_terms(end)

    listing = deeds.add_parser("list", help="all trials, and how the open ones stand")
    listing.add_argument("--json", action="store_true", help="print JSON, for programs")

    report = deeds.add_parser("report", help="figures, verdict and setpoints")
    trial_report.configure(report)

    for each in (begin, phase, end, listing, report):
        # Also behind the deed; left out there, what stands before it counts.
        each.add_argument(
            "--config", metavar="FILE", type=Path, default=argparse.SUPPRESS, help=argparse.SUPPRESS
        )


def run(args: argparse.Namespace) -> int:
    """Do what is asked."""
    if args.deed == "report":
        return trial_report.run(args)
    path = find_config_file(args.config)
    config = configuration.load(path)
    with Store.open(config.store.url, read_only=True) as store:
        book = Follower(store, config).engine().trials
        if args.deed == "begin":
            return _begin(args, config, store)
        if args.deed == "list":
            return _list(args, config, store, book)
        trial_report.find_trial(book, args.name)
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
        trial = trial_report.find_trial(book, args.name)
        figures = trial_report.judge_trial(store, config, trial, trial_report.terms_of(args))
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
    book = Follower(store, config).engine().trials
    now_utc_ms = trial_report.now_of(store)
    return [state_of(store, config, trial, now_utc_ms) for trial in book.trials.values()]


def _list(args: argparse.Namespace, config: Config, store: Store, book: TrialBook) -> int:
    now_utc_ms = trial_report.now_of(store)
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
