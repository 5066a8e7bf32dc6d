"""What is committed beside readings, as rows: alarms, notices, commands, marks, weeks."""

import logging
import zlib
from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from hashlib import blake2b
from itertools import accumulate, pairwise
from struct import Struct
from typing import Any, Literal, NamedTuple

from sqlalchemy import Connection, Select, delete, func, insert, or_, select, update
from sqlalchemy.dialects.sqlite import insert as upsert

from cabinetwatch.store.codecs import FigureMinute, pack_integers, unpack_integers
from cabinetwatch.store.place import whole
from cabinetwatch.store.schema import block, heartbeat, saved_state, unreadable, unreadable_hour
from cabinetwatch.store.schema import command as command_table
from cabinetwatch.store.schema import notice as notice_table
from cabinetwatch.store.schema import repeat_window as repeat_window_table
from cabinetwatch.store.schema import transition as transition_table
from cabinetwatch.store.schema import week as week_table
from cabinetwatch.text import StoreError
from cabinetwatch.watch.events import AlarmState, Entry, Reading, Transition

Channel = Literal["email", "mqtt", "command"]
"""The ways by which a notice reaches somebody."""

NoticeKind = Literal[
    "raise", "return", "repeat", "change", "digest", "test", "summary", "again", "system"
]
"""Why a notice is written. `change` tells of a transition that is neither raise nor return,
`summary` of a week. Never written are `again`, which gives a broker back what it should retain, and
`system`, a mail that tells of no alarm, such as a guard's."""

Status = Literal["waiting", "delivered", "failed", "merged"]
"""What became of a notice. `waiting`: tried, to be tried again; `failed`: given up for good;
`merged`: told by another notice, a digest."""


