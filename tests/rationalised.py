"""Writes each condition into the manual as its class says it: python -m tests.rationalised.

Condition, consequence, time to respond, response, priority and delays are what ISA-18.2 calls the
rationalisation of an alarm (from memory).
"""

import sys
import textwrap
from collections.abc import Iterator
from pathlib import Path

from cabinetwatch.text import NBSP, describe_duration
from cabinetwatch.watch import conditions
from cabinetwatch.watch.conditions.base import Condition
from tests.support.written import write_part

MANUAL = Path(__file__).parents[1] / "cabinetwatch" / "manual" / "alarms.md"
MARK = "conditions: written by python -m tests.rationalised"
_OPEN = "medium, or high where nothing else guards the device"


def _after(seconds: float | None) -> str:
    if seconds is None:
        return "once the sensor has been well for long enough"
    return f"after {describe_duration(seconds)}" if seconds else "at once"


def _section(condition: type[Condition]) -> Iterator[str]:
    settings = condition.Settings()
    of = "the watch itself" if condition.kind == "site" else f"a {condition.kind}"
    needs = " and ".join(f"`{key}`" for key in condition.needs)
    yield f"### `{condition.name}`: {condition.predicate}"
    yield ""
    yield (condition.__doc__ or "").split("\n\n", 1)[0]
    yield ""
    yield f"- Of: {of}{needs and f' with {needs}'}"
    yield f"- Priority: {settings.priority or _OPEN} ({condition.time_to_respond.value})"
    yield f"- Raised {_after(settings.on_delay_s)}, over {_after(settings.off_delay_s)}"
    yield f"- If nobody acts: {condition.consequence}"
    yield f"- What to do: {condition.response}"
    yield ""


def rationalised() -> str:
    """Give the part of the manual that tells of each condition, the most urgent first."""
    lines = ["", "| condition | what it says | priority |", "| --- | --- | --- |"]
    for condition in conditions.CONDITIONS:
        priority = condition.Settings().priority or _OPEN
        lines.append(f"| `{condition.name}` | {condition.predicate} | {priority} |")
    lines.append("")
    for condition in conditions.CONDITIONS:
        for line in _section(condition):
            indent = "  " if line.startswith("-") else ""
            lines += textwrap.wrap(line, 80, subsequent_indent=indent) or [""]
    return "\n".join(lines).replace(NBSP, " ") + "\n"


def main() -> int:
    """Write it anew."""
    write_part(MANUAL, MARK, rationalised())
    return 0


if __name__ == "__main__":
    sys.exit(main())
