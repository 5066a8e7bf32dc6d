"""Keeps the page as files: starts the process that writes them, and starts it again when it dies.

What writes and draws stays out of this process: its memory, its faults and its time.
"""

import logging
import os
import subprocess
import sys
import threading
from collections.abc import Callable

from cabinetwatch.config.reports import Page
from cabinetwatch.service.part import Part

_log = logging.getLogger(__name__)

_FIRST_PAUSE_S = 10.0
_LONGEST_PAUSE_S = 300.0
_LOOK_EVERY_S = 0.2
_LAST_PAGE_S = 3.0


class PageLoop(Part):
    """One child, `cabinetwatch page --out DIRECTORY --every SECONDS`.

    Nothing that becomes of it is a failure of the watch.
    """

    def __init__(
        self, url: str, page: Page, on_failure: Callable[[str, BaseException], None]
    ) -> None:
        super().__init__("page", on_failure)
        self._command = [
            *(sys.executable, "-P", "-m", "cabinetwatch", "page", "--store", url),
            *("--out", str(page.directory), "--every", f"{page.every_s:zg}"),
            *("--parent", str(os.getpid())),
        ]
        self._stopping = threading.Event()

    def stop(self) -> None:
        """Ask the child to write the last page and end, and the thread with it."""
        self._stopping.set()

    def run(self) -> None:
        """Keep a child until stopped, after pauses that grow while none lives long."""
        pause_s = _FIRST_PAUSE_S
        while not self._stopping.is_set():
            child = self._started()
            if child is not None and self._lived(child):
                pause_s = _FIRST_PAUSE_S
            if self._stopping.wait(pause_s):
                return
            pause_s = min(2 * pause_s, _LONGEST_PAUSE_S)

    def _started(self) -> subprocess.Popen[bytes] | None:
        try:
            # A session of its own: Ctrl-C is for the watch, which then ends the child in its turn.
            return subprocess.Popen(self._command, stdin=subprocess.DEVNULL, start_new_session=True)  # noqa: S603 - our own program
        except OSError as error:
            _log.warning("what writes the page can't be started: %s", error)
            return None

    def _lived(self, child: subprocess.Popen[bytes]) -> bool:
        """Wait for the child's end, or end it; say whether it had lived longer than the pauses."""
        waited_s = 0.0
        while child.poll() is None:
            if self._stopping.wait(_LOOK_EVERY_S):
                _end(child)
                return True
            waited_s += _LOOK_EVERY_S
        _log.warning("what writes the page has ended (exit status %d)", child.returncode)
        return waited_s > _LONGEST_PAUSE_S


def _end(child: subprocess.Popen[bytes]) -> None:
    """Let the child write its last page, which says that the watch is not running."""
    child.terminate()
    try:
        child.wait(_LAST_PAGE_S)
    except subprocess.TimeoutExpired:
        child.kill()
        child.wait()
