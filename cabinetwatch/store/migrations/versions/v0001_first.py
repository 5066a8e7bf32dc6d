"""The first schema: blocks of readings, journal, alarms, outbox, commands."""

import sqlalchemy as sa
from alembic import op

revision = "v0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    _inputs()
    _alarms()
    _outbox()
    _daemon()


def _inputs() -> None:
    op.create_table(
        "sensor",
        sa.Column("number", sa.Integer, primary_key=True),
        sa.Column("name", sa.String, nullable=False, unique=True),
    )
    op.create_table(
        "block",
        sa.Column("first_seq", sa.Integer, primary_key=True),
        sa.Column("length", sa.Integer, nullable=False),
        sa.Column("t_min_ms", sa.BigInteger, nullable=False),
        sa.Column("t_max_ms", sa.BigInteger, nullable=False),
        sa.Column("known_t_ms", sa.BigInteger, nullable=False),
        sa.Column("offset_ms", sa.BigInteger, nullable=False),
        sa.Column("data", sa.LargeBinary, nullable=False),
    )
    op.create_table(
        "journal",
        sa.Column("seq", sa.Integer, primary_key=True),
        sa.Column("t_ms", sa.BigInteger, nullable=False),
        sa.Column("kind", sa.String, nullable=False),
        sa.Column("data", sa.JSON, nullable=False),
    )
    op.create_index("journal_by_kind", "journal", ["kind", "seq"])
    op.create_table(
        "clock_offset",
        sa.Column("offset_ms", sa.BigInteger, primary_key=True, autoincrement=False),
    )
    op.create_table(
        "heartbeat",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("seq", sa.BigInteger, nullable=False),
        sa.Column("t_ms", sa.BigInteger, nullable=False),
        sa.Column("offset_ms", sa.BigInteger, nullable=False),
    )


def _alarms() -> None:
    op.create_table(
        "transition",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("utc_ms", sa.BigInteger, nullable=False),
        sa.Column("alarm_id", sa.String, nullable=False),
        sa.Column("subject", sa.String, nullable=False),
        sa.Column("condition", sa.String, nullable=False),
        sa.Column("state", sa.String, nullable=False),
        sa.Column("record", sa.JSON, nullable=False),
    )
    op.create_index("transition_by_time", "transition", ["utc_ms"])
    op.create_index("transition_by_occurrence", "transition", ["alarm_id"])
    op.create_index("transition_by_alarm", "transition", ["subject", "condition", "id"])


def _outbox() -> None:
    op.create_table(
        "notice",
        sa.Column("number", sa.Integer, primary_key=True),
        sa.Column("id", sa.String, nullable=False, unique=True),
        sa.Column("channel", sa.String, nullable=False),
        sa.Column("kind", sa.String, nullable=False),
        sa.Column("t_ms", sa.BigInteger, nullable=False),
        sa.Column("utc_ms", sa.BigInteger, nullable=False),
        sa.Column("message_id", sa.String, nullable=False),
        sa.Column("in_reply_to", sa.String),
        sa.Column("transitions", sa.JSON, nullable=False),
        sa.Column("status", sa.String),
        sa.Column("outcome_t_ms", sa.BigInteger),
        sa.Column("attempts", sa.Integer),
        sa.Column("error", sa.Text),
        sa.Column("recipients_done", sa.JSON),
        sa.Column("merged_into", sa.String),
    )
    op.create_index("notice_by_time", "notice", ["utc_ms"])
    waiting = sa.text("status IS NULL OR status = 'waiting'")
    op.create_index("notice_waiting", "notice", ["number"], sqlite_where=waiting)


def _daemon() -> None:
    op.create_table(
        "command",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("utc_ms", sa.BigInteger, nullable=False),
        sa.Column("command", sa.JSON, nullable=False),
        sa.Column("result", sa.JSON),
        sqlite_autoincrement=True,
    )
    waiting = sa.text("result IS NULL")
    op.create_index("command_waiting", "command", ["id"], sqlite_where=waiting)
    op.create_table(
        "repeat_window",
        sa.Column("slot", sa.Integer, primary_key=True),
        sa.Column("turn", sa.Integer, nullable=False),
        sa.Column("length", sa.Integer, nullable=False),
        sa.Column("data", sa.LargeBinary, nullable=False),
    )
    op.create_table(
        "saved_state",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("seq", sa.BigInteger, nullable=False),
        sa.Column("t_ms", sa.BigInteger, nullable=False),
        sa.Column("data", sa.LargeBinary, nullable=False),
    )
