"""The records that the watch keeps now: in its store, or in memory while its disk refuses that."""

import sys

from cabinetwatch.cli.output import say
from cabinetwatch.config.model import Config
from cabinetwatch.store.in_memory import MemoryRecords, find_records
from cabinetwatch.store.store import Store


def open_records(config: Config) -> Store:
    """Open them for reading and asking; when they are in memory, say so beside the answer.

    Raises:
        StoreError: there are none yet, or they can't be read.
    """
    records = find_records(config.store_path())
    if records is not None:
        say(in_memory_sentence(config.site.name, records.process), sys.stderr)
    return open_where(config, records)


def open_where(config: Config, records: MemoryRecords | None) -> Store:
    """Open the store, or, where we may, what stands in for it in memory.

    Raises:
        StoreError: it isn't there, or can't be read.
    """
    url = config.store.url if records is None or records.url is None else records.url
    return Store.open(url, read_only=True)


def in_memory_sentence(site: str, process: int) -> str:
    """Say that the records are in memory, and what that means."""
    return (
        f"{site}: THE WATCH RUNS WITH ITS RECORDS IN MEMORY (process {process}), for its disk "
        "refuses the store: it tells alarms as ever, but what it records is lost when it ends. "
        "Look at the disk: is it full, or read-only?"
    )
