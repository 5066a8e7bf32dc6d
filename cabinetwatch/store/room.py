"""How much room the store takes, how fast that grows, and how long the disk will do."""

import os
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

from sqlalchemy import Connection, Table, delete, func, insert, select

from cabinetwatch.store.derive import TABLES, pruned_seq
from cabinetwatch.store.schema import block, size_sample
from cabinetwatch.store.tiers import DAY_MS, Tier

SAMPLE_EVERY_MS = 3 * 3_600_000
_SAMPLES_KEPT_MS = 8 * DAY_MS
_LEAST_SPAN_MS = 12 * 3_600_000


class Room(NamedTuple):
    """The store's room on its disk.

    `bytes` are those of its files, `free_bytes` those that it can still fill: of the disk, and
    within the file. `growth_bytes_per_day` is None in the first half day; `days_left` also when
    nothing grows. The oldest instants (UTC in ms) are None where there is nothing.
    """

    bytes: int
    free_bytes: int
    growth_bytes_per_day: float | None
    days_left: float | None
    oldest_raw_utc_ms: int | None
    oldest_minutes_utc_ms: int | None
    oldest_quarters_utc_ms: int | None


Sample = tuple[int, int]
"""Watch time (ms), and the bytes then in use."""


def growth_bytes_per_day(samples: Sequence[Sample]) -> float | None:
    """Give how fast the store grows, from samples in order of time; None if they span too little.

    The slope of the line of least squares: one odd sample doesn't spoil it.
    """
    if not samples or samples[-1][0] - samples[0][0] < _LEAST_SPAN_MS:
        return None
    mean_day = sum(t for t, _ in samples) / len(samples) / DAY_MS
    mean_used = sum(used for _, used in samples) / len(samples)
    days = [t / DAY_MS - mean_day for t, _ in samples]
    covariance = sum(day * (used - mean_used) for day, (_, used) in zip(days, samples, strict=True))
    return covariance / sum(day * day for day in days)


def days_left(free_bytes: int, growth: float | None) -> float | None:
    """Give the days until the room is used up, if it goes on like this; None if it doesn't grow."""
    if growth is None or growth <= 0.0:
        return None
    return max(0, free_bytes) / growth


def take_sample(connection: Connection, t: int) -> None:
    """Note how much is in use, if it is time; forget what is too old to tell the present growth."""
    newest = connection.scalar(select(size_sample.c.t_ms).order_by(size_sample.c.t_ms.desc()))
    if newest is not None and t - newest < SAMPLE_EVERY_MS:
        return
    used, _ = _pages(connection)
    connection.execute(delete(size_sample).where(size_sample.c.t_ms < t - _SAMPLES_KEPT_MS))
    connection.execute(insert(size_sample).values(t_ms=t, bytes=used))


def measure(connection: Connection, path: Path) -> Room:
    """Give the store's room now."""
    used, free_inside = _pages(connection)
    disk = os.statvfs(path)
    free = disk.f_bavail * disk.f_frsize + free_inside
    rows = connection.execute(select(size_sample).order_by(size_sample.c.t_ms)).all()
    growth = growth_bytes_per_day([(row.t_ms, row.bytes) for row in rows])
    log = path.with_name(path.name + "-wal")
    return Room(
        bytes=used + free_inside + (log.stat().st_size if log.exists() else 0),
        free_bytes=free,
        growth_bytes_per_day=growth,
        days_left=days_left(free, growth),
        oldest_raw_utc_ms=_oldest_raw(connection),
        oldest_minutes_utc_ms=_oldest(connection, TABLES[Tier.MINUTES]),
        oldest_quarters_utc_ms=_oldest(connection, TABLES[Tier.QUARTERS]),
    )


def raw_gone_before(connection: Connection) -> int | None:
    """Give the instant (UTC in ms, a whole minute) before which readings were let go.

    Of what was measured before it, only the minutes are whole. None when nothing was let go.
    """
    pruned = pruned_seq(connection)
    if not pruned:
        return None
    # What was spared of a trial lies before it, in pieces.
    row = connection.execute(
        select(block.c.known_t_ms, block.c.offset_ms)
        .where(block.c.first_seq > pruned)
        .order_by(block.c.first_seq)
        .limit(1)
    ).first()
    # No reading is later than the watch time known when it was written.
    return None if row is None else -(-(row.known_t_ms + row.offset_ms) // 60_000) * 60_000


def free_pages(connection: Connection) -> int:
    """Give the pages of the file that hold nothing."""
    return int(connection.exec_driver_sql("PRAGMA freelist_count").scalar_one())


def give_back(connection: Connection, pages: int) -> None:
    """Give pages that hold nothing back to the file system, from the end of the file."""
    # It frees a page with each row that it gives, and sqlite3 reads but the first of rows that have
    # no columns: a statement a page is what works.
    for _ in range(pages):
        connection.exec_driver_sql("PRAGMA incremental_vacuum(1)")


def _pages(connection: Connection) -> tuple[int, int]:
    """Give the bytes in use, and those free within the file."""
    size = int(connection.exec_driver_sql("PRAGMA page_size").scalar_one())
    count = int(connection.exec_driver_sql("PRAGMA page_count").scalar_one())
    free = free_pages(connection)
    return (count - free) * size, free * size


def _oldest_raw(connection: Connection) -> int | None:
    row = connection.execute(
        select(block.c.t_min_ms, block.c.offset_ms)
        .where(block.c.first_seq > pruned_seq(connection))
        .order_by(block.c.first_seq)
        .limit(1)
    ).first()
    return None if row is None else int(row.t_min_ms + row.offset_ms)


def _oldest(connection: Connection, table: Table) -> int | None:
    """Give the beginning of the oldest day of a tier."""
    day = connection.scalar(select(func.min(table.c.day)))
    return None if day is None else int(day) * DAY_MS
