"""Writing the tiers: new parts out of what was committed, and one block for each day that is over.

A part and the mark of how far the tiers have come are one transaction, so that each reading is in
them exactly once whatever happens in between.
"""

import logging
import time
from collections.abc import Iterable, Iterator, Mapping
from itertools import groupby, pairwise

from sqlalchemy import Connection, delete, insert, select, update
from sqlalchemy.dialects import sqlite

from cabinetwatch.store import schema
from cabinetwatch.store.database import Database
from cabinetwatch.store.minutes import Minutes, waiting_figures
from cabinetwatch.store.tier_block import TierBlock, encode
from cabinetwatch.store.tiers import DAY_MS, SENSOR_FIGURE, Bucket, Tier, condense

_log = logging.getLogger(__name__)

TABLES = {Tier.MINUTES: schema.minute_block, Tier.QUARTERS: schema.quarter_block}

_MOST_MINUTES = 20_000
"""Held in memory before they are written: a few MB."""
_LONGEST_SPAN_MS = DAY_MS // 4
"""Written together are only parts of one age, so that they are let go in time."""
_SUBJECTS_AT_ONCE = 8
_STEP_S = 0.1
"""A step merges no further subject after so long: others want to write."""

Figures = dict[str, list[Bucket]]


def derived_seq(connection: Connection) -> int:
    """Give the last input whose reading is in the tiers."""
    return connection.scalar(select(schema.upkeep.c.derived_seq)) or 0


def pruned_seq(connection: Connection) -> int:
    """Give the last input whose reading was pruned; 0 when none was."""
    return connection.scalar(select(schema.upkeep.c.pruned_seq)) or 0


def mark(connection: Connection, **marks: int) -> None:
    """Move the upkeep's marks."""
    row = sqlite.insert(schema.upkeep).values({"id": 1, "derived_seq": 0, "pruned_seq": 0} | marks)
    connection.execute(row.on_conflict_do_update(index_elements=["id"], set_=marks))


def derive(database: Database) -> Iterator[None]:
    """Bring the tiers up to the newest commit, in bounded steps."""
    with database.reading() as connection:
        minutes = Minutes(derived_seq(connection))
    more = True
    while more:
        with database.reading() as connection:
            more = minutes.gather(connection)
        enough = minutes.gathered.size > _MOST_MINUTES or minutes.span_ms > _LONGEST_SPAN_MS
        if enough or not more:
            _write(database, minutes)
            minutes = Minutes(minutes.seq)
        yield


def merge_days(database: Database, before_day: int) -> Iterator[None]:
    """Make one block a subject of each day of UTC before `before_day`; a few of them a step.

    Neighbours share the pages on which their parts lie: merged together, each is written once.
    """
    for tier, table in TABLES.items():
        in_parts = (
            select(table.c.subject, table.c.day)
            .where(table.c.is_part, table.c.day < before_day)
            .group_by(table.c.day, table.c.subject)
            .limit(_SUBJECTS_AT_ONCE)
        )
        more = True
        while more:
            with database.writing() as connection:
                until = time.monotonic() + _STEP_S
                rows = connection.execute(in_parts).all()
                for row in rows:
                    _merge_day(connection, tier, row.subject, row.day)
                    if time.monotonic() > until:
                        break
                more = bool(rows)
            yield


def _write(database: Database, minutes: Minutes) -> None:
    """Write what was gathered, and the devices' minutes that wait, as parts."""
    with database.writing() as connection:
        waiting = waiting_figures(connection)
        if minutes.t is None and not waiting.minutes:
            return
        t = max(minutes.t or 0, waiting.t)
        told: dict[str, Figures] = {}
        for minute in waiting.minutes:
            for device, figures in minute.devices.items():
                for figure, bucket in figures.items():
                    told.setdefault(device, {}).setdefault(figure, []).append(bucket)
        for sensor in minutes.gathered:
            told.setdefault(sensor, {})[SENSOR_FIGURE] = minutes.gathered.buckets(sensor)
        for subject in sorted(told):
            for day, figures_of_day in _by_day(told[subject]):
                _write_part(connection, subject, day, t, figures_of_day)
        table = schema.figure_minute
        connection.execute(delete(table).where(table.c.number <= waiting.number))
        mark(connection, derived_seq=minutes.seq)


def _write_part(
    connection: Connection, subject: str, day: int, t: int, figures: Mapping[str, list[Bucket]]
) -> None:
    row = {"subject": subject, "day": day, "t_ms": t, "is_part": True}
    for tier, table in TABLES.items():
        columns = {name: condense(column, tier.width_ms) for name, column in figures.items()}
        data = encode(columns, tier.width_ms)
        connection.execute(insert(table).values(**row, data=data))


def _by_day(columns: Figures) -> list[tuple[int, Figures]]:
    days: dict[int, Figures] = {}
    for figure, column in columns.items():
        for day, buckets in groupby(column, lambda bucket: bucket.utc_ms // DAY_MS):
            days.setdefault(day, {}).setdefault(figure, []).extend(buckets)
    return sorted(days.items())


def _merge_day(connection: Connection, tier: Tier, subject: str, day: int) -> None:
    """Replace all rows of a subject's day by one."""
    table = TABLES[tier]
    of_day = table.c.subject == subject, table.c.day == day
    rows = connection.execute(select(table).where(*of_day).order_by(table.c.number)).all()
    try:
        blocks = [TierBlock(row.data, tier.width_ms) for row in rows]
    except ValueError as error:
        _log.error("the %s of %s on day %d stay in parts: %s", tier.value, subject, day, error)
        connection.execute(update(table).where(*of_day).values(is_part=False))
        return
    figures = {figure: merged(blocks, figure, tier) for figure in figures_in(blocks)}
    connection.execute(delete(table).where(*of_day))
    whole = {"subject": subject, "day": day, "t_ms": max(row.t_ms for row in rows)}
    data = encode(figures, tier.width_ms)
    connection.execute(insert(table).values(**whole, is_part=False, data=data))


def figures_in(blocks: Iterable[TierBlock]) -> list[str]:
    """Give the figures that any of the blocks has, in the order of their first appearance."""
    return list(dict.fromkeys(figure for block in blocks for figure in block.figures))


def merged(blocks: Iterable[TierBlock], figure: str, tier: Tier) -> list[Bucket]:
    """Give a figure's buckets over all the blocks, in order of time and without a double."""
    found = [bucket for block in blocks for bucket in block.buckets(figure)]
    if all(before.utc_ms < after.utc_ms for before, after in pairwise(found)):
        return found
    return condense(found, tier.width_ms)
