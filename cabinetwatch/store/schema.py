"""The tables of the store. Migrations build them; a test holds the two against each other."""

from typing import Any

from sqlalchemy import (
    JSON,
    BigInteger,
    Boolean,
    Column,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Table,
    Text,
    text,
)
from sqlalchemy.types import TypeEngine

APPLICATION_ID = 0x63617477
"""Stands in the header of each file of ours, so that no other program's database is touched."""

REVISIONS = ("v0001", "v0002", "v0003", "v0004", "v0005")
"""All versions of the schema, oldest first; the last is the one written here."""

metadata = MetaData()


def _required(**kinds: type[TypeEngine[Any]]) -> list[Column[Any]]:
    """Make columns, none of which may be null, by their names."""
    return [Column(name, kind, nullable=False) for name, kind in kinds.items()]


sensor = Table(
    "sensor",
    metadata,
    Column("number", Integer, primary_key=True),
    Column("name", String, nullable=False, unique=True),
)
"""The short numbers under which blocks keep their sensors."""

block = Table(
    "block",
    metadata,
    Column("first_seq", Integer, primary_key=True),
    *_required(
        length=Integer,
        t_min_ms=BigInteger,
        t_max_ms=BigInteger,
        known_t_ms=BigInteger,
        offset_ms=BigInteger,
        data=LargeBinary,
    ),
)
"""Readings, one row for each stretch between two journal entries or commits.

Only ever appended to, and without an index of its own: each commit touches the last page alone.
`known_t_ms` is the largest watch time known when the row was written, so it never falls.
"""

journal = Table(
    "journal",
    metadata,
    Column("seq", Integer, primary_key=True),
    *_required(t_ms=BigInteger, kind=String, data=JSON),
    Index("journal_by_kind", "kind", "seq"),
)
"""All that the engine was told beside readings, numbered in one sequence with them."""

clock_offset = Table(
    "clock_offset", metadata, Column("offset_ms", BigInteger, primary_key=True, autoincrement=False)
)
"""Every UTC offset that was ever in force: bounds the search for a stretch of UTC."""

heartbeat = Table(
    "heartbeat",
    metadata,
    Column("id", Integer, primary_key=True),
    *_required(seq=BigInteger, t_ms=BigInteger, offset_ms=BigInteger),
)
"""One row: the newest commit that brought no block, or one with readings taken elsewhere."""


def _tier_table(name: str) -> Table:
    """Make the table of a tier: one row for each block of a subject's figures on a day of UTC.

    What is new is written as small parts; when its day is over they are merged into one row.
    `t_ms` is the largest watch time known when the newest of it was written.
    """
    return Table(
        name,
        metadata,
        Column("number", Integer, primary_key=True),
        *_required(subject=String, day=Integer, t_ms=BigInteger, is_part=Boolean, data=LargeBinary),
        Index(f"{name}_by_subject", "subject", "day"),
        Index(f"{name}_parts", "day", "subject", sqlite_where=text("is_part = 1")),
    )


minute_block = _tier_table("minute_block")
quarter_block = _tier_table("quarter_block")

figure_minute = Table(
    "figure_minute",
    metadata,
    Column("number", Integer, primary_key=True),
    *_required(t_ms=BigInteger, utc_ms=BigInteger, data=LargeBinary),
)
"""Minutes of the devices' figures that are not in the tiers yet."""

upkeep = Table(
    "upkeep",
    metadata,
    Column("id", Integer, primary_key=True),
    *_required(derived_seq=BigInteger, pruned_seq=BigInteger),
)
"""One row: the last input whose reading is in the tiers, and the last one that was pruned."""

size_sample = Table(
    "size_sample",
    metadata,
    Column("t_ms", BigInteger, primary_key=True, autoincrement=False),
    Column("bytes", BigInteger, nullable=False),
)
"""How much of the file was in use, now and then: from it the growth is told."""

transition = Table(
    "transition",
    metadata,
    Column("id", Integer, primary_key=True),
    *_required(
        utc_ms=BigInteger,
        alarm_id=String,
        subject=String,
        condition=String,
        state=String,
        record=JSON,
    ),
    Index("transition_by_time", "utc_ms"),
    Index("transition_by_occurrence", "alarm_id"),
    Index("transition_by_alarm", "subject", "condition", "id"),
)

notice = Table(
    "notice",
    metadata,
    Column("number", Integer, primary_key=True),
    Column("id", String, nullable=False, unique=True),
    *_required(channel=String, kind=String, t_ms=BigInteger, utc_ms=BigInteger, message_id=String),
    Column("in_reply_to", String),
    Column("transitions", JSON, nullable=False),
    Column("recipients", JSON(none_as_null=True)),
    Column("week", String),
    Column("accounts", JSON(none_as_null=True)),
    # What became of it; all null before the first attempt.
    Column("status", String),
    Column("outcome_t_ms", BigInteger),
    Column("attempts", Integer),
    Column("error", Text),
    Column("recipients_done", JSON(none_as_null=True)),
    Column("merged_into", String),
    Index("notice_by_time", "utc_ms"),
    Index("notice_waiting", "number", sqlite_where=text("status IS NULL OR status = 'waiting'")),
)
"""The outbox: each notice with its latest outcome."""

week = Table(
    "week",
    metadata,
    Column("name", String, primary_key=True),
    *_required(utc_ms=BigInteger, figures=JSON),
)
"""The figures of each ISO week, frozen when it had closed, and when that was."""

unreadable = Table(
    "unreadable",
    metadata,
    Column("sensor", String, primary_key=True),
    *_required(
        run_t_ms=BigInteger, in_run=BigInteger, total=BigInteger, utc_ms=BigInteger, problem=Text
    ),
    sqlite_with_rowid=False,
)
"""The messages that each sensor could not be read from: in the run that began at `run_t_ms`, and
ever; when the last one came, and what was wrong with it."""

unreadable_hour = Table(
    "unreadable_hour",
    metadata,
    Column("hour", Integer, primary_key=True, autoincrement=False),
    Column("sensor", String, primary_key=True),
    *_required(t_ms=BigInteger, messages=BigInteger),
    sqlite_with_rowid=False,
)
"""The same by hours of UTC, counted from 1970; `t_ms` is the watch time of the newest."""

command = Table(
    "command",
    metadata,
    Column("id", Integer, primary_key=True),
    *_required(utc_ms=BigInteger, command=JSON),
    Column("result", JSON(none_as_null=True)),
    Index("command_waiting", "id", sqlite_where=text("result IS NULL")),
    sqlite_autoincrement=True,
)
"""What people ask of the daemon; any process may add a row."""

repeat_window = Table(
    "repeat_window",
    metadata,
    Column("slot", Integer, primary_key=True),
    *_required(turn=Integer, length=Integer, data=LargeBinary),
)
"""A ring of the latest committed messages' identifiers; old slots are overwritten."""

saved_state = Table(
    "saved_state",
    metadata,
    Column("id", Integer, primary_key=True),
    *_required(seq=BigInteger, t_ms=BigInteger, data=LargeBinary),
)
"""One row: the engine as it stood after an input."""
