"""`cabinetwatch run`: the daemon, in the foreground."""

import argparse
import logging
import signal
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import FrameType

from cabinetwatch.config import find_config_file
from cabinetwatch.config.model import Config
from cabinetwatch.errors import CabinetwatchError
from cabinetwatch.service.daemon import Daemon
from cabinetwatch.watch import configuration

_log = logging.getLogger(__name__)


class Signals:
    """What the process has been asked by signals. Handlers only set flags."""

    def __init__(self) -> None:
        self.stop = threading.Event()
        self.reload = threading.Event()

    def handle(self, number: int, frame: FrameType | None) -> None:
        """Take a signal."""
        del frame
        (self.reload if number == signal.SIGHUP else self.stop).set()

    @contextmanager
    def caught(self) -> Iterator[None]:
        """Catch the signals while the daemon runs, and give them back after."""
        numbers = (signal.SIGTERM, signal.SIGINT, signal.SIGHUP)
        before = {number: signal.signal(number, self.handle) for number in numbers}
        try:
            yield
        finally:
            for number, handler in before.items():
                signal.signal(number, handler)


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the options of the command."""
    parser.add_argument(
        "--verbose",
        action="store_true",
        help="log also what is only of use when looking for faults",
    )


def run(args: argparse.Namespace) -> int:
    """Run until told to stop; exit status 1 when a part of the daemon has died."""
    logging.basicConfig(
        stream=sys.stderr,
        level=logging.DEBUG if args.verbose else logging.INFO,
        format="%(levelname)s %(name)s: %(message)s",
    )
    path = find_config_file(args.config)
    config = configuration.load(path)
    signals = Signals()
    with signals.caught():
        while True:
            again = _watch(config, path, signals)
            if isinstance(again, int):
                return again
            config = again


def _watch(config: Config, path: Path, signals: Signals) -> Config | int:
    """Run one daemon; give the configuration to go on with, or the exit status."""
    daemon = Daemon(config)
    daemon.start()
    _log.info("watching %s: %d devices", config.site.name, len(config.devices))
    try:
        while True:
            if daemon.wait(0.2):
                _log.critical("the watch stops: %s", daemon.failure)
                return 1
            if signals.stop.is_set():
                _log.info("asked to stop")
                return 0
            if signals.reload.is_set():
                signals.reload.clear()
                changed = _reload(path)
                if changed is not None:
                    return changed
    finally:
        daemon.stop()


def _reload(path: Path) -> Config | None:
    """Read the file again; a faulty one is told and changes nothing."""
    try:
        config = configuration.load(path)
    except CabinetwatchError as error:
        _log.error("the configuration is kept as it was, for the new one is faulty: %s", error)
        return None
    _log.info("reading the configuration again from %s", path)
    return config
