"""What the benchmarks share: their command line, and times of child processes beside a yardstick.

Wall time is what somebody waits for, and depends on what else the machine does; processor time is
the child's own. The best of five. The yardstick is a process that imports matplotlib's Figure and
SQLAlchemy and does nothing, measured in the same run.
"""

import argparse
import json
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

BUDGET_S = 2.0
ROUNDS = 5
YARDSTICK = (sys.executable, "-c", "import matplotlib.figure, sqlalchemy")

Times = dict[str, float]
"""`wall_s` and `processor_s`, the least of all rounds."""


def command(
    description: str | None,
    numbers: Mapping[str, tuple[float, str]],
    measure: Callable[..., Any],
    show: Callable[[Any], None],
) -> int:
    """Measure in a temporary folder and print a table, or with --json one JSON object.

    `numbers`: the options, each with its default and what it means; `measure` takes them, and the
    folder first.
    """
    parser = argparse.ArgumentParser(description=(description or "").splitlines()[0])
    for name, (default, meaning) in numbers.items():
        text = f"{meaning} (default: {default})"
        parser.add_argument(f"--{name}", type=type(default), default=default, help=text)
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    options = vars(parser.parse_args())
    as_json = options.pop("json")
    with tempfile.TemporaryDirectory() as name:
        figures = measure(Path(name), **options)
    if as_json:
        print(json.dumps(figures))
    else:
        show(figures)
    return 0


def timed(command: Sequence[str], prepare: Callable[[], None] | None = None) -> Times:
    """Time a child over the rounds; `prepare` runs before each, untimed."""
    walls, cpus = [], []
    for _ in range(ROUNDS):
        if prepare is not None:
            prepare()
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        start = time.perf_counter()
        subprocess.run(command, check=True, capture_output=True)
        walls.append(time.perf_counter() - start)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        cpus.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
    return {"wall_s": min(walls), "processor_s": min(cpus)}


def options(description: str) -> argparse.Namespace:
    """Read `--devices`, `--days` and `--json` from the command line."""
    parser = argparse.ArgumentParser(description=description.splitlines()[0])
    parser.add_argument("--devices", type=int, default=10)
    parser.add_argument("--days", type=int, default=365)
    parser.add_argument("--json", action="store_true")
    return parser.parse_args()


def report(found: dict[str, Times], judged: str, args: argparse.Namespace) -> int:
    """Print what was measured; give exit status 1 when `judged` overdraws the budget."""
    if args.json:
        print(json.dumps(found, indent=2))
    else:
        print(f"{args.devices} devices, {args.days} days, best of {ROUNDS}; budget {BUDGET_S} s")
        width = max(map(len, found))
        for name, times in found.items():
            ratio = times["processor_s"] / found["yardstick"]["processor_s"]
            print(
                f"{name:{width}} {times['wall_s']:6.3f} s wall {times['processor_s']:6.3f} s"
                f" processor {ratio:5.1f} x the yardstick"
            )
    return int(found[judged]["wall_s"] > BUDGET_S)
