"""`cabinetwatch trial report`: of a trial that was told, or after the fact from intervals."""

import argparse
from dataclasses import replace
from pathlib import Path

from cabinetwatch.cli.calc.answer import positive
from cabinetwatch.cli.intervals import read_interval
from cabinetwatch.cli.left_out import LeftOut
from cabinetwatch.cli.output import print_json, say
from cabinetwatch.cli.trial_screen import show
from cabinetwatch.config import find_config_file
from cabinetwatch.config.model import Config
from cabinetwatch.errors import UsageError
from cabinetwatch.report.page_marks import deeds, note_marks
from cabinetwatch.report.page_words import subjects_of
from cabinetwatch.report.trial_case import Case, check_device, judge_case
from cabinetwatch.report.trial_readings import Interval, read_file
from cabinetwatch.report.trial_state import case_of, state_of
from cabinetwatch.report.trial_stored import with_stored_readings
from cabinetwatch.store.follower import Follower
from cabinetwatch.store.store import Store
from cabinetwatch.trial.analysis import check_intervals
from cabinetwatch.trial.data import EMPTY, Phase, Subject, Terms, Trial
from cabinetwatch.trial.figures import TrialFigures
from cabinetwatch.watch import configuration
from cabinetwatch.watch.trials import TrialBook, TrialRecord

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
        trial = find_trial(Follower(store, config).engine().trials, args.name)
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
    done = [deed for deed in deeds(store) if from_ms <= deed.utc_ms <= to_ms]
    kept = {mark.utc_ms for mark in note_marks(done, subjects, from_ms)}
    return replace(case, notes=tuple(deed for deed in done if deed.utc_ms in kept))


def _write_html(path: Path, case: Case, figures: TrialFigures) -> None:
    # It draws with matplotlib, which takes a second to import.
    from cabinetwatch.report.trial_html import html_of  # noqa: PLC0415

    try:
        path.write_bytes(html_of(case, figures))
    except OSError as error:
        raise UsageError(
            f"--html {path}: can't be written there: {error.strerror}; name another file"
        ) from error
