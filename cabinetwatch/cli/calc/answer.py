"""What a calculation prints: formula, source, inputs with units, answer, what it can't say."""

import argparse
import math
from dataclasses import dataclass
from typing import Any, NamedTuple

from cabinetwatch.cli.output import print_json, print_table, say


class Figure(NamedTuple):
    """One quantity: its key in JSON (with the unit as suffix), its name for people, value, unit."""

    key: str
    name: str
    value: float | str
    unit: str = ""

    @property
    def text(self) -> str:
        """The value with its unit, four digits."""
        return f"{_four_digits(self.value)} {self.unit}".rstrip()


def _four_digits(value: float | str) -> str:
    """Write a value; powers of ten only where the figure would be long.

    >>> _four_digits(50000.0), _four_digits(90509.7), _four_digits(1.64e10)
    ('50000', '90510', '1.64e+10')
    """
    if isinstance(value, str):
        return value
    written = f"{value:z.4g}"
    if not 1e4 <= abs(value) < 1e9:
        return written
    return f"{float(written):z.0f}"


@dataclass(frozen=True)
class Answer:
    """What is printed. `notes` say what the sum can't, `cautions` where hands get hurt."""

    calculation: str
    formula: str
    source: str
    inputs: list[Figure]
    results: list[Figure]
    notes: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        """Refuse an answer that is no number.

        Raises:
            ValueError: an input was so large or so small that the sum left the numbers.
        """
        for figure in self.results:
            if isinstance(figure.value, float) and not math.isfinite(figure.value):
                raise ValueError(
                    f"with these figures the answer ({figure.name}) is beyond all numbers; check"
                    " their units"
                )


def show(answer: Answer, *, as_json: bool) -> None:
    """Print an answer."""
    if as_json:
        print_json(_as_json(answer))
        return
    say(f"Formula: {answer.formula}")
    say(f"Source:  {answer.source}")
    print_table(("given", "", "key"), [(f.name, f.text, f.key) for f in answer.inputs])
    print_table(("answer", "", "key"), [(f.name, f.text, f.key) for f in answer.results])
    for note in answer.notes:
        say(f"Note: {note}")
    for caution in answer.cautions:
        say(f"CAUTION: {caution}")


def _as_json(answer: Answer) -> dict[str, Any]:
    return {
        "calculation": answer.calculation,
        "formula": answer.formula,
        "source": answer.source,
        "inputs": {figure.key: figure.value for figure in answer.inputs},
        "answer": {figure.key: figure.value for figure in answer.results},
        "notes": list(answer.notes),
        "cautions": list(answer.cautions),
    }


def number(text: str) -> float:
    """Read a finite number from the command line."""
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise argparse.ArgumentTypeError(f"{text!r} is no number; write it like 12 or 0.1")
    return value


def positive(text: str) -> float:
    """Read a number above 0 from the command line."""
    value = number(text)
    if value <= 0:
        raise argparse.ArgumentTypeError(f"{text!r} must lie above 0")
    return value


def temperature(text: str) -> float:
    """Read a temperature in degC that gear may come to know."""
    value = number(text)
    if not -90 <= value <= 500:
        raise argparse.ArgumentTypeError(f"{text!r} is no temperature of gear in °C (-90 to 500)")
    return value
