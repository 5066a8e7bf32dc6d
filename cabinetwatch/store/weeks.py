"""Closed weeks as rows: their figures, which nothing changes once they are written."""

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from sqlalchemy import Connection, select
from sqlalchemy.dialects.sqlite import insert as upsert

from cabinetwatch.store.schema import week as week_table


class ClosedWeek(NamedTuple):
    """The figures of an ISO week such as 2026-W47, frozen at `utc_ms`."""

    name: str
    utc_ms: int
    figures: Mapping[str, Any]


def write_weeks(connection: Connection, weeks: Sequence[ClosedWeek]) -> None:
    """Add closed weeks; one that is there already stays as it is."""
    for week in weeks:
        row = {"name": week.name, "utc_ms": week.utc_ms, "figures": dict(week.figures)}
        connection.execute(upsert(week_table).values(row).on_conflict_do_nothing())


def read_week(connection: Connection, name: str) -> ClosedWeek | None:
    """Give a closed week; None when it was not frozen."""
    row = connection.execute(select(week_table).where(week_table.c.name == name)).first()
    return None if row is None else ClosedWeek(row.name, row.utc_ms, row.figures)


def week_names(connection: Connection) -> list[str]:
    """Give the names of all closed weeks, oldest first."""
    return list(connection.scalars(select(week_table.c.name).order_by(week_table.c.name)))
