"""Programs that run for long or for systemd: run, guard, failed, clear."""

import argparse
import logging
import signal
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import FrameType

from cabinetwatch.cli.terminal import log_to_standard_error, say
from cabinetwatch.clock import describe_duration, parse_duration
from cabinetwatch.config import find_config_file, require_mail
from cabinetwatch.config.model import Config
from cabinetwatch.mqtt.session import RetainedError, clear_retained
from cabinetwatch.service.daemon import Daemon, Watchdog
from cabinetwatch.service.guard import Guard, tell_failure
from cabinetwatch.service.parts import Notifier
from cabinetwatch.service.publisher import HEARTBEAT_MS
from cabinetwatch.service.startup import FallbackStore, client_id_last
from cabinetwatch.store.database import clear_leftovers, find_watch
from cabinetwatch.store.place import DiskFaultError, WriterLock
from cabinetwatch.text import CabinetwatchError, ConfigError, UsageError, counted
from cabinetwatch.watch import configuration

_log = logging.getLogger(__name__)

_KEPT = "the configuration is kept as it was, for the new one is faulty"
_RELOAD_PATIENCE_S = 30.0
"""What the daemon before holds, its store first of all, must be free for the one after."""

_OPENING_S = 900.0
"""What opening the store may take, when a damaged one is salvaged or an older one converted."""


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


def configure_run(parser: argparse.ArgumentParser) -> None:
    """Add the options of the command."""
    parser.add_argument(
        "--verbose",
        action="store_true",
        help="log also what is only of use when looking for faults",
    )


def run_run(args: argparse.Namespace) -> int:
    """Run until told to stop; exit status 1 when a part of the daemon has died."""
    log_to_standard_error(logging.DEBUG if args.verbose else logging.INFO)
    path = find_config_file(args.config)
    config = _loaded(path)
    signals, notifier = Signals(), Notifier()
    with signals.caught():
        daemon, stand_in = _started(config)
        while True:
            notifier.ready()
            changed, lock = _watch(daemon, path, signals, notifier, stand_in)
            lost = 0 if stand_in is None else stand_in.end()
            if isinstance(changed, int):
                return changed
            before = daemon.config if stand_in is None else stand_in.real
            was_away = "" if stand_in is None else stand_in.error
            # Otherwise it is a new store, or the real one again after a stand-in.
            same = changed.store.url == before.store.url
            reloaded = same and daemon.damage is None and stand_in is None
            with notifier.kept_alive(_OPENING_S):
                daemon, stand_in = _started_anew(changed, before, reloaded=reloaded, lock=lock)
            if was_away and stand_in is None:
                # Told once more together with its end, and with what it has cost.
                daemon.tell_store(ok=False, error=was_away)
                daemon.tell_store(ok=True, lost=lost)


def _loaded(path: Path) -> Config:
    """Read the configuration; one without any sensor would have nothing watched, and nobody told.

    Raises:
        ConfigError: it is faulty, or has no sensor.
    """
    config = configuration.load(path)
    if not config.sensors:
        sentence = (
            f"{path}: there is no table [sensors.ID], so nothing would be watched;"
            " `cabinetwatch listen` drafts them from what the broker sends"
        )
        raise ConfigError([sentence])
    return config


def _started(
    config: Config, *, reloaded: bool = False, lock: WriterLock | None = None
) -> tuple[Daemon, FallbackStore | None]:
    """Start a daemon; where the store's disk is at fault, with a store in memory instead."""
    if clear_leftovers(config.store_path()):
        _log.warning("what a watch that was killed had kept in memory was removed")
    try:
        daemon, stand_in = _begun(config, reloaded=reloaded, lock=lock), None
    except DiskFaultError as error:
        stand_in = FallbackStore(config, error)
        daemon = _begun(stand_in.config)
        daemon.tell_store(ok=False, error=stand_in.error)
    email = config.notify.email
    if email is not None and email.exposure is not None:
        _log.warning("%s", email.exposure)
    _log.info(
        "watching %s as the broker's client %s: devices %s; sensors %s",
        config.site.name,
        daemon.client_id,
        ", ".join(config.devices) or "none",
        ", ".join(config.sensors) or "none",
    )
    return daemon, stand_in


def _begun(config: Config, *, reloaded: bool = False, lock: WriterLock | None = None) -> Daemon:
    daemon = Daemon(config, reloaded=reloaded, lock=lock)
    daemon.start()
    return daemon


def _started_anew(
    config: Config, before: Config, *, reloaded: bool, lock: WriterLock | None
) -> tuple[Daemon, FallbackStore | None]:
    """Go on with a changed configuration, or as before if the watch can't start with it."""
    try:
        return _started(config, reloaded=reloaded, lock=lock)
    except CabinetwatchError as error:
        _log.error("%s: %s", _KEPT, _one_line(error))
        return _started(before, reloaded=reloaded, lock=lock)


def _watch(
    daemon: Daemon, path: Path, signals: Signals, notifier: Notifier, stand_in: FallbackStore | None
) -> tuple[Config | int, WriterLock | None]:
    """Run a daemon to its end; give the configuration to go on with, or the exit status.

    Who goes on with the same store gets its lock as well, so that nobody comes in between.
    """
    patience_s, hold = 1.0, False
    try:
        changed = _end_of(daemon, path, signals, notifier, stand_in)
        if not isinstance(changed, int):
            patience_s = _RELOAD_PATIENCE_S
            hold = changed.store.url == daemon.config.store.url
    finally:
        # Each step is bounded, so it may be called progress.
        lock = daemon.stop(patience_s, stepped=notifier.alive, hold=hold)
    return changed, lock


