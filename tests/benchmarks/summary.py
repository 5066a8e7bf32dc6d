"""How long the weekly summary takes over a year of data: ten devices, as a user runs it.

    python -m tests.benchmarks.summary [--devices 10] [--days 365] [--json]

`summary --out` reckons the week, draws two pictures a device, and writes mail, HTML, text and
pictures, in a process of its own, importing included. `close` is what the daemon's child does when
the week closes: the figures alone. `mail` is what it does when the summary is due: the frozen
figures, the pictures and the mail. How it is timed, and against what yardstick:
`tests.benchmarks.timing`.

The store holds quarters of an hour for the whole time and minutes of the last fortnight, which is
all of the minutes that a summary looks at.
"""

import sys
import tempfile
from pathlib import Path

import numpy as np

from cabinetwatch.report.summary_make import WeekMaker
from cabinetwatch.report.summary_week import IsoWeek, Week
from cabinetwatch.store.codecs import DAY_MS, Tier
from cabinetwatch.store.records import Batch, ClosedWeek
from cabinetwatch.store.store import Store
from cabinetwatch.watch import configuration
from tests.benchmarks.timing import YARDSTICK, Times, options, report, timed
from tests.support import fortnight as story
from tests.support.empty_store import put_empty_store
from tests.support.fortnight import Gear

_QUARTER_MS = 900_000


def build(folder: Path, devices: int, days: int) -> Path:
    """Make a store that ends where the invented fortnight does; give its configuration."""
    gears = [
        Gear(f"gear-{number}", f"Gear {number}", 55.0 + number, 8.0 + number)
        for number in range(devices)
    ]
    path = story.configure(folder, gears, 25)
    config = configuration.load(path)
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


def measure(devices: int, days: int) -> dict[str, Times]:
    """Generate the data and time everything."""
    with tempfile.TemporaryDirectory() as name:
        path = build(Path(name), devices, days)
        url = configuration.load(path).store.url
        python = [sys.executable, "-m"]
        command = [*python, "cabinetwatch", "summary", "--config", str(path), "--week", story.WEEK]
        child = ["--store", url, "--week", story.WEEK, "--now", str(story.NOW)]
        envelope = ["--message-id", "<a@b.example>", "--from", "a@b.example", "--to", "c@b.example"]
        module = "cabinetwatch.report.summary_mail"
        found = {
            "yardstick": timed(YARDSTICK),
            "summary --out": timed([*command, "--out", str(Path(name) / "out")]),
            "close": timed([*python, module, "close", *child]),
        }
        with Store.open(url) as store:
            week: Week = WeekMaker(store, None, story.NOW).make(IsoWeek.parse(story.WEEK))
            closed = ClosedWeek(story.WEEK, story.NOW, week.as_json())
            store.commit(Batch(story.NOW, 0, weeks=[closed]))
        found["mail"] = timed([*python, module, "mail", *child, *envelope])
        return found


def main() -> int:
    """Measure and print; exit status 1 when the budget is overdrawn."""
    args = options(__doc__)
    return report(measure(args.devices, args.days), "summary --out", args)


if __name__ == "__main__":
    sys.exit(main())
