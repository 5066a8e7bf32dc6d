"""Keeps the page as files up to date, for whoever shows them to the house."""

import logging
import os
import threading
from pathlib import Path

from cabinetwatch.clock import Clock
from cabinetwatch.config.model import Config
from cabinetwatch.errors import StoreError
from cabinetwatch.report.page_files import ICON, INDEX, make_folder, write_atomically
from cabinetwatch.report.page_html import ICON_SVG
from cabinetwatch.report.page_source import ChartDrawer, PageSource
from cabinetwatch.store.running import HEARTBEAT_OLD_MS

_log = logging.getLogger(__name__)


def write_page(source: PageSource, folder: Path) -> None:
    """Write the page and what belongs to it, but for the pictures.

    Raises:
        StoreError: the store can't be read.
        OSError: the folder can't be written.
    """
    html = source.html()
    if not (folder / ICON).exists():
        write_atomically(folder / ICON, ICON_SVG)
    write_atomically(folder / INDEX, html)


class PageKeeper:
    """Writes the page every so many seconds until it is told to stop.

    Args:
        url: of the store.
        config: counts while the store has none in force; None: there must be one.
        folder: made if it is not there.
        clock: says what time it is.
        every_s: the seconds between two pages.
    """

    def __init__(
        self, url: str, config: Config | None, folder: Path, clock: Clock, every_s: float
    ) -> None:
        make_folder(folder)
        self._folder = folder
        self._every_s = every_s
        self._source = PageSource(url, config, folder, clock, every_s)
        self._drawer = ChartDrawer(url, folder)
        self._trouble = ""

    def run(self, stop: threading.Event, parent: int | None = None) -> None:
        """Keep the page until `stop`; the last one is written after it.

        Args:
            stop: set when it is time to end.
            parent: the process that the page belongs to. When that is gone this ends too, but not
                before the page says that the watch is not running.
        """
        try:
            while not stop.wait(self._round()):
                if parent is not None and os.getppid() != parent:
                    stop.wait(HEARTBEAT_OLD_MS / 1000)
                    break
            self._write()
        finally:
            self._drawer.stop()
            self._source.close()

    def _round(self) -> float:
        """Write the page; give the seconds until the next."""
        self._write()
        self._drawer.tick()
        return self._every_s

    def _write(self) -> None:
        try:
            write_page(self._source, self._folder)
        except (StoreError, OSError) as error:
            # Told once: the file gets old, which the page itself shows.
            if str(error) != self._trouble:
                _log.warning("the page can't be written: %s", error)
            self._trouble = str(error)
        else:
            self._trouble = ""
