"""Every budget of the running watch, measured one after the other: a table with its yardsticks.

    python -m tests.benchmarks.budgets [--quick]

Takes some ten minutes, on a machine that does nothing else; --quick takes two, and its figures say
no more than that everything runs. The single benchmarks, with what each of them measures:

    tests.benchmarks.intake      messages a second against a client that does nothing
    tests.benchmarks.ordinary    processor, memory, bytes written in ordinary life
    tests.benchmarks.latency     from a reading to its notices, idle and under load
    tests.benchmarks.store       bytes written and kept, a year on disk, against a row a reading
    tests.benchmarks.replay      readings a second out of the store
"""

import argparse
import subprocess
import sys

BENCHMARKS: list[tuple[str, list[str], list[str]]] = [
    ("intake", [], ["--messages", "20000", "--rounds", "1"]),
    ("ordinary", [], ["--minutes", "0.5"]),
    ("latency", ["--raises", "100"], ["--raises", "5"]),
    ("latency", ["--raises", "100", "--load", "1250"], ["--raises", "5", "--load", "1250"]),
    ("store", [], ["--hours", "1"]),
    ("replay", [], []),
]
"""Each benchmark with its arguments, and those for --quick."""


def main() -> int:
    """Run them all; 1 when one of them fails."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--quick", action="store_true", help="as short as it goes")
    options = parser.parse_args()
    failed = False
    for name, arguments, quick in BENCHMARKS:
        command = [f"tests.benchmarks.{name}", *(quick if options.quick else arguments)]
        print(f"\npython -m {' '.join(command)}", flush=True)
        failed |= subprocess.run([sys.executable, "-m", *command], check=False).returncode != 0
    return int(failed)


if __name__ == "__main__":
    sys.exit(main())
