"""Programs that run for long or for systemd: run, guard, failed, clear."""

import argparse
import logging
import signal
import sys
import threading
from pathlib import Path
from typing import NamedTuple

from cabinetwatch.cli.terminal import log_to_standard_error, say, signalled
from cabinetwatch.config import find_config_file, require_mail
from cabinetwatch.config.model import Config
from cabinetwatch.mqtt.session import RetainedError, clear_retained
from cabinetwatch.service.daemon import Daemon, Watchdog
from cabinetwatch.service.guard import Guard, tell_failure
from cabinetwatch.service.parts import Notifier
from cabinetwatch.service.publisher import HEARTBEAT_MS
from cabinetwatch.service.startup import FallbackStore, client_id_last
from cabinetwatch.service.store_loop import say_lost
from cabinetwatch.store.database import clear_leftovers, find_watch
from cabinetwatch.store.place import DiskFaultError, WriterLock
from cabinetwatch.text import CabinetwatchError, ConfigError, UsageError, counted, describe_duration
from cabinetwatch.watch.conditions import load_config, load_config_for_mail

_log = logging.getLogger(__name__)

_KEPT = "the configuration is kept as it was, for the new one is faulty"
_RELOAD_PATIENCE_S = 30.0
"""What the daemon before holds, its store first of all, must be free for the one after."""

_OPENING_S = 900.0
"""What opening the store may take, when a damaged one is salvaged or an older one converted."""


class Signals(NamedTuple):
    """What the process has been asked by signals."""

    stop: threading.Event
    reload: threading.Event


def run(args: argparse.Namespace) -> int:
    """Run until told to stop; exit status 1 when a part of the daemon has died."""
    log_to_standard_error(logging.DEBUG if args.verbose else logging.INFO)
    path = find_config_file(args.config_file)
    config = _loaded(path)
    notifier = Notifier()
    with signalled(signal.SIGTERM, signal.SIGINT) as stop, signalled(signal.SIGHUP) as reload:
        signals = Signals(stop, reload)
        daemon, fallback = _started(config)
        while True:
            notifier.ready()
            changed, lock = _watch(daemon, path, signals, notifier, fallback)
            lost = 0 if fallback is None else fallback.end()
            if isinstance(changed, int):
                say_lost(lost)
                return changed
            before = daemon.config if fallback is None else fallback.real
            was_away = "" if fallback is None else fallback.error
            # Otherwise it is a new store, or the real one again after the fallback.
            same = changed.store.url == before.store.url
            reloaded = same and daemon.damage is None and fallback is None
            with notifier.kept_alive(_OPENING_S):
                daemon, fallback = _started_anew(changed, before, reloaded=reloaded, lock=lock)
            if was_away and fallback is None:
                # Told once more together with its end, and with what it has cost.
                daemon.tell_store(ok=False, error=was_away)
                daemon.tell_store(ok=True, lost=lost)


def _loaded(path: Path) -> Config:
    """Read the configuration; with one without any sensor nothing would be watched."""
    config = load_config(path)
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
    fallback = None
    try:
        daemon = Daemon(config, reloaded=reloaded, lock=lock)
        daemon.start()
    except DiskFaultError as error:
        fallback = FallbackStore(config, error)
        daemon = Daemon(fallback.config)
        daemon.start()
        daemon.tell_store(ok=False, error=fallback.error)
    for table in (config.notify.email, config.notify.http, config.page):
        if table is not None and table.exposure is not None:
            _log.warning("%s", table.exposure)
    _log.info(
        "watching %s as the broker's client %s: devices %s; sensors %s",
        config.site.name,
        daemon.client_id,
        ", ".join(config.devices) or "none",
        ", ".join(config.sensors) or "none",
    )
    return daemon, fallback


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
    daemon: Daemon, path: Path, signals: Signals, notifier: Notifier, fallback: FallbackStore | None
) -> tuple[Config | int, WriterLock | None]:
    """Run a daemon to its end; give the configuration to go on with, or the exit status.

    Who goes on with the same store gets its lock as well, so that nobody comes in between.
    """
    patience_s, hold = 1.0, False
    try:
        changed = _end_of(daemon, path, signals, notifier, fallback)
        if not isinstance(changed, int):
            patience_s = _RELOAD_PATIENCE_S
            hold = changed.store.url == daemon.config.store.url
    finally:
        # Each step is bounded, so it may be called progress.
        lock = daemon.stop(patience_s, stepped=notifier.alive, hold=hold)
    return changed, lock


def _end_of(
    daemon: Daemon, path: Path, signals: Signals, notifier: Notifier, fallback: FallbackStore | None
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
        if fallback is not None and fallback.is_over():
            return fallback.real
        if signals.reload.is_set():
            signals.reload.clear()
            changed = _reload(path, daemon, works=fallback is None)
            if changed is not None:
                notifier.reloading()
                return changed


def _reload(path: Path, daemon: Daemon, *, works: bool) -> Config | None:
    """Read the file again; a faulty one is reported and changes nothing.

    While the store can't be written, what is reported from memory would be lost by starting anew.
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


def guard(args: argparse.Namespace) -> int:
    """Guard until told to stop."""
    if args.after_s < SHORTEST_S:
        raise UsageError(
            f"--after: {args.after_s:zg}s is less than two heartbeats of the watch, which comes"
            f" every {HEARTBEAT_MS // 1000} s, so that it would count as gone again and again; give"
            f" {describe_duration(SHORTEST_S)} or more"
        )
    path = find_config_file(args.config_file)
    config = load_config(path)
    require_mail(config, path)
    log_to_standard_error(logging.INFO)
    with signalled(signal.SIGTERM, signal.SIGINT) as stop:
        Guard(config, args.after_s).run(stop, Notifier())
    return 0


def failed(args: argparse.Namespace) -> int:
    """Mail that the service has failed; exit status 1 when nobody could be notified."""
    log_to_standard_error(logging.INFO)
    config = load_config_for_mail(find_config_file(args.config_file))
    return 0 if tell_failure(config, args.unit, args.stamp, args.for_s) else 1


_WITHIN_S = 30.0


def clear(args: argparse.Namespace) -> int:
    """Clear the retained topics; exit status 1 when the broker can't be reached or refuses."""
    config: Config = args.config
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
