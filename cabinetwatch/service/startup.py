"""Opening the store at a start: made or brought up to date, set aside when it is damaged."""

import logging
import subprocess
import sys

from cabinetwatch.clock import SystemClock
from cabinetwatch.errors import StoreError
from cabinetwatch.intake.repeats import MOST_SENT_AGAIN
from cabinetwatch.store.place import DamagedStoreError, DiskFaultError, database_path, set_aside
from cabinetwatch.store.store import Store
from cabinetwatch.text import without_secrets

_log = logging.getLogger(__name__)

MIGRATION_TIMEOUT_S = 600
_KINDS = {3: DamagedStoreError, 4: DiskFaultError}
"""What the child's exit status means (store.migrate, whose import would cost memory)."""


def open_store(url: str) -> Store:
    """Open the store for writing; a damaged one is set aside under a dated name, and said so.

    Raises:
        StoreError: it can't be made, opened, or belongs to another daemon or program.
    """
    try:
        return open_or_make(url)
    except DamagedStoreError as error:
        put_aside(url, error)
        return open_or_make(url)


def put_aside(url: str, error: DamagedStoreError) -> None:
    """Give a damaged store, which nobody has open any more, a dated name, and say so.

    Raises:
        StoreError: it can't be renamed.
    """
    aside = set_aside(database_path(url), SystemClock().utc_ms())
    _log.error("%s; it was set aside as %s and a new store is begun", error, aside)


def open_or_make(url: str) -> Store:
    """Open the store for writing, made or brought up to date where that is needed.

    Raises:
        DamagedStoreError: it is ours, but damaged.
        StoreError: it can't be made, opened, or belongs to another daemon or program.
    """
    store = _opened(url)
    try:
        store.saved_state()
        store.last_t()
    except BaseException:
        store.close()
        raise
    return store


def _opened(url: str) -> Store:
    """Open the store as it is; only one that is not there or is older is worth a migration."""
    try:
        return Store.open(url, window_messages=MOST_SENT_AGAIN)
    except (DamagedStoreError, DiskFaultError):
        raise
    except StoreError:
        # What is none of ours, or in use, is refused here with the same sentence.
        migrate(url)
        return Store.open(url, window_messages=MOST_SENT_AGAIN)


def migrate(url: str) -> None:
    """Run the migrations in a process of their own: what they import would stay for years.

    Raises:
        StoreError: with the child's own sentence.
    """
    command = [sys.executable, "-m", "cabinetwatch.store.migrate", url]
    try:
        child = subprocess.run(  # noqa: S603 - our own program
            command, capture_output=True, text=True, timeout=MIGRATION_TIMEOUT_S, check=False
        )
    except subprocess.TimeoutExpired:
        raise StoreError(
            f"Bringing the store {without_secrets(url)} up to date took too long; try again"
        ) from None
    if child.returncode != 0:
        sentence = child.stderr.strip() or f"exit status {child.returncode}"
        raise _KINDS.get(child.returncode, StoreError)(sentence)
