"""The demonstration's fortnight: python -m cabinetwatch.cli.demo_fortnight FOLDER.

A simulated cabinet is lived through by the watch's engine, as fast as the machine can, into a store
of its own; a summary and a page are made of that as any others are.
"""

import gc
import os
import shutil
import subprocess
import sys
import time
from pathlib import Path
from typing import Self
from zoneinfo import ZoneInfo

from cabinetwatch.cli.reports import write_summary
from cabinetwatch.config.model import Config
from cabinetwatch.demo import fortnight
from cabinetwatch.demo.fortnight import STORE_FILE, fortnight_configuration_text
from cabinetwatch.demo.nodes import TIME_ZONE
from cabinetwatch.report.charts import draw_charts
from cabinetwatch.report.page import make_folder
from cabinetwatch.report.page_server import PageSource, write_page
from cabinetwatch.report.summary_week import CLOSES_AFTER_MS, IsoWeek
from cabinetwatch.service.offline import OfflineRun
from cabinetwatch.service.startup import open_or_make
from cabinetwatch.store.place import WriterLock
from cabinetwatch.store.store import Store
from cabinetwatch.text import CabinetwatchError
from cabinetwatch.watch import configuration

CONFIG_FILE = "config.toml"
SUMMARY_FOLDER = "summary"
PAGE_FOLDER = "page"


class _Standing:
    """A clock that stands at one instant: the page is of then."""

    def __init__(self, utc_ms: int) -> None:
        self._utc_ms = utc_ms

    def monotonic_ms(self) -> int:
        return self._utc_ms

    def utc_ms(self) -> int:
        return self._utc_ms

    def since_boot_ms(self) -> int:
        return self._utc_ms

    def real_s(self, watch_s: float) -> float:
        return watch_s

    def life_ms(self) -> int:
        return self._utc_ms


class Fortnight:
    """The fortnight being made by a child of low priority, beside the evening that is live.

    A context manager that ends the child if it is still at work.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def __enter__(self) -> Self:
        """Start the child."""
        command = [sys.executable, "-P", "-m", __spec__.name, str(self.folder)]
        self._child = subprocess.Popen(  # noqa: S603 - this very program, its own arguments
            command, stderr=subprocess.PIPE, text=True
        )
        return self

    def __exit__(self, *_: object) -> None:
        """End the child."""
        if self._child.poll() is None:
            self._child.kill()
            self._child.communicate()

    def wait(self) -> list[str]:
        """Wait until it is done; give the first lines of the summary, which say what matters.

        Raises:
            CabinetwatchError: it could not be made.
        """
        _, errors = self._child.communicate()
        if self._child.returncode != 0:
            last = errors.strip().splitlines()[-1:] or [f"status {self._child.returncode}"]
            raise CabinetwatchError(f"the simulated fortnight could not be made: {last[0]}")
        (text,) = (self.folder / SUMMARY_FOLDER).glob("*.txt")
        return beginning(text.read_text(encoding="utf-8"))


def beginning(summary: str) -> list[str]:
    """Give a summary's lines up to the end of the first thing that needs a hand."""
    head, first, rest = summary.partition("\n1. ")
    matter, _, _ = rest.partition("\n\n")
    return f"{head}{first}{matter}".rstrip().splitlines()


def clear(folder: Path) -> None:
    """Drop what an earlier demonstration left there, and nothing else.

    Raises:
        OSError: something can't be deleted.
    """
    for part in (SUMMARY_FOLDER, PAGE_FOLDER):
        shutil.rmtree(folder / part, ignore_errors=True)
    for old in (*folder.glob(f"{STORE_FILE}*"), folder / CONFIG_FILE):
        old.unlink(missing_ok=True)


def make(folder: Path, now_utc_ms: int) -> None:
    """Live through the fortnight that ended last Monday, and write what is to be seen of it.

    Args:
        folder: new or empty.
        now_utc_ms: what time it is.

    Raises:
        CabinetwatchError, OSError: something can't be written.
    """
    folder.mkdir(parents=True, exist_ok=True)
    text = fortnight_configuration_text(time_zone=TIME_ZONE, interval_s=fortnight.MOMENT_S)
    (folder / CONFIG_FILE).write_text(text, encoding="utf-8")
    config = configuration.load(folder / CONFIG_FILE)
    end_utc_ms = fortnight.end_utc_ms(now_utc_ms, TIME_ZONE)
    with open_or_make(config.store.url) as store:
        week = _live(config, store, end_utc_ms)
    write_summary(config, week, folder / SUMMARY_FOLDER, end_utc_ms)
    _write_page(config, folder / PAGE_FOLDER, end_utc_ms)


def _live(config: Config, store: Store, end_utc_ms: int) -> IsoWeek:
    """Let the watch live through it; give the newest week that is over."""
    zone = ZoneInfo(TIME_ZONE)
    start_utc_ms = fortnight.start_utc_ms(end_utc_ms, TIME_ZONE)
    rehearsal = OfflineRun(config, store, start_utc_ms)
    week = IsoWeek.of(start_utc_ms, zone)
    for moment in fortnight.moments(start_utc_ms, end_utc_ms):
        rehearsal.live(moment.utc_ms, moment.values)
        for deed in moment.actions:
            rehearsal.obey({**deed.command}, deed.alarm)
        if moment.utc_ms >= week.ends_utc_ms(zone) + CLOSES_AFTER_MS:
            rehearsal.close_week(week)
            week = week.after()
    rehearsal.pause()
    return week.before()


def _write_page(config: Config, folder: Path, utc_ms: int) -> None:
    make_folder(folder)
    with Store.open(config.store.url, read_only=True) as store:
        draw_charts(store, config, folder, utc_ms)
    source = PageSource(config.store.url, config, folder, _Standing(utc_ms), None)
    # The page is of an evening on which that watch ran.
    with WriterLock(config.store_path(), watch=True):
        write_page(source, folder)
    source.close()


def main(folder: Path) -> int:
    """Make it; 2 with one sentence on standard error when it can't be made."""
    # It shares the machine with the evening that is played live.
    os.nice(5)
    # Hundreds of thousands of readings and no cycle; going through them takes its time.
    gc.disable()
    try:
        make(folder, time.time_ns() // 1_000_000)
    except (CabinetwatchError, OSError) as error:
        print(error, file=sys.stderr)
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1])))
