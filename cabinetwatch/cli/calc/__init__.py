"""`cabinetwatch calc fan|airflow|life|sound|dew-point`: the bench sums behind a change."""

import argparse

from cabinetwatch.cli.calc.airflow import AIRFLOW_HELP, calculate_airflow, configure_airflow
from cabinetwatch.cli.calc.dew_point import (
    DEW_POINT_HELP,
    calculate_dew_point,
    configure_dew_point,
)
from cabinetwatch.cli.calc.fan import FAN_HELP, calculate_fan, configure_fan
from cabinetwatch.cli.calc.life import LIFE_HELP, calculate_life, configure_life
from cabinetwatch.cli.calc.sound import SOUND_HELP, calculate_sound, configure_sound
from cabinetwatch.cli.calc.answer import show
from cabinetwatch.errors import UsageError

_CALCULATIONS = {
    "fan": (FAN_HELP, configure_fan, calculate_fan),
    "airflow": (AIRFLOW_HELP, configure_airflow, calculate_airflow),
    "life": (LIFE_HELP, configure_life, calculate_life),
    "sound": (SOUND_HELP, configure_sound, calculate_sound),
    "dew-point": (DEW_POINT_HELP, configure_dew_point, calculate_dew_point),
}


def configure(parser: argparse.ArgumentParser) -> None:
    """Add one parser for each calculation."""
    calculations = parser.add_subparsers(
        dest="calculation", metavar="CALCULATION", required=True, title="calculations"
    )
    for name, (help_line, configure_one, _) in _CALCULATIONS.items():
        one = calculations.add_parser(
            name, help=help_line, description=f"{help_line[0].upper()}{help_line[1:]}."
        )
        configure_one(one)
        one.add_argument("--json", action="store_true", help="print the answer as JSON")


def run(args: argparse.Namespace) -> int:
    """Calculate and print formula, source, inputs and answer.

    Returns:
        0.

    Raises:
        UsageError: figures that make no sense, in one sentence.
    """
    try:
        answer = _CALCULATIONS[args.calculation][2](args)
    except ValueError as error:
        raise UsageError(f"calc {args.calculation}: {error}") from error
    show(answer, as_json=args.json)
    return 0