@dataclass(frozen=True, slots=True)
class Notice:
    """One thing to tell by one channel, written together with the transitions it tells of.

    `id` is unique for ever. `t` is watch time (ms), `utc_ms` the same instant in UTC. `message_id`
    is fixed here, before the first attempt, so that a mail doubled by a kill can be told as a
    double; `in_reply_to` is the Message-ID of the raise this belongs to.

    A summary tells of `week`; its `transitions` are the returned alarms that it lists, which count
    as acknowledged once it is delivered. `recipients`, if any, are told in place of the channel's.
    """

    id: str
    channel: Channel
    kind: NoticeKind
    t: int
    utc_ms: int
    transitions: tuple[Transition, ...]
    message_id: str = ""
    in_reply_to: str | None = None
    recipients: tuple[str, ...] = ()
    week: str | None = None


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of a notice after the latest attempt, at watch time `t` (ms).

    `attempts` counts all attempts so far. `recipients_done` are those the server has accepted,
    which no later attempt repeats. `merged_into` is the id of the digest that tells it instead.
    """

    notice_id: str
    status: Status
    t: int
    attempts: int = 0
    error: str = ""
    recipients_done: tuple[str, ...] = ()
    merged_into: str | None = None


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


# Compared only between messages of one packet identifier, so that 48 bits are plenty.
_DIGEST_BYTES = 6


class Repeatable(NamedTuple):
    """What tells a committed message again: its packet identifier (1 to 65535) and digest."""

    packet_id: int
    digest: bytes

    @classmethod
    def of(cls, packet_id: int, topic: str, payload: bytes) -> "Repeatable":
        """Make the identifier of a message as it came in."""
        # A topic holds no NUL (MQTT 5.0, 1.5.4), so that the two parts can't be mistaken.
        message = topic.encode("utf-8", "surrogatepass") + b"\0" + payload
        return cls(packet_id, blake2b(message, digest_size=_DIGEST_BYTES).digest())


@dataclass(slots=True)
class Batch:
    """Everything that one transaction writes: all of it or nothing.

    `inputs` are in the very order the engine was told; a transition stands in the batch of the
    inputs judged before it, or a later one. `window` identifies the messages acknowledged after
    this commit, of the present session only: a connect without a session empties it. `handled`
    are commands' row ids with their results; `figures` the devices' minutes that are over;
    `unreadable` counts the messages that could not be read; `weeks` holds the figures of closed
    weeks. `state` is the serialised engine as it stood after the last of `inputs` and `advanced_to`
    (watch time, ms). `offset_ms` is what must be added to watch time to get UTC, at the end.
    Readings that are `foreign` were taken elsewhere: how far the watch has come stays as it was.
    """

    advanced_to: int
    offset_ms: int
    inputs: list[Reading | Entry] = field(default_factory=list)
    window: list[Repeatable] = field(default_factory=list)
    transitions: list[Transition] = field(default_factory=list)
    notices: list[Notice] = field(default_factory=list)
    outcomes: list[Outcome] = field(default_factory=list)
    handled: list[tuple[int, Mapping[str, Any]]] = field(default_factory=list)
    figures: list[FigureMinute] = field(default_factory=list)
    unreadable: list[Unreadable] = field(default_factory=list)
    weeks: list[ClosedWeek] = field(default_factory=list)
    state: bytes | None = None
    foreign: bool = False


class SavedState(NamedTuple):
    """The engine as it stood after input number `seq`, advanced to watch time `t` (ms)."""

    seq: int
    t: int
    data: bytes


def write_transitions(connection: Connection, transitions: list[Transition]) -> None:
    """Add transitions in their order."""
    if transitions:
        connection.execute(
            insert(transition_table), [_transition_row(transition) for transition in transitions]
        )


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
    last = select(func.max(transition_table.c.id)).group_by(
        transition_table.c.subject, transition_table.c.condition
    )
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


def _transition_row(transition: Transition) -> dict[str, Any]:
    return {
        "utc_ms": transition.utc_ms,
        "alarm_id": transition.id,
        "subject": transition.subject,
        "condition": transition.condition,
        "state": transition.state.value,
        "record": transition.record(),
    }


def add_command(connection: Connection, command: Mapping[str, Any], utc_ms: int) -> int:
    """Add a command; its id, by which the result can be asked for, is never used again."""
    row = (
        insert(command_table)
        .values(command=dict(command), utc_ms=utc_ms)
        .returning(command_table.c.id)
    )
    return int(connection.execute(row).scalar_one())


def waiting_commands(connection: Connection) -> list[tuple[int, Any]]:
    """Give the commands without a result, oldest first, as whoever put them has written them."""
    query = (
        select(command_table.c.id, command_table.c.command)
        .where(command_table.c.result.is_(None))
        .order_by(command_table.c.id)
    )
    return [(row.id, row.command) for row in connection.execute(query)]


def write_results(connection: Connection, handled: list[tuple[int, Mapping[str, Any]]]) -> None:
    """Note what came of commands.

    Raises:
        StoreError: there is no such command.
    """
    for command_id, result in handled:
        changed = connection.execute(
            update(command_table)
            .where(command_table.c.id == command_id)
            .values(result=dict(result))
        )
        if changed.rowcount != 1:
            raise StoreError(f"The store knows no command {command_id}")


def result_of(connection: Connection, command_id: int) -> dict[str, Any] | None:
    """Give what came of a command; none as long as it waits."""
    result: dict[str, Any] | None = connection.scalar(
        select(command_table.c.result).where(command_table.c.id == command_id)
    )
    return result


class Heartbeat(NamedTuple):
    """The newest commit: the number of the last input, the largest watch time known, the offset."""

    seq: int
    t: int
    offset_ms: int

    @property
    def utc_ms(self) -> int:
        """The instant in UTC, by the offset then in force."""
        return self.t + self.offset_ms


def newest_heartbeat(connection: Connection) -> Heartbeat | None:
    """Find the newest commit: it left a block, or else a row of its own. None in a new store."""
    row = connection.execute(
        select(heartbeat.c.seq, heartbeat.c.t_ms, heartbeat.c.offset_ms)
    ).first()
    last_block = connection.execute(
        select(
            (block.c.first_seq + block.c.length - 1).label("seq"),
            block.c.known_t_ms,
            block.c.offset_ms,
        )
        .order_by(block.c.first_seq.desc())
        .limit(1)
    ).first()
    if last_block is not None and (row is None or row.seq < last_block.seq):
        return Heartbeat(last_block.seq, last_block.known_t_ms, last_block.offset_ms)
    return None if row is None else Heartbeat(row.seq, row.t_ms, row.offset_ms)


def read_state(connection: Connection) -> SavedState | None:
    """Give the engine as last saved.

    Raises:
        ValueError: its bytes are damaged.
    """
    row = connection.execute(select(saved_state)).first()
    if row is None:
        return None
    try:
        return SavedState(row.seq, row.t_ms, zlib.decompress(row.data))
    except zlib.error as error:
        raise ValueError(f"the saved state is damaged ({error})") from error


_log = logging.getLogger(__name__)

Posted = tuple[Notice, Outcome | None]
"""A notice with its latest outcome, none before the first attempt."""


def write_notices(connection: Connection, notices: list[Notice]) -> None:
    """Add notices that have not been tried yet."""
    if notices:
        connection.execute(insert(notice_table), [_notice_row(notice) for notice in notices])


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


def _notice_row(notice: Notice) -> dict[str, Any]:
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


_COUNT = Struct("<I")


class RepeatRing:
    """The slots of the ring: which are in use, oldest first, and which comes next.

    A broker can send again at most as many messages as it may have unacknowledged; once the newer
    slots hold that many, the oldest slot is overwritten. So the ring stays small and in place.
    """

    def __init__(self, connection: Connection, most_messages: int) -> None:
        query = select(
            repeat_window_table.c.slot, repeat_window_table.c.length, repeat_window_table.c.turn
        ).order_by(repeat_window_table.c.turn)
        rows = connection.execute(query).all()
        self._most_messages = most_messages
        self._slots = deque((row.slot, row.length) for row in rows)
        self._turn = rows[-1].turn if rows else 0

    def write(
        self, connection: Connection, messages: Sequence[Repeatable], *, forget: bool
    ) -> "deque[tuple[int, int]]":
        """Write the identifiers of one commit.

        Args:
            connection: within a transaction.
            messages: in order of arrival.
            forget: the session before is lost, and all that could be repeated with it.

        Returns:
            The slots as they are once the transaction is committed; hand them to `adopt`.
        """
        slots = deque(() if forget else self._slots)
        if forget and self._slots:
            connection.execute(delete(repeat_window_table))
        if not messages:
            return slots
        newer = len(messages) + sum(count for _, count in slots)
        if slots and newer - slots[0][1] >= self._most_messages:
            slot = slots.popleft()[0]
        else:
            slot = 1 + max((slot for slot, _ in slots), default=0)
        values = {"turn": self._turn + 1, "length": len(messages), "data": _pack(messages)}
        row = upsert(repeat_window_table).values(slot=slot, **values)
        connection.execute(row.on_conflict_do_update(index_elements=["slot"], set_=values))
        slots.append((slot, len(messages)))
        return slots

    def adopt(self, slots: "deque[tuple[int, int]]") -> None:
        """Take over what `write` gave, its transaction being committed."""
        self._slots = slots
        self._turn += 1


def read_window(connection: Connection) -> list[bytes]:
    """Give what the slots hold, oldest first, each for `messages_of`.

    Args:
        connection: within a transaction.
    """
    return list(
        connection.scalars(select(repeat_window_table.c.data).order_by(repeat_window_table.c.turn))
    )


def messages_of(packed: bytes) -> list[Repeatable]:
    """Give the messages of a slot.

    Raises:
        ValueError: it is damaged.
    """
    with whole("the list of the newest messages"):
        return _unpack(packed)


def _pack(messages: Sequence[Repeatable]) -> bytes:
    identifiers = [0, *(message.packet_id for message in messages)]
    return zlib.compress(
        _COUNT.pack(len(messages))
        + pack_integers([after - before for before, after in pairwise(identifiers)])
        + pack_integers([len(message.digest) for message in messages])
        + b"".join(message.digest for message in messages)
    )


def _unpack(packed: bytes) -> list[Repeatable]:
    rest = memoryview(zlib.decompress(packed))
    (count,) = _COUNT.unpack_from(rest)
    steps, rest = unpack_integers(rest[_COUNT.size :], count)
    lengths, rest = unpack_integers(rest, count)
    ends = pairwise(accumulate(lengths, initial=0))
    return [
        Repeatable(packet_id, bytes(rest[start:end]))
        for packet_id, (start, end) in zip(accumulate(steps), ends, strict=True)
    ]
