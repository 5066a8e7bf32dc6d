"""How long the page takes over a year of data: ten devices, four pictures each, as a user runs it.

    python -m tests.benchmarks.page [--days 365] [--devices 10] [--json]

`page --out` writes everything anew, in a process of its own: importing, reading, drawing, writing.
`again` is what the daemon's child does every few minutes, when only the short pictures are out of
date; `figures` is one page without drawing, as it is written every few seconds. Beside them, in the
same run, the yardstick: a process that imports matplotlib's Figure and SQLAlchemy and does nothing.

Wall time is what somebody waits for, and depends on what else the machine does; processor time is
the child's own. The best of five.
"""

import argparse
import json
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from cabinetwatch.clock import SystemClock
from cabinetwatch.report.page_keeper import write_page
from cabinetwatch.report.page_source import PageSource
from tests.support.house import House, build

BUDGET_S = 2.0
ROUNDS = 5
_YARDSTICK = (sys.executable, "-c", "import matplotlib.figure, sqlalchemy")


def _timed(command: tuple[str, ...], prepare: Callable[[], None] | None = None) -> dict[str, float]:
    """Give the least wall and processor time of a child over the rounds."""
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


def _figures(house: House, folder: Path) -> dict[str, float]:
    """Give the time of one page in a process that has written others before."""
    source = PageSource(house.url, None, folder, SystemClock(), 15.0)
    write_page(source, folder)
    walls, cpus = [], []
    for _ in range(20):
        start, cpu = time.perf_counter(), time.process_time()
        write_page(source, folder)
        walls.append(time.perf_counter() - start)
        cpus.append(time.process_time() - cpu)
    source.close()
    return {"wall_s": min(walls), "processor_s": min(cpus)}


def measure(days: int, devices: int) -> dict[str, dict[str, float]]:
    """Generate the data and time everything."""
    with tempfile.TemporaryDirectory() as name:
        house = build(Path(name), SystemClock().utc_ms(), devices=devices, days=days)
        folder = Path(name) / "page"
        command = (
            *(sys.executable, "-m", "cabinetwatch", "page"),
            *("--config", str(house.path), "--out", str(folder)),
        )

        def forget() -> None:
            (folder / "charts.json").unlink(missing_ok=True)

        return {
            "yardstick": _timed(_YARDSTICK),
            "page --out": _timed(command, forget),
            "again": _timed(command),
            "figures": _figures(house, folder),
        }


def main() -> int:
    """Measure and print; exit status 1 when the budget is overdrawn."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--days", type=int, default=365)
    parser.add_argument("--devices", type=int, default=10)
    parser.add_argument("--json", action="store_true")
    args = parser.parse_args()
    found = measure(args.days, args.devices)
    if args.json:
        print(json.dumps(found, indent=2))
    else:
        print(f"{args.devices} devices, {args.days} days, best of {ROUNDS}; budget {BUDGET_S} s")
        yardstick_s = found["yardstick"]["processor_s"]
        for name, times in found.items():
            ratio = times["processor_s"] / yardstick_s
            print(
                f"{name:12} {times['wall_s']:6.3f} s wall {times['processor_s']:6.3f} s processor"
                f" {ratio:5.1f} x the yardstick"
            )
    return int(found["page --out"]["wall_s"] > BUDGET_S)


if __name__ == "__main__":
    sys.exit(main())
