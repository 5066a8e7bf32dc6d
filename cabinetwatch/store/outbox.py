"""Notices and their outcomes as rows of the outbox."""

import logging
from typing import Any

from sqlalchemy import Connection, Select, insert, or_, select, update

from cabinetwatch.store.notice import Notice, Outcome
from cabinetwatch.store.place import whole
from cabinetwatch.store.schema import notice as notice_table
from cabinetwatch.watch.transition import Transition

_log = logging.getLogger(__name__)

Posted = tuple[Notice, Outcome | None]
"""A notice with its latest outcome, none before the first attempt."""


def write_notices(connection: Connection, notices: list[Notice]) -> None:
    """Add notices that have not been tried yet."""
    if notices:
        connection.execute(insert(notice_table), [_row(notice) for notice in notices])


def write_outcomes(connection: Connection, outcomes: list[Outcome]) -> None:
    """Note the latest outcome of notices already written.

    One of a notice that is not there is passed over and logged: refused, it would hold up every
    reading that is to be written with it.
    """
    for outcome in outcomes:
        changed = connection.execute(
            update(notice_table)
            .where(notice_table.c.id == outcome.notice_id)
            .values(
                status=outcome.status,
                outcome_t_ms=outcome.t,
                attempts=outcome.attempts,
                error=_storable(outcome.error),
                recipients_done=list(outcome.recipients_done),
                merged_into=outcome.merged_into,
            )
        )
        if changed.rowcount != 1:
            _log.warning("an outcome of the unknown notice %r is passed over", outcome.notice_id)


def waiting_notices(connection: Connection) -> list[Posted]:
    """Give what is still to be told, oldest first."""
    undone = or_(notice_table.c.status.is_(None), notice_table.c.status == "waiting")
    return _posted(connection, select(notice_table).where(undone))


def summaries(connection: Connection, at_most: int) -> list[Posted]:
    """Give the newest notices that tell of a week, oldest first."""
    query = select(notice_table.c.number).where(notice_table.c.week.is_not(None))
    newest = query.order_by(notice_table.c.number.desc()).limit(at_most)
    return _posted(connection, select(notice_table).where(notice_table.c.number.in_(newest)))


def notices_between(
    connection: Connection, from_utc_ms: int | None, to_utc_ms: int | None
) -> list[Posted]:
    """Give the notices written from one instant up to before another, oldest first."""
    query = select(notice_table)
    if from_utc_ms is not None:
        query = query.where(notice_table.c.utc_ms >= from_utc_ms)
    if to_utc_ms is not None:
        query = query.where(notice_table.c.utc_ms < to_utc_ms)
    return _posted(connection, query)


def _posted(connection: Connection, query: Select[Any]) -> list[Posted]:
    rows = connection.execute(query.order_by(notice_table.c.number))
    with whole("a notice"):
        return [posted(row) for row in rows]


def posted(row: Any) -> Posted:
    """Give a notice with its latest outcome out of a row, or what has its columns."""
    return _notice(row), _outcome(row)


def _row(notice: Notice) -> dict[str, Any]:
    return {
        "id": notice.id,
        "channel": notice.channel,
        "kind": notice.kind,
        "t_ms": notice.t,
        "utc_ms": notice.utc_ms,
        "message_id": notice.message_id,
        "in_reply_to": notice.in_reply_to,
        "transitions": [transition.record() for transition in notice.transitions],
        "recipients": list(notice.recipients) or None,
        "week": notice.week,
    }


def _notice(row: Any) -> Notice:
    return Notice(
        id=row.id,
        channel=row.channel,
        kind=row.kind,
        t=row.t_ms,
        utc_ms=row.utc_ms,
        transitions=tuple(Transition.from_record(record) for record in row.transitions),
        message_id=row.message_id,
        in_reply_to=row.in_reply_to,
        recipients=tuple(row.recipients or ()),
        week=row.week,
    )


def _outcome(row: Any) -> Outcome | None:
    if row.status is None:
        return None
    return Outcome(
        notice_id=row.id,
        status=row.status,
        t=row.outcome_t_ms,
        attempts=row.attempts,
        error=row.error,
        recipients_done=tuple(row.recipients_done),
        merged_into=row.merged_into,
    )


def _storable(error: str) -> str:
    """Make a server's answer storable: bytes that were no UTF-8 arrive as lone surrogates."""
    return error.encode("utf-8", "backslashreplace").decode("utf-8")
