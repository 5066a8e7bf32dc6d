"""The page as it is now: follows the store, and has its pictures drawn by a child."""

import logging
import subprocess
import sys
import time
from pathlib import Path

from cabinetwatch.clock import Clock
from cabinetwatch.config.model import Config
from cabinetwatch.report.page import page_of
from cabinetwatch.report.page_files import read_manifest
from cabinetwatch.report.page_html import html_of
from cabinetwatch.store.follower import Follower
from cabinetwatch.store.place import database_path
from cabinetwatch.store.store import Store

_log = logging.getLogger(__name__)

CHARTS_EVERY_S = 300.0
_CHARTS_TIMEOUT_S = 180.0


class PageSource:
    """Gives the page's HTML at any time. For one thread at a time.

    Args:
        url: of the store.
        config: counts while the store has none in force; None: there must be one.
        folder: where the pictures lie.
        clock: says what time it is.
        every_s: how often the page is asked for; None: once, as a record.
    """

    def __init__(
        self, url: str, config: Config | None, folder: Path, clock: Clock, every_s: float | None
    ) -> None:
        self._url = url
        self._config = config
        self._folder = folder
        self._clock = clock
        self._every_s = every_s
        self._open()

    def html(self) -> bytes:
        """Give the page of the newest commit.

        Raises:
            StoreError: the store can't be read.
        """
        if self._file() != self._opened:
            # Another file lies there: a damaged one was set aside, or a backup was put back.
            self.close()
            self._open()
        engine = self._follower.engine()
        manifest = read_manifest(self._folder)
        return html_of(page_of(engine, self._store, self._clock, manifest, self._every_s))

    def close(self) -> None:
        """Close the store."""
        self._store.close()

    def _open(self) -> None:
        """Begin with the store that lies there now; unless that succeeds the next look tries it."""
        found = self._file()
        store = Store.open(self._url, read_only=True)
        try:
            self._follower = Follower(store, self._config)
        except BaseException:
            store.close()
            raise
        self._store, self._opened = store, found

    def _file(self) -> tuple[int, int] | None:
        try:
            found = database_path(self._url).stat()
        except OSError:
            return None
        return found.st_dev, found.st_ino


class ChartDrawer:
    """Has the pictures drawn now and then by a child of lowest priority.

    What draws takes a hundred megabytes, which so go as soon as it is done.
    """

    def __init__(self, url: str, folder: Path) -> None:
        self._command = [
            *(sys.executable, "-P", "-m", "cabinetwatch", "page", "--charts"),
            *("--store", url, "--out", str(folder)),
        ]
        self._child: subprocess.Popen[bytes] | None = None
        self._started = -CHARTS_EVERY_S

    def tick(self) -> None:
        """Start what is due, and end what takes too long."""
        now = time.monotonic()
        if self._child is not None and self._child.poll() is None:
            if now - self._started > _CHARTS_TIMEOUT_S:
                _log.warning("drawing the page's pictures took too long and was ended")
                self.stop()
        elif now - self._started >= CHARTS_EVERY_S:
            self._started = now
            try:
                self._child = subprocess.Popen(self._command, stdin=subprocess.DEVNULL)  # noqa: S603 - our own program
            except OSError as error:
                _log.warning("what draws the page's pictures can't be started: %s", error)

    def stop(self) -> None:
        """End what runs."""
        if self._child is not None and self._child.poll() is None:
            self._child.kill()
            self._child.wait()