def _end_of(
    daemon: Daemon, path: Path, signals: Signals, notifier: Notifier, stand_in: FallbackStore | None
) -> Config | int:
    """Wait until a daemon has to end; give the configuration to go on with, or the exit status.

    With a damaged store, which is set aside, the watch goes on at once with a new one.
    """
    watchdog = Watchdog(daemon, notifier)
    while True:
        watchdog.look()
        if daemon.wait(0.2):
            if daemon.damage is not None:
                return daemon.config
            _log.critical("the watch stops: %s", daemon.failure)
            notifier.stopping()
            return 1
        if signals.stop.is_set():
            _log.info("asked to stop")
            notifier.stopping()
            return 0
        if stand_in is not None and stand_in.is_over():
            return stand_in.real
        if signals.reload.is_set():
            signals.reload.clear()
            changed = _reload(path, daemon, works=stand_in is None)
            if changed is not None:
                notifier.reloading()
                return changed


def _reload(path: Path, daemon: Daemon, *, works: bool) -> Config | None:
    """Read the file again; a faulty one is told and changes nothing.

    While the store can't be written, what is told from memory would be lost by starting anew.
    """
    if not (works and daemon.store_works):
        _log.error("the configuration is kept as it was, for the store can't be written now")
        return None
    try:
        config = _loaded(path)
    except CabinetwatchError as error:
        _log.error("%s: %s", _KEPT, _one_line(error))
        return None
    _log.info("reading the configuration again from %s", path)
    return config


def _one_line(error: CabinetwatchError) -> str:
    return "; ".join(str(error).splitlines())


SHORTEST_S = 2 * HEARTBEAT_MS / 1000
"""One heartbeat may be late or lost without the watch being gone."""


def configure_guard(parser: argparse.ArgumentParser) -> None:
    """Add the options of this command."""
    parser.add_argument(
        "--after",
        metavar="TIME",
        default="3m",
        help="tell when the watch has not been heard for this long: a number with s, m, h or d"
        " (default: 3m; it is heard every 30 s; at least 1m)",
    )


def run_guard(args: argparse.Namespace) -> int:
    """Guard until told to stop.

    Raises:
        ConfigError: the configuration is faulty, or says not whom to mail.
        UsageError: --after is no duration, or too short a one.
    """
    try:
        after_s = parse_duration(args.after)
    except ValueError as error:
        raise UsageError(f"--after: {error}") from None
    if after_s < SHORTEST_S:
        raise UsageError(
            f"--after: {args.after} is less than two heartbeats of the watch, which comes every"
            f" {HEARTBEAT_MS // 1000} s, so that it would count as gone again and again; give"
            f" {describe_duration(SHORTEST_S)} or more"
        )
    path = find_config_file(args.config)
    config = require_mail(configuration.load(path), path)
    log_to_standard_error(logging.INFO)
    stop = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stop.set())
    Guard(config, after_s).run(stop, Notifier())
    return 0


def configure_failed(parser: argparse.ArgumentParser) -> None:
    """Add the options of this command."""
    parser.add_argument(
        "--unit",
        metavar="NAME",
        default="cabinetwatch.service",
        help="the unit that has failed (default: cabinetwatch.service)",
    )
    parser.add_argument(
        "--stamp",
        metavar="FILE",
        type=Path,
        required=True,
        help="a file that remembers when it was last told; best below /run",
    )
    parser.add_argument(
        "--for",
        dest="span",
        metavar="TIME",
        default="15m",
        help="go on trying for this long: a number with s, m, h or d (default: 15m)",
    )


def run_failed(args: argparse.Namespace) -> int:
    """Mail it; exit status 1 when nobody could be told.

    Raises:
        ConfigError: the configuration says not whom to mail.
        UsageError: --for is no duration.
    """
    try:
        for_s = parse_duration(args.span)
    except ValueError as error:
        raise UsageError(f"--for: {error}") from None
    log_to_standard_error(logging.INFO)
    config = configuration.load_for_mail(find_config_file(args.config))
    return 0 if tell_failure(config, args.unit, args.stamp, for_s) else 1


_WITHIN_S = 30.0


def configure_clear(parser: argparse.ArgumentParser) -> None:
    """Add the options of this command: it has none of its own."""
    del parser


def run_clear(args: argparse.Namespace) -> int:
    """Clear the retained topics; exit status 1 when the broker can't be reached or refuses.

    Raises:
        ConfigError: the configuration is faulty.
        UsageError: the watch is running.
    """
    config = configuration.load(find_config_file(args.config))
    if find_watch(config.store_path()) is not None:
        raise UsageError("the watch is running; stop it first, or it will publish all of it again")
    try:
        client_id = client_id_last(config.mqtt, config.store_path())
        secret = config.secret("mqtt-password")
        topics = clear_retained(config.mqtt, secret, client_id, _WITHIN_S)
    except RetainedError as error:
        say(str(error), sys.stderr)
        return 1
    for topic in topics:
        say(f"cleared {topic}")
    say(
        f"The broker keeps nothing of the watch any more ({counted(len(topics), 'topic')} cleared)."
    )
    return 0
