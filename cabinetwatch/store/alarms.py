"""Transitions as rows: what was told, and which alarms stand."""

from typing import Any

from sqlalchemy import Connection, Select, func, insert, select

from cabinetwatch.store.place import whole
from cabinetwatch.store.schema import transition as transition_table
from cabinetwatch.watch.transition import AlarmState, Transition


def write_transitions(connection: Connection, transitions: list[Transition]) -> None:
    """Add transitions in their order."""
    if transitions:
        connection.execute(insert(transition_table), [_row(transition) for transition in transitions])


def transitions_between(
    connection: Connection,
    from_utc_ms: int | None,
    to_utc_ms: int | None,
    limit: int | None,
    alarm_id: str | None,
) -> list[Transition]:
    """Give transitions in their order, from one instant up to before another.

    Args:
        connection: within a transaction.
        from_utc_ms: none: from the first on.
        to_utc_ms: none: up to the last.
        limit: no more than the newest so many.
        alarm_id: only those of this occurrence.
    """
    query = select(transition_table.c.record).order_by(transition_table.c.id.desc()).limit(limit)
    if from_utc_ms is not None:
        query = query.where(transition_table.c.utc_ms >= from_utc_ms)
    if to_utc_ms is not None:
        query = query.where(transition_table.c.utc_ms < to_utc_ms)
    if alarm_id is not None:
        query = query.where(transition_table.c.alarm_id == alarm_id)
    return _transitions(connection, query)[::-1]


def standing_alarms(connection: Connection, before_utc_ms: int | None = None) -> list[Transition]:
    """Give the last transition of each alarm that is not normal, oldest first.

    Args:
        connection: within a transaction.
        before_utc_ms: as they stood then; none: now.
    """
    last = select(func.max(transition_table.c.id)).group_by(transition_table.c.subject, transition_table.c.condition)
    if before_utc_ms is not None:
        last = last.where(transition_table.c.utc_ms < before_utc_ms)
    query = (
        select(transition_table.c.record)
        .where(transition_table.c.id.in_(last), transition_table.c.state != AlarmState.NORMAL.value)
        .order_by(transition_table.c.id)
    )
    return _transitions(connection, query)


def _transitions(connection: Connection, query: Select[Any]) -> list[Transition]:
    with whole("a transition"):
        return [Transition.from_record(record) for record in connection.scalars(query)]


def _row(transition: Transition) -> dict[str, Any]:
    return {
        "utc_ms": transition.utc_ms,
        "alarm_id": transition.id,
        "subject": transition.subject,
        "condition": transition.condition,
        "state": transition.state.value,
        "record": transition.record(),
    }
