"""Keeping the store in order beside its work: tiers brought up, old rows let go, space given back.

All of it goes in steps of well under a second, so that whoever writes is never held up for long;
each step is a transaction of its own, so that a kill between two leaves nothing half done.
"""

from collections.abc import Iterator

from cabinetwatch.store.database import Database
from cabinetwatch.store.derive import derive, merge_days
from cabinetwatch.store.prune import Keeping, Now, prune
from cabinetwatch.store.room import free_pages, give_back, take_sample
from cabinetwatch.store.tiers import DAY_MS

SPARE_PAGES = 2048
"""Pages without content that stay in the file: the next readings fill them within a day."""

_PAGES_AT_ONCE = 128
# A day is merged once it is well over, so that what comes a little late need not be merged again.
_DAY_IS_OVER_MS = 2 * 3_600_000


def tidy(database: Database, now: Now) -> Iterator[None]:
    """Bring the tiers up to what is committed, and note the size."""
    yield from derive(database)
    yield from merge_days(database, (now.utc_ms - _DAY_IS_OVER_MS) // DAY_MS)
    with database.writing() as connection:
        take_sample(connection, now.t)
    yield


def clear(
    database: Database, now: Now, keeping: Keeping, spare_pages: int = SPARE_PAGES
) -> Iterator[int]:
    """Let go of what is older than its keeping time; each step gives the rows it let go."""
    yield from prune(database, now, keeping)
    free = spare_pages + 1
    while free > spare_pages:
        with database.writing() as connection:
            before = free_pages(connection)
            if before > spare_pages:
                give_back(connection, min(_PAGES_AT_ONCE, before - spare_pages))
            free = free_pages(connection)
        yield 0
        if free >= before:
            return
