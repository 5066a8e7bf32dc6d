"""`cabinetwatch calc fan|airflow|life|sound|dew-point`: the bench sums behind a change."""

import argparse

from cabinetwatch.cli.calc import airflow, dew_point, fan, life, sound
from cabinetwatch.cli.calc.answer import show
from cabinetwatch.errors import UsageError

_CALCULATIONS = {
    "fan": fan,
    "airflow": airflow,
    "life": life,
    "sound": sound,
    "dew-point": dew_point,
}


def configure(parser: argparse.ArgumentParser) -> None:
    """Add one parser for each calculation."""
    calculations = parser.add_subparsers(
        dest="calculation", metavar="CALCULATION", required=True, title="calculations"
    )
    for name, module in _CALCULATIONS.items():
        one = calculations.add_parser(
            name, help=module.HELP, description=f"{module.HELP[0].upper()}{module.HELP[1:]}."
        )
        module.configure(one)
        one.add_argument("--json", action="store_true", help="print the answer as JSON")


def run(args: argparse.Namespace) -> int:
    """Calculate and print formula, source, inputs and answer.

    Returns:
        0.

    Raises:
        UsageError: figures that make no sense, in one sentence.
    """
    try:
        answer = _CALCULATIONS[args.calculation].calculate(args)
    except ValueError as error:
        raise UsageError(f"calc {args.calculation}: {error}") from error
    show(answer, as_json=args.json)
    return 0
