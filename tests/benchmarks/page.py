"""How long the page takes over a year of data: ten devices, four pictures each, as a user runs it.

    python -m tests.benchmarks.page [--days 365] [--devices 10] [--json]

`page --out` writes everything anew, in a process of its own: importing, reading, drawing, writing.
`again` is what the daemon's child does every few minutes, when only the short pictures are out of
date; `figures` is one page without drawing, as it is written every few seconds. How it is timed,
and against what yardstick: `tests.benchmarks.timing`.
"""

import sys
import tempfile
import time
from pathlib import Path

from cabinetwatch.clock import SystemClock
from cabinetwatch.report.page_server import PageSource, write_page
from tests.benchmarks.timing import YARDSTICK, Times, options, report, timed
from tests.support.house import House, build


def _figures(house: House, folder: Path) -> Times:
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


def measure(days: int, devices: int) -> dict[str, Times]:
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
            "yardstick": timed(YARDSTICK),
            "page --out": timed(command, forget),
            "again": timed(command),
            "figures": _figures(house, folder),
        }


def main() -> int:
    """Measure and print; exit status 1 when the budget is overdrawn."""
    args = options(__doc__)
    return report(measure(args.days, args.devices), "page --out", args)


if __name__ == "__main__":
    sys.exit(main())
