"""Opening the store at a start: made or brought up to date, set aside and saved when damaged."""

import json
import logging
import subprocess
import sys

from cabinetwatch.clock import SystemClock
from cabinetwatch.config.model import Config
from cabinetwatch.errors import StoreError
from cabinetwatch.intake.repeats import MOST_SENT_AGAIN
from cabinetwatch.store.database import is_sound
from cabinetwatch.store.place import (
    DamagedRecordError,
    DamagedStoreError,
    DiskFaultError,
    Salvage,
    WriterLock,
    database_path,
    finish_setting_aside,
    kind_of_status,
    note_begun,
    note_failed,
    pending_salvage,
    set_aside,
    take_report,
)
from cabinetwatch.store.store import Store
from cabinetwatch.text import without_secrets

_log = logging.getLogger(__name__)

MIGRATION_TIMEOUT_S = 600
_SALVAGE_TIMEOUT_S = 240
_CHECK_S = 20.0


def put_aside(url: str, error: DamagedStoreError) -> None:
    """Give a damaged store, which nobody has open any more, a dated name, and say so.

    Raises:
        StoreError: it can't be renamed.
    """
    path = database_path(url)
    aside = set_aside(path, SystemClock().utc_ms())
    take_report(path)
    _log.error("%s; it was set aside as %s and a new store is begun", error, aside)


def put_aside_if_damaged(url: str, error: DamagedStoreError) -> None:
    """Set a store aside that seemed damaged amid a run, if ordinary opens say the same, twice.

    Raises:
        StoreError: it can't be renamed.
    """
    path = database_path(url)
    try:
        if not isinstance(error, DamagedRecordError) and (
            is_sound(path, _CHECK_S) or is_sound(path, _CHECK_S)
        ):
            _log.error("%s; but all of it can be read, and the watch goes on with it", error)
            return
    except StoreError as problem:
        _log.error("%s; but now it can't be read at all: %s", error, problem)
        return
    put_aside(url, error)


def open_or_make(url: str, *, watch: bool = False, lock: WriterLock | None = None) -> Store:
    """Open the store for writing, made or brought up to date where that is needed.

    Args:
        url: of the store.
        watch: it is a watch that writes to it, and others see that it runs.
        lock: as for `Store.open`.

    Raises:
        DamagedStoreError: it is ours, but damaged.
        StoreError: it can't be made, opened, or belongs to another daemon or program.
    """
    path = database_path(url)
    finish_setting_aside(path)
    store = _opened(url, watch=watch, lock=lock)
    salvage = pending_salvage(path)
    if salvage is not None and salvage.last_seq is None and not salvage.error:
        store.close()
        _begin_salvage(url, salvage)
        store = _opened(url, watch=watch)
    try:
        store.saved_state()
        store.last_t()
    except BaseException:
        store.close()
        raise
    return store


def _begin_salvage(url: str, salvage: Salvage) -> None:
    """Have all carried over that a watch goes on from; without that it begins anew, and says so.

    Raises:
        DiskFaultError: there is no room for it now; it can still be done once there is.
    """
    path = database_path(url)
    try:
        said = _run_child("cabinetwatch.store.salvage", "begin", url, within_s=_SALVAGE_TIMEOUT_S)
        note_begun(path, salvage, json.loads(said)["last_seq"])
    except DiskFaultError:
        raise
    except (StoreError, OSError, ValueError, KeyError) as error:
        _log.error("nothing of %s could be carried over: %s", salvage.aside, error)
        note_failed(path, salvage, str(error))


def _opened(url: str, *, watch: bool, lock: WriterLock | None = None) -> Store:
    """Open the store as it is; only one that is not there or is older is worth a migration."""
    try:
        return Store.open(url, window_messages=MOST_SENT_AGAIN, watch=watch, lock=lock)
    except (DamagedStoreError, DiskFaultError):
        raise
    except StoreError:
        # What is none of ours, or in use, is refused here with the same sentence.
        migrate(url)
        return Store.open(url, window_messages=MOST_SENT_AGAIN, watch=watch)


def rename_sensors(store: Store, config: Config) -> None:
    """Hand the past of renamed sensors over to their new IDs, before anything reads it.

    Where the store can't be written now, the next start does it.

    Raises:
        DamagedStoreError: the store is damaged.
    """
    try:
        found = store.rename(config.renames)
    except DamagedStoreError:
        raise
    except StoreError as error:
        _log.error("sensors can't be renamed now, so the next start does it: %s", error)
        return
    for old, new in found.due:
        _log.info("sensor %s was renamed to %s, and its history goes with it", old, new)
    for remark in found.remarks:
        _log.warning("%s", remark)


def migrate(url: str) -> None:
    """Run the migrations in a process of their own: what they import would stay for years.

    Raises:
        StoreError: with the child's own sentence.
    """
    _run_child("cabinetwatch.store.migrate", url, within_s=MIGRATION_TIMEOUT_S)


def _run_child(module: str, *arguments: str, within_s: float) -> str:
    """Run a module of ours to its end; give what it writes.

    Raises:
        StoreError: with its own sentence.
    """
    command = [sys.executable, "-P", "-m", module, *arguments]
    try:
        child = subprocess.run(  # noqa: S603 - our own program
            command, capture_output=True, text=True, timeout=within_s, check=False
        )
    except subprocess.TimeoutExpired:
        url = without_secrets(arguments[-1])
        raise StoreError(f"Making the store {url} ready took too long; try again") from None
    if child.returncode != 0:
        lines = child.stderr.strip().splitlines()
        sentence = lines[-1] if lines else f"exit status {child.returncode}"
        raise kind_of_status(child.returncode)(sentence)
    return child.stdout
