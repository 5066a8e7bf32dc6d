"""A trial report on a terminal."""

from cabinetwatch.cli.output import print_table, say
from cabinetwatch.report.trial_case import Case
from cabinetwatch.report.trial_words import (
    NOTHING_FOLLOWS,
    deed_lines,
    figure_rows,
    phase_rows,
    verdict_words,
)
from cabinetwatch.trial.cautions import CAUTIONS
from cabinetwatch.trial.figures import TrialFigures

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
