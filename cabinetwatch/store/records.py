"""What one transaction writes: the records, and the one writer that turns them into rows.

Whatever the engine, delivery and the people's commands leave behind travels as a `Batch` from its
thread to that of the store. The writer numbers the inputs and keeps, between commits, what the last
one left. A commit is all or nothing, in the file and in what the writer knows: so a batch that was
refused can be committed again.
"""

import logging
import threading
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from hashlib import blake2b
from itertools import accumulate, groupby, pairwise
from struct import Struct
from typing import Any, Literal, NamedTuple, cast

from sqlalchemy import Connection, Table, delete, func, insert, select, update
from sqlalchemy.dialects import sqlite

from cabinetwatch.store import schema
from cabinetwatch.store.codecs import (
    FigureMinute,
    encode_block,
    encode_figures,
    pack_integers,
    unpack_integers,
)
from cabinetwatch.store.database import Database, upsert
from cabinetwatch.store.inputs import hand_over, last_seq, sensor_names
from cabinetwatch.store.place import whole
from cabinetwatch.text import StoreError
from cabinetwatch.watch.events import Account, Entry, EntryKind, Reading, Transition

_log = logging.getLogger(__name__)

HOUR_MS = 3_600_000

Channel = str
"""A way by which a notice reaches somebody: one of `config.services.Notify.channels`."""

NoticeKind = Literal[
    "raise", "worse", "return", "repeat", "change", "digest", "test", "summary", "again", "system"
]
"""Why a notice is written: an incident opens, gets worse, is over, or is on still (`repeat`).
`change` tells of a transition that is neither raise nor return, `summary` of a week. Never written
are `again`, which gives a broker back what it should retain, and `system`, a mail that tells of no
alarm, such as a guard's."""

Status = Literal["waiting", "delivered", "failed", "merged", "withdrawn"]
"""What became of a notice. `waiting`: tried, to be tried again; `failed`: given up for good;
`merged`: told by another notice, a digest; `withdrawn`: not needed, for somebody else answered in
time, or its recipient never heard of what is over, or is no longer in the configuration."""


