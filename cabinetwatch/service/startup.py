"""Opening the store at a start: made or brought up to date, set aside when it is damaged."""

import logging
import subprocess
import sys

from cabinetwatch.clock import SystemClock
from cabinetwatch.errors import StoreError
from cabinetwatch.store.place import DamagedStoreError, database_path, set_aside
from cabinetwatch.store.store import Store

_log = logging.getLogger(__name__)

MIGRATION_TIMEOUT_S = 600


def open_store(url: str) -> Store:
    """Open the store for writing; a damaged one is set aside under a dated name, and said so.

    Raises:
        StoreError: it can't be made, opened, or belongs to another daemon or program.
    """
    try:
        return _migrated(url)
    except DamagedStoreError as error:
        aside = set_aside(database_path(url), SystemClock().utc_ms())
        _log.error("%s; it was set aside as %s and a new store begun", error, aside)
        return _migrated(url)


def _migrated(url: str) -> Store:
    migrate(url)
    store = Store.open(url)
    try:
        store.saved_state()
        store.last_t()
    except BaseException:
        store.close()
        raise
    return store


def migrate(url: str) -> None:
    """Run the migrations in a process of their own: what they import would stay for years.

    Raises:
        StoreError: with the child's own sentence.
    """
    command = [sys.executable, "-m", "cabinetwatch.store.migrate", url]
    try:
        child = subprocess.run(
            command, capture_output=True, text=True, timeout=MIGRATION_TIMEOUT_S, check=False
        )
    except subprocess.TimeoutExpired:
        raise StoreError(f"Bringing the store {url} up to date took too long; try again") from None
    if child.returncode != 0:
        sentence = child.stderr.strip() or f"exit status {child.returncode}"
        kind = DamagedStoreError if "is damaged" in sentence else StoreError
        raise kind(sentence)
