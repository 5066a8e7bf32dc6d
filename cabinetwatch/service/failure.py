"""Mails that the watch's service has failed: without the daemon, its store or its broker."""

import fcntl
import logging
import os
import socket
import time
from collections.abc import Mapping
from pathlib import Path

from cabinetwatch.clock import SystemClock
from cabinetwatch.config.model import Config
from cabinetwatch.notify.courier import Courier
from cabinetwatch.notify.letter import Letter

_log = logging.getLogger(__name__)

TOLD_EVERY_S = 3600.0
_LOOK_EVERY_S = 0.2
_FLAGS = os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW | os.O_NONBLOCK

_RESULTS = {
    "exit-code": "it ended with an error",
    "watchdog": "a part of it hung and systemd has ended it",
    "signal": "it was killed",
    "core-dump": "it crashed",
    "oom-kill": "it was killed because memory ran out",
    "timeout": "it did not start or stop in time",
    "resources": "the system had no resources for it",
}


class Stamp:
    """A file whose age says when the failure was last told; locked while it is looked at.

    It belongs in a folder that is there when the disk is full or read-only, such as one below /run.
    Where it can't be kept the mail goes out all the same.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._file: int | None = None
        try:
            self._file = os.open(path, _FLAGS, 0o600)
            fcntl.flock(self._file, fcntl.LOCK_EX)
        except OSError as error:
            self._tell_lost(error)

    def is_fresh(self) -> bool:
        """Whether the failure was told within the last hour; one from the future counts as old."""
        if self._file is None:
            return False
        state = os.fstat(self._file)
        # An empty file is one just made: only a letter that was delivered writes into it.
        return state.st_size > 0 and 0 <= time.time() - state.st_mtime < TOLD_EVERY_S

    def renew(self) -> None:
        """Note that the failure has been told now."""
        if self._file is None:
            return
        try:
            os.pwrite(self._file, b"told\n", 0)
            os.utime(self._file)
        except OSError as error:
            self._tell_lost(error)

    def _tell_lost(self, error: OSError) -> None:
        reason = error.strerror
        _log.error("%s can't be kept (%s): this may be told too often", self._path, reason)

    def close(self) -> None:
        """Let others look at the file."""
        if self._file is not None:
            os.close(self._file)


def tell_failure(config: Config, unit: str, stamp: Path, for_s: float) -> bool:
    """Mail the failure of a unit, unless that was done within the last hour.

    Args:
        config: with a table [notify.email].
        unit: as systemd names it.
        stamp: the file that remembers when it was last told.
        for_s: how long to go on trying.

    Returns:
        Whether the mail was delivered, or was not due.

    Raises:
        ConfigError: the configuration says not whom to mail.
    """
    kept = Stamp(stamp)
    try:
        if kept.is_fresh():
            _log.info("%s has failed again; that was told less than an hour ago", unit)
            return True
        told = _deliver(letter_of(config, unit, os.environ, SystemClock().utc_ms()), config, for_s)
        if told:
            kept.renew()
        return told
    finally:
        kept.close()


def _deliver(letter: Letter, config: Config, for_s: float) -> bool:
    courier = Courier(config)
    courier.add(letter)
    until = time.monotonic() + for_s
    while courier.pending and time.monotonic() < until:
        courier.step(time.monotonic())
        if courier.pending:
            time.sleep(_LOOK_EVERY_S)
    return courier.delivered > 0


def letter_of(config: Config, unit: str, environment: Mapping[str, str], utc_ms: int) -> Letter:
    """Say in a mail that a unit has failed.

    systemd gives its result in $MONITOR_SERVICE_RESULT (systemd.exec(5), from version 251) to a
    unit that OnFailure= starts.
    """
    site, host = config.site.name, socket.gethostname()
    result = environment.get("MONITOR_SERVICE_RESULT", "")
    why = _RESULTS.get(result, f"systemd calls it {result}") if result else ""
    what = (
        f"The watch over {site}, {unit} on the computer {host}, has failed"
        f"{': ' + why if why else ''}. systemd starts it again and again; between two starts nobody"
        " is told when something runs hot."
    )
    look = (
        f"On that computer, systemctl status {unit} says whether it runs by now, and"
        f" journalctl -e -u {unit} why it failed. A faulty configuration is told by"
        " cabinetwatch check."
    )
    end = "This is mailed at most once an hour, by systemd and not by the watch itself."
    return Letter(f"{site}: THE WATCH HAS FAILED", (what, look, end), utc_ms)
