"""Messages that could not be read, counted for each sensor that they should have served."""

from collections.abc import Sequence
from typing import NamedTuple

from sqlalchemy import Connection, func, select
from sqlalchemy.dialects.sqlite import insert as upsert

from cabinetwatch.store.schema import unreadable, unreadable_hour

HOUR_MS = 3_600_000


class Unreadable(NamedTuple):
    """So many messages of one hour of UTC; `t` (watch time) and `utc_ms` are those of the last.

    `run_t` is the watch time at which the run began that they came in. `problem` says what was
    wrong with the last one, with nothing in it that could move a cursor or end a line.
    """

    sensor: str
    run_t: int
    t: int
    utc_ms: int
    messages: int
    problem: str


class UnreadableTotal(NamedTuple):
    """How many there were in the run that began at `run_t`, and ever; and the last of them."""

    run_t: int
    in_run: int
    total: int
    utc_ms: int
    problem: str


def merge(earlier: Sequence[Unreadable], later: Sequence[Unreadable]) -> list[Unreadable]:
    """Put counts together: however long they wait to be written, one a sensor and hour is left."""
    merged: dict[tuple[str, int, int], Unreadable] = {}
    for each in (*earlier, *later):
        key = each.sensor, each.run_t, each.utc_ms // HOUR_MS
        before = merged[key].messages if key in merged else 0
        merged[key] = each._replace(messages=before + each.messages)
    return list(merged.values())


def write_unreadable(connection: Connection, counts: Sequence[Unreadable]) -> None:
    """Add to the counts."""
    for each in counts:
        last = {"run_t_ms": each.run_t, "utc_ms": each.utc_ms, "problem": each.problem}
        first = {"sensor": each.sensor, "in_run": each.messages, "total": each.messages}
        row = upsert(unreadable).values(first | last)
        before = func.iif(unreadable.c.run_t_ms == each.run_t, unreadable.c.in_run, 0)
        more = {"in_run": before + each.messages, "total": unreadable.c.total + each.messages}
        connection.execute(row.on_conflict_do_update(index_elements=["sensor"], set_=last | more))
        hour = {"hour": each.utc_ms // HOUR_MS, "sensor": each.sensor}
        counted = upsert(unreadable_hour).values(hour | {"t_ms": each.t, "messages": each.messages})
        connection.execute(
            counted.on_conflict_do_update(
                index_elements=["hour", "sensor"],
                set_={"t_ms": each.t, "messages": unreadable_hour.c.messages + each.messages},
            )
        )


def unreadable_totals(connection: Connection) -> dict[str, UnreadableTotal]:
    """Give what was counted, by sensor; those without any are left out."""
    return {
        row.sensor: UnreadableTotal(row.run_t_ms, row.in_run, row.total, row.utc_ms, row.problem)
        for row in connection.execute(select(unreadable))
    }


def unreadable_between(connection: Connection, from_utc_ms: int, to_utc_ms: int) -> dict[str, int]:
    """Give how many there were from one hour of UTC up to before another, by sensor."""
    count = func.sum(unreadable_hour.c.messages)
    query = (
        select(unreadable_hour.c.sensor, count)
        .where(unreadable_hour.c.hour >= from_utc_ms // HOUR_MS)
        .where(unreadable_hour.c.hour < -(-to_utc_ms // HOUR_MS))
        .group_by(unreadable_hour.c.sensor)
    )
    return {sensor: int(summed) for sensor, summed in connection.execute(query)}
