"""How long page and weekly summary take over a year of data: ten devices, as a user runs them.

    python -m tests.benchmarks.page [--days 365] [--devices 10] [--json]

`page --out` writes everything anew, in a process of its own: importing, reading, drawing, writing.
`again` is what the daemon's child does every few minutes, when only the short pictures are out of
date; `figures` is one page without drawing, as it is written every few seconds. `summary --out`
reckons the week, draws two pictures a device, and writes mail, HTML, text and pictures; its store
holds quarters of an hour for the whole time and minutes of the last fortnight, which is all of them
that it looks at. `close` is what the daemon's child does when the week closes: the figures alone.
`mail` is what it does when the summary is due: the frozen figures, the pictures and the mail.

Wall time is what somebody waits for, and depends on what else the machine does; processor time is
the child's own. The best of five. The yardstick is a process that imports matplotlib's Figure and
SQLAlchemy and does nothing, measured in the same run.
"""

import resource
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np

from cabinetwatch.clock import SystemClock
from cabinetwatch.report.page_server import PageSource, write_page
from cabinetwatch.report.summary_make import WeekMaker
from cabinetwatch.report.summary_week import IsoWeek, Week
from cabinetwatch.store.codecs import DAY_MS, Tier
from cabinetwatch.store.records import Batch, ClosedWeek
from cabinetwatch.store.store import Store
from cabinetwatch.watch.conditions import load_config
from tests.benchmarks.timing import command
from tests.support import fortnight as story
from tests.support.empty_store import put_empty_store
from tests.support.fortnight import Gear
from tests.support.house import House, build

BUDGET_S = 2.0
ROUNDS = 5
YARDSTICK = (sys.executable, "-c", "import matplotlib.figure, sqlalchemy")
_QUARTER_MS = 900_000

Times = dict[str, float]
"""`wall_s` and `processor_s`, the least of all rounds."""


def timed(command: Sequence[str], prepare: Callable[[], None] = lambda: None) -> Times:
    """Time a child over the rounds; `prepare` runs before each, untimed."""
    walls, cpus = [], []
    for _ in range(ROUNDS):
        prepare()
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        start = time.perf_counter()
        subprocess.run(command, check=True, capture_output=True)
        walls.append(time.perf_counter() - start)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        cpus.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
    return {"wall_s": min(walls), "processor_s": min(cpus)}


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


def _page(house: House, folder: Path) -> dict[str, Times]:
    python = (sys.executable, "-m", "cabinetwatch", "page")
    command = (*python, "--config", str(house.path), "--out", str(folder))

    def forget() -> None:
        (folder / "charts.json").unlink(missing_ok=True)

    return {
        "page --out": timed(command, forget),
        "again": timed(command),
        "figures": _figures(house, folder),
    }


def _build_weeks(folder: Path, devices: int, days: int) -> Path:
    """Make a store that ends where the invented fortnight does; give its configuration."""
    gears = [
        Gear(f"gear-{number}", f"Gear {number}", 55.0 + number, 8.0 + number)
        for number in range(devices)
    ]
    path = story.configure(folder, gears, 25)
    config = load_config(path)
    put_empty_store(config.store.url)
    first = story.NOW - days * DAY_MS
    first -= first % _QUARTER_MS
    with Store.open(config.store.url) as store:
        store.commit(story.journal(config, first))
        long_ago = np.arange(first, story.FIRST, _QUARTER_MS, dtype=np.int64)
        lately = np.arange(story.FIRST, story.NOW, story.MINUTE_MS, dtype=np.int64)
        story.write_tiers(store, story.measure(gears, long_ago), (Tier.QUARTERS,))
        story.write_tiers(store, story.measure(gears, lately))
    return path


def _summary(path: Path, out: Path) -> dict[str, Times]:
    url = load_config(path).store.url
    python = [sys.executable, "-m"]
    command = [*python, "cabinetwatch", "summary", "--config", str(path), "--week", story.WEEK]
    child = ["--store", url, "--week", story.WEEK, "--now", str(story.NOW)]
    envelope = ["--message-id", "<a@b.example>", "--from", "a@b.example", "--to", "c@b.example"]
    module = "cabinetwatch.report.summary_mail"
    found = {
        "summary --out": timed([*command, "--out", str(out)]),
        "close": timed([*python, module, "close", *child]),
    }
    with Store.open(url) as store:
        week: Week = WeekMaker(store, None, story.NOW).make(IsoWeek.parse(story.WEEK))
        store.commit(Batch(story.NOW, 0, weeks=[ClosedWeek(story.WEEK, story.NOW, week.as_json())]))
    found["mail"] = timed([*python, module, "mail", *child, *envelope])
    return found


def measure(folder: Path, days: int, devices: int) -> dict[str, Times]:
    """Generate the data and time everything."""
    for name in ("house", "weeks"):
        (folder / name).mkdir()
    house = build(folder / "house", SystemClock().utc_ms(), devices=devices, days=days)
    weeks = _build_weeks(folder / "weeks", devices, days)
    return {
        "yardstick": timed(YARDSTICK),
        **_page(house, folder / "page"),
        **_summary(weeks, folder / "out"),
    }


def show(found: dict[str, Times]) -> None:
    """Print a table."""
    print(f"best of {ROUNDS}; the budget of what has --out is {BUDGET_S} s")
    for name, times in found.items():
        ratio = times["processor_s"] / found["yardstick"]["processor_s"]
        print(
            f"{name:13} {times['wall_s']:6.3f} s wall {times['processor_s']:6.3f} s processor"
            f" {ratio:5.1f} x the yardstick"
        )


if __name__ == "__main__":
    numbers = {"days": (365, "of data"), "devices": (10, "of the house")}
    sys.exit(command(__doc__, numbers, measure, show))
