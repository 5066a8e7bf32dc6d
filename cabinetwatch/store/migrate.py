"""Makes the store, or brings an older one up to date: python -m cabinetwatch.store.migrate URL.

A process of its own on purpose: what it imports would stay in the daemon's memory for years.
"""

import sys
from contextlib import closing
from pathlib import Path

from alembic import command
from alembic.config import Config

from cabinetwatch.store.database import (
    PAGE_BYTES,
    Database,
    check_revision,
    connect,
    is_ours,
    take_lock,
    translated,
)
from cabinetwatch.store.place import (
    act_as_owner,
    create_private,
    database_path,
    exit_status,
)
from cabinetwatch.store.schema import APPLICATION_ID
from cabinetwatch.text import StoreError


def migrate(url: str) -> None:
    """Bring the store at `url` to the schema of this version; make it if there is none.

    All steps together are one transaction. A file that is no store of ours is left untouched.

    Raises:
        StoreError: it can't be made, is in use, is foreign, damaged, or newer than this version.
    """
    path = database_path(url)
    act_as_owner(path)
    exists = is_ours(path)
    with take_lock(path):
        if not exists:
            _make_empty(path)
        with closing(Database(path, read_only=False)) as database, database.writing() as connection:
            check_revision(connection, path)
            config = Config()
            config.set_main_option("script_location", "cabinetwatch.store:migrations")
            config.attributes["connection"] = connection
            command.upgrade(config, "head")


def _make_empty(path: Path) -> None:
    create_private(path)
    with translated(path), closing(connect(path, "rw")) as connection:
        connection.execute(f"PRAGMA page_size = {PAGE_BYTES}")
        # Pruning can then give space back in small steps, without rewriting the whole file.
        connection.execute("PRAGMA auto_vacuum = INCREMENTAL")
        # Before the log exists, so that the mark always stands in the file itself.
        connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        connection.execute("PRAGMA journal_mode = WAL")


def main(arguments: list[str]) -> int:
    """Run as a program; the status of an error is `exit_status`, with one sentence."""
    if len(arguments) != 1:
        print("usage: python -m cabinetwatch.store.migrate URL", file=sys.stderr)
        return 2
    try:
        migrate(arguments[0])
    except StoreError as error:
        print(error, file=sys.stderr)
        return exit_status(error)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
