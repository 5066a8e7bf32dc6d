"""The daemon on a disk that is full as long as a file exists, for where no disk can be filled.

With anything in that file the disk is full only for a watch, not for who tries it beforehand.

python -m tests.faults.no_disk FILE run --config FILE
"""

import sys
from pathlib import Path

from cabinetwatch.cli.main import main
from cabinetwatch.service import startup
from cabinetwatch.store.database import MEMORY
from cabinetwatch.store.place import DiskFaultError, WriterLock
from cabinetwatch.store.store import Store

open_for_good = startup.open_or_make


def open_unless_full(url: str, *, watch: bool = False, lock: WriterLock | None = None) -> Store:
    """Open a store, but refuse the one whose disk is full; those in memory are not on it."""
    full = Path(sys.argv[1])
    if str(MEMORY) not in url and full.exists() and (watch or not full.read_bytes()):
        raise DiskFaultError(f"The store {url} can't be written: the disk is full")
    return open_for_good(url, watch=watch, lock=lock)


if __name__ == "__main__":
    startup.TRY_EVERY_S = 0.5
    startup.open_or_make = open_unless_full
    sys.exit(main(sys.argv[2:]))