@dataclass(frozen=True, slots=True)
class Notice:
    """One thing to tell by one channel, written together with the transitions it tells of.

    `id` is unique for ever. `t` is watch time (ms), `utc_ms` the same instant in UTC. `message_id`
    is fixed here, before the first attempt, so that a mail doubled by a kill can be told as a
    double; `in_reply_to` is the Message-ID of the mail that opened the incident. `accounts` are
    those of its incidents as they were when it was written; none where it tells of no incident.

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
    accounts: tuple[Account, ...] = ()


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


Posted = tuple[Notice, Outcome | None]
"""A notice with its latest outcome, none before the first attempt."""


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


class ClosedWeek(NamedTuple):
    """The figures of an ISO week such as 2026-W47, frozen at `utc_ms`."""

    name: str
    utc_ms: int
    figures: Mapping[str, Any]


class Receipt(NamedTuple):
    """A message to acknowledge once what it brought is on disk, on its own connection only."""

    epoch: int
    packet_id: int


class Repeatable(NamedTuple):
    """What tells a committed message again: its packet identifier (1 to 65535) and digest."""

    packet_id: int
    digest: bytes

    @classmethod
    def of(cls, packet_id: int, topic: str, payload: bytes) -> "Repeatable":
        """Make the identifier of a message as it came in."""
        # A topic holds no NUL (MQTT 5.0, 1.5.4), so that the two parts can't be mistaken. Digests
        # are compared only under one packet identifier: 48 bits are plenty.
        message = topic.encode("utf-8", "surrogatepass") + b"\0" + payload
        return cls(packet_id, blake2b(message, digest_size=6).digest())


@dataclass(slots=True)
class Batch:
    """What goes to the store together: one transaction writes all of it or nothing.

    `advanced_to` (watch ms) and `offset_ms` (to be added for UTC) stand as the engine left them;
    None in a batch that does not come from it: they stay as the commit before left them. `inputs`
    are in the very order the engine was told; a transition stands in the batch of the inputs judged
    before it, or a later one. `window` identifies the messages that `receipts` acknowledge after
    the commit, of the present session only. `handled` are commands' row ids with their results.
    `state` is the serialised engine as it stood after the last of `inputs`. Something `journaled`
    can't wait. Readings that are `foreign` were taken elsewhere: how far the watch has come stays
    as it was. `done` are set once all of it is on disk.
    """

    advanced_to: int | None = None
    offset_ms: int | None = None
    inputs: list[Reading | Entry] = field(default_factory=list)
    window: list[Repeatable] = field(default_factory=list)
    transitions: list[Transition] = field(default_factory=list)
    notices: list[Notice] = field(default_factory=list)
    outcomes: list[Outcome] = field(default_factory=list)
    handled: list[tuple[int, Mapping[str, Any]]] = field(default_factory=list)
    figures: list[FigureMinute] = field(default_factory=list)
    unreadable: list[Unreadable] = field(default_factory=list)
    weeks: list[ClosedWeek] = field(default_factory=list)
    receipts: list[Receipt] = field(default_factory=list)
    done: list[threading.Event] = field(default_factory=list)
    state: bytes | None = None
    journaled: bool = False
    foreign: bool = False

    @property
    def urgent(self) -> bool:
        """Whether it must be on disk at once: somebody waits for it."""
        answers = self.outcomes or self.handled or self.weeks or self.state
        return bool(self.transitions or self.notices or answers or self.journaled)

    @property
    def empty(self) -> bool:
        """Whether there is nothing to write or to acknowledge; what is `unreadable` can wait."""
        return not (self.inputs or self.receipts or self.figures or self.urgent)

    @property
    def loses_session(self) -> bool:
        """Whether the broker has lost the session: no message from before can come again."""
        return any(
            isinstance(item, Entry)
            and item.kind is EntryKind.CONNECT
            and not item.data.get("session_present", False)
            for item in self.inputs
        )

    def take_receipts(self, most: int) -> list[Receipt]:
        """Take out the oldest receipts, at most so many."""
        taken = self.receipts[:most]
        del self.receipts[:most]
        return taken

    def append(self, later: "Batch") -> None:
        """Put what came later behind this; unreadable messages stay one a sensor and hour."""
        if later.advanced_to is not None:
            self.advanced_to, self.offset_ms = later.advanced_to, later.offset_ms
        if later.inputs or later.state is not None:
            # A state that is saved must know all that is written with it, or a start would miss it.
            self.state = later.state
        if later.loses_session:
            self.window.clear()
        self.journaled = self.journaled or later.journaled
        for name in (each.name for each in fields(self) if each.name != "unreadable"):
            mine = getattr(self, name)
            if isinstance(mine, list):
                mine += getattr(later, name)
        if later.unreadable:
            counted: dict[tuple[str, int, int], Unreadable] = {}
            for each in (*self.unreadable, *later.unreadable):
                key = each.sensor, each.run_t, each.utc_ms // HOUR_MS
                before = counted[key].messages if key in counted else 0
                counted[key] = each._replace(messages=before + each.messages)
            self.unreadable = list(counted.values())


class SavedState(NamedTuple):
    """The engine as it stood after input number `seq`, advanced to watch time `t` (ms)."""

    seq: int
    t: int
    data: bytes


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
    row = connection.execute(select(schema.heartbeat)).first()
    last_block = _last_block(connection)
    if last_block is not None:
        last = last_block.first_seq + last_block.length - 1
        if row is None or row.seq < last:
            return Heartbeat(last, last_block.known_t_ms, last_block.offset_ms)
    return None if row is None else Heartbeat(row.seq, row.t_ms, row.offset_ms)


def _last_block(connection: Connection) -> Any:
    block = schema.block.c
    newest = select(block.first_seq, block.length, block.known_t_ms, block.offset_ms)
    return connection.execute(newest.order_by(block.first_seq.desc()).limit(1)).first()


_MOST_READINGS = 8192  # in one block: what a reader must unpack at once


@dataclass(slots=True)
class _Left:
    """What a commit leaves for the next one to go on from.

    `known_t` is the largest watch time known with the last block. `numbers` are those of sensors,
    `offsets` all that were ever in force. `slots` are those of the ring of repeats that are in use,
    each with its count of messages, oldest first; `turn` numbers its rows.
    """

    seq: int
    newest: Heartbeat | None
    known_t: int | None
    numbers: dict[str, int]
    offsets: set[int]
    slots: list[tuple[int, int]]
    turn: int


class Writer:
    """Numbers the inputs and writes batches."""

    def __init__(self, database: Database, window_messages: int) -> None:
        """Pick up where the last commit ended. The lock is held.

        The broker may have so many messages unacknowledged.
        """
        self._database = database
        self._window_messages = window_messages
        ring = schema.repeat_window.c
        with database.reading() as connection:
            slots = connection.execute(
                select(ring.slot, ring.length, ring.turn).order_by(ring.turn)
            ).all()
            last_block = _last_block(connection)
            self._left = _Left(
                seq=last_seq(connection),
                newest=newest_heartbeat(connection),
                known_t=None if last_block is None else last_block.known_t_ms,
                numbers={name: number for number, name in sensor_names(connection).items()},
                offsets=set(connection.scalars(select(schema.clock_offset.c.offset_ms))),
                slots=[(row.slot, row.length) for row in slots],
                turn=slots[-1].turn if slots else 0,
            )

    @property
    def seq(self) -> int:
        """The number of the last input that was committed."""
        return self._left.seq

    def commit(self, batch: Batch) -> None:
        """Write the whole batch in one transaction."""
        before = self._left
        left = replace(
            before,
            numbers=dict(before.numbers),
            offsets=set(before.offsets),
            slots=list(before.slots),
            turn=before.turn + 1,
        )
        newest = before.newest or Heartbeat(0, 0, 0)
        t = newest.t if batch.advanced_to is None else batch.advanced_to
        offset_ms = newest.offset_ms if batch.offset_ms is None else batch.offset_ms
        blocks, entries, left.newest = _numbered(batch, left, t, offset_ms)
        sensors = [
            {"name": name, "number": number}
            for name, number in left.numbers.items()
            if name not in before.numbers
        ]
        with self._database.writing() as connection:
            _insert(connection, schema.sensor, sensors)
            offsets = [{"offset_ms": each} for each in left.offsets - before.offsets]
            _insert(connection, schema.clock_offset, offsets)
            _insert(connection, schema.block, blocks)
            _insert(connection, schema.journal, entries)
            _write_heartbeat(connection, left.newest, blocks)
            _insert(connection, schema.transition, list(map(_transition_row, batch.transitions)))
            _insert(connection, schema.notice, list(map(_notice_row, batch.notices)))
            _write_outcomes(connection, batch.outcomes)
            _write_results(connection, batch.handled)
            figures = [
                {"t_ms": t, "utc_ms": minute.utc_ms, "data": encode_figures(minute)}
                for minute in batch.figures
            ]
            _insert(connection, schema.figure_minute, figures)
            _count_unreadable(connection, batch.unreadable)
            for week in batch.weeks:
                # One that is there already stays as it is.
                row = {"name": week.name, "utc_ms": week.utc_ms, "figures": dict(week.figures)}
                frozen = sqlite.insert(schema.week).values(row)
                connection.execute(frozen.on_conflict_do_nothing())
            for item in batch.inputs:
                if isinstance(item, Entry) and item.kind is EntryKind.RENAME and item.is_whole:
                    hand_over(connection, item.data["old"], item.data["new"])
            if batch.state is not None:
                state = {"seq": left.seq, "t_ms": t, "data": zlib.compress(batch.state)}
                upsert(connection, schema.saved_state, {"id": 1}, state)
            self._write_window(connection, batch, left)
        self._left = left

    def _write_window(self, connection: Connection, batch: Batch, left: _Left) -> None:
        """Write what identifies the messages of a batch into a slot of the ring.

        A broker can send again at most as many messages as it may have unacknowledged; once the
        newer slots hold that many, the oldest is overwritten. So the ring stays small and in place.
        """
        if batch.loses_session and left.slots:
            left.slots.clear()
            connection.execute(delete(schema.repeat_window))
        if not batch.window:
            return
        kept = len(batch.window) + sum(count for _, count in left.slots[1:])
        if left.slots and kept >= self._window_messages:
            slot, _ = left.slots.pop(0)
        else:
            slot = 1 + max((slot for slot, _ in left.slots), default=0)
        left.slots.append((slot, len(batch.window)))
        row = {"turn": left.turn, "length": len(batch.window), "data": _pack_window(batch.window)}
        upsert(connection, schema.repeat_window, {"slot": slot}, row)


Rows = list[dict[str, Any]]


def _numbered(batch: Batch, left: _Left, t: int, offset_ms: int) -> tuple[Rows, Rows, Heartbeat]:
    """Cut the inputs into blocks of readings and entries of the journal, numbered on from `left`.

    Within a batch an entry can change the offset: readings before it are under the one before.
    """
    blocks: Rows = []
    entries: Rows = []
    newest = left.newest
    lived_t = t if newest is None else max(t, newest.t)
    at_end_ms = offset_ms
    if newest is not None and any(map(_tells_offset, batch.inputs)):
        offset_ms = newest.offset_ms
    for is_entry, items in groupby(batch.inputs, lambda item: isinstance(item, Entry)):
        if is_entry:
            for entry in cast("Sequence[Entry]", items):
                left.seq += 1
                lived_t = max(lived_t, entry.t)
                if _tells_offset(entry):
                    offset_ms = int(entry.data["offset_ms"])
                row = {"seq": left.seq, "t_ms": entry.t, "kind": entry.kind.value}
                entries.append(row | {"data": dict(entry.data)})
            continue
        readings = cast("list[Reading]", list(items))
        left.offsets.add(offset_ms)
        for start in range(0, len(readings), _MOST_READINGS):
            part = readings[start : start + _MOST_READINGS]
            times = [reading.t for reading in part]
            lived_t = max(lived_t, *times)
            left.known_t = lived_t if left.known_t is None else max(left.known_t, lived_t)
            blocks.append(
                {
                    "first_seq": left.seq + 1,
                    "length": len(part),
                    "t_min_ms": min(times),
                    "t_max_ms": max(times),
                    "known_t_ms": left.known_t,
                    "offset_ms": offset_ms,
                    "data": encode_block(
                        part, lambda name: left.numbers.setdefault(name, len(left.numbers) + 1)
                    ),
                }
            )
            left.seq += len(part)
    if batch.foreign and newest is not None:
        lived_t = newest.t
    return blocks, entries, Heartbeat(left.seq, lived_t, at_end_ms)


def _tells_offset(item: Reading | Entry) -> bool:
    tells = {EntryKind.START, EntryKind.OFFSET}
    return isinstance(item, Entry) and item.kind in tells and "offset_ms" in item.data


def _insert(connection: Connection, table: Table, rows: Rows) -> None:
    if rows:
        connection.execute(insert(table), rows)


def _write_heartbeat(connection: Connection, newest: Heartbeat, blocks: Rows) -> None:
    """Note how far the watch has come, unless the last block says it: no other page is touched."""
    if blocks:
        last = blocks[-1]
        end = last["first_seq"] + last["length"] - 1
        if newest == (end, last["known_t_ms"], last["offset_ms"]):
            return
    row = {"seq": newest.seq, "t_ms": newest.t, "offset_ms": newest.offset_ms}
    upsert(connection, schema.heartbeat, {"id": 1}, row)


def _transition_row(transition: Transition) -> dict[str, Any]:
    return {
        "utc_ms": transition.utc_ms,
        "alarm_id": transition.id,
        "subject": transition.subject,
        "condition": transition.condition,
        "state": transition.state.value,
        "record": transition.record(),
    }


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
        "accounts": [account.public() for account in notice.accounts] or None,
    }


def posted(row: Any) -> Posted:
    """Give a notice with its latest outcome out of a row, or what has its columns."""
    notice = Notice(
        row.id,
        row.channel,
        row.kind,
        row.t_ms,
        row.utc_ms,
        tuple(Transition.from_record(record) for record in row.transitions),
        row.message_id,
        row.in_reply_to,
        tuple(row.recipients or ()),
        row.week,
        tuple(Account.from_public(each) for each in getattr(row, "accounts", None) or ()),
    )
    if row.status is None:
        return notice, None
    done = tuple(row.recipients_done)
    return notice, Outcome(
        row.id, row.status, row.outcome_t_ms, row.attempts, row.error, done, row.merged_into
    )


def _write_outcomes(connection: Connection, outcomes: Sequence[Outcome]) -> None:
    """Note the latest outcome of notices already written.

    One of a notice that is not there is passed over and logged: refused, it would hold up every
    reading that is to be written with it.
    """
    table = schema.notice
    for outcome in outcomes:
        row = {
            "status": outcome.status,
            "outcome_t_ms": outcome.t,
            "attempts": outcome.attempts,
            # A server's bytes that were no UTF-8 arrive as lone surrogates, which can't be stored.
            "error": outcome.error.encode("utf-8", "backslashreplace").decode("utf-8"),
            "recipients_done": list(outcome.recipients_done),
            "merged_into": outcome.merged_into,
        }
        of_notice = update(table).where(table.c.id == outcome.notice_id)
        if connection.execute(of_notice.values(row)).rowcount != 1:
            _log.warning("an outcome of the unknown notice %r is passed over", outcome.notice_id)


def _write_results(
    connection: Connection, handled: Sequence[tuple[int, Mapping[str, Any]]]
) -> None:
    table = schema.command
    for command_id, result in handled:
        answered = update(table).where(table.c.id == command_id).values(result=dict(result))
        if connection.execute(answered).rowcount != 1:
            raise StoreError(f"The store knows no command {command_id}")


def _count_unreadable(connection: Connection, counts: Sequence[Unreadable]) -> None:
    total, hour = schema.unreadable, schema.unreadable_hour
    for each in counts:
        last = {"run_t_ms": each.run_t, "utc_ms": each.utc_ms, "problem": each.problem}
        in_run = func.iif(total.c.run_t_ms == each.run_t, total.c.in_run, 0) + each.messages
        upsert(
            connection,
            total,
            {"sensor": each.sensor},
            last | {"in_run": each.messages, "total": each.messages},
            last | {"in_run": in_run, "total": total.c.total + each.messages},
        )
        upsert(
            connection,
            hour,
            {"hour": each.utc_ms // HOUR_MS, "sensor": each.sensor},
            {"t_ms": each.t, "messages": each.messages},
            {"t_ms": each.t, "messages": hour.c.messages + each.messages},
        )


_COUNT = Struct("<I")


def _pack_window(messages: Sequence[Repeatable]) -> bytes:
    identifiers = [0, *(message.packet_id for message in messages)]
    return zlib.compress(
        _COUNT.pack(len(messages))
        + pack_integers([after - before for before, after in pairwise(identifiers)])
        + pack_integers([len(message.digest) for message in messages])
        + b"".join(message.digest for message in messages)
    )


def unpack_window(packed: bytes) -> list[Repeatable]:
    """Give the messages that a slot of the ring holds.

    Raises:
        ValueError: it is damaged.
    """
    with whole("the list of the newest messages"):
        rest = memoryview(zlib.decompress(packed))
        (count,) = _COUNT.unpack_from(rest)
        steps, rest = unpack_integers(rest[_COUNT.size :], count)
        lengths, rest = unpack_integers(rest, count)
        ends = pairwise(accumulate(lengths, initial=0))
        return [
            Repeatable(packet_id, bytes(rest[start:end]))
            for packet_id, (start, end) in zip(accumulate(steps), ends, strict=True)
        ]
