"""Runs a benchmark and writes what it prints to RESULTS.md, with date and machine.

    python -m tests.benchmarks.results latency --raises 100

The benchmark's arguments are part of its name there: a run with others stands beside it.
"""

import re
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

from tests.support.written import occasion, write_part

RESULTS = Path(__file__).with_name("RESULTS.md")


def mark(benchmark: str) -> str:
    """Give the mark of a benchmark's part; two hyphens would end the comment that it stands in."""
    return re.sub(r"\W+", "-", benchmark)


def keep(benchmark: str, printed: str, page: Path = RESULTS) -> None:
    """Put what a benchmark printed in the place of what it printed before."""
    lines = [f"    {line}".rstrip() for line in printed.strip("\n").splitlines()]
    heading = f"### `python -m tests.benchmarks.{benchmark}`"
    text = "\n".join([heading, "", f"{occasion()}:", "", *lines, ""])
    write_part(page, mark(benchmark), text)


def main(arguments: Sequence[str]) -> int:
    """Run one; what fails is not kept."""
    if not arguments:
        print("usage: python -m tests.benchmarks.results NAME ARGUMENTS", file=sys.stderr)
        return 2
    name, *more = arguments
    command = [sys.executable, "-m", f"tests.benchmarks.{name}", *more]
    done = subprocess.run(command, stdout=subprocess.PIPE, text=True, check=False)
    print(done.stdout, end="")
    if done.returncode == 0:
        keep(" ".join(arguments), done.stdout)
    return done.returncode


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
