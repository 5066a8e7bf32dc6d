"""How long the weekly summary takes over a year of data: ten devices, as a user runs it.

    python -m tests.benchmarks.summary [--devices 10] [--days 365] [--json]

`summary --out` reckons the week, draws two pictures a device, and writes mail, HTML, text and
pictures, in a process of its own, importing included. `close` is what the daemon's child does when
the week closes: the figures alone. `mail` is what it does when the summary is due: the frozen
figures, the pictures and the mail. Beside them, in the same run, the yardstick: a process that
imports matplotlib's Figure and SQLAlchemy and does nothing.

The store holds quarters of an hour for the whole time and minutes of the last fortnight, which is
all of the minutes that a summary looks at. Wall time is what somebody waits for, and depends on
what else the machine does; processor time is the child's own. The best of five.
"""

import argparse
import json
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from cabinetwatch.report.summary_figures import Week
from cabinetwatch.report.summary_make import WeekMaker
from cabinetwatch.report.summary_week import IsoWeek
from cabinetwatch.store.batch import Batch
from cabinetwatch.store.migrate import migrate
from cabinetwatch.store.store import Store
from cabinetwatch.store.tiers import DAY_MS, Tier
from cabinetwatch.store.weeks import ClosedWeek
from cabinetwatch.watch import configuration
from tests.support import fortnight as story
from tests.support.fortnight import Gear

BUDGET_S = 2.0
ROUNDS = 5
_YARDSTICK = [sys.executable, "-c", "import matplotlib.figure, sqlalchemy"]
_QUARTER_MS = 900_000


def build(folder: Path, devices: int, days: int) -> Path:
    """Make a store that ends where the invented fortnight does; give its configuration."""
    gears = [
        Gear(f"gear-{number}", f"Gear {number}", 55.0 + number, 8.0 + number)
        for number in range(devices)
    ]
    path = story.configure(folder, gears, 25)
    config = configuration.load(path)
    migrate(config.store.url)
    first = story.NOW - days * DAY_MS
    first -= first % _QUARTER_MS
    with Store.open(config.store.url) as store:
        store.commit(story.journal(config, first))
        long_ago = np.arange(first, story.FIRST, _QUARTER_MS, dtype=np.int64)
        lately = np.arange(story.FIRST, story.NOW, story.MINUTE_MS, dtype=np.int64)
        story.write_tiers(store, story.measure(gears, long_ago), (Tier.QUARTERS,))
        story.write_tiers(store, story.measure(gears, lately))
    return path


def _timed(command: list[str]) -> dict[str, float]:
    """Give the least wall and processor time of a child over the rounds."""
    walls, cpus = [], []
    for _ in range(ROUNDS):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        start = time.perf_counter()
        subprocess.run(command, check=True, capture_output=True)
        walls.append(time.perf_counter() - start)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        cpus.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
    return {"wall_s": min(walls), "processor_s": min(cpus)}


def measure(devices: int, days: int) -> dict[str, dict[str, float]]:
    """Generate the data and time everything."""
    with tempfile.TemporaryDirectory() as name:
        path = build(Path(name), devices, days)
        url = configuration.load(path).store.url
        python = [sys.executable, "-m"]
        command = [*python, "cabinetwatch", "summary", "--config", str(path), "--week", story.WEEK]
        child = ["--store", url, "--week", story.WEEK, "--now", str(story.NOW)]
        envelope = ["--message-id", "<a@b.example>", "--from", "a@b.example", "--to", "c@b.example"]
        module = "cabinetwatch.report.summary_child"
        found = {
            "yardstick": _timed(_YARDSTICK),
            "summary --out": _timed([*command, "--out", str(Path(name) / "out")]),
            "close": _timed([*python, module, "close", *child]),
        }
        with Store.open(url) as store:
            week: Week = WeekMaker(store, None, story.NOW).make(IsoWeek.parse(story.WEEK))
            closed = ClosedWeek(story.WEEK, story.NOW, week.as_json())
            store.commit(Batch(story.NOW, 0, weeks=[closed]))
        found["mail"] = _timed([*python, module, "mail", *child, *envelope])
        return found


def main() -> int:
    """Measure and print; exit status 1 when the budget is overdrawn."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--devices", type=int, default=10)
    parser.add_argument("--days", type=int, default=365)
    parser.add_argument("--json", action="store_true")
    args = parser.parse_args()
    found = measure(args.devices, args.days)
    if args.json:
        print(json.dumps(found, indent=2))
    else:
        print(f"{args.devices} devices, {args.days} days, best of {ROUNDS}; budget {BUDGET_S} s")
        yardstick_s = found["yardstick"]["processor_s"]
        for name, times in found.items():
            ratio = times["processor_s"] / yardstick_s
            print(
                f"{name:14} {times['wall_s']:6.3f} s wall {times['processor_s']:6.3f} s processor"
                f" {ratio:5.1f} x the yardstick"
            )
    return int(found["summary --out"]["wall_s"] > BUDGET_S)


if __name__ == "__main__":
    sys.exit(main())
