"""Tiers of minutes and quarter-hours, the upkeep's marks, and the history of the file's size."""

import sqlalchemy as sa
from alembic import op

revision = "v0002"
down_revision = "v0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    _tier("minute_block")
    _tier("quarter_block")
    op.create_table(
        "figure_minute",
        sa.Column("number", sa.Integer, primary_key=True),
        sa.Column("t_ms", sa.BigInteger, nullable=False),
        sa.Column("utc_ms", sa.BigInteger, nullable=False),
        sa.Column("data", sa.LargeBinary, nullable=False),
    )
    op.create_table(
        "upkeep",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("derived_seq", sa.BigInteger, nullable=False),
        sa.Column("pruned_seq", sa.BigInteger, nullable=False),
    )
    op.create_table(
        "size_sample",
        sa.Column("t_ms", sa.BigInteger, primary_key=True, autoincrement=False),
        sa.Column("bytes", sa.BigInteger, nullable=False),
    )


def _tier(name: str) -> None:
    op.create_table(
        name,
        sa.Column("number", sa.Integer, primary_key=True),
        sa.Column("subject", sa.String, nullable=False),
        sa.Column("day", sa.Integer, nullable=False),
        sa.Column("t_ms", sa.BigInteger, nullable=False),
        sa.Column("is_part", sa.Boolean, nullable=False),
        sa.Column("data", sa.LargeBinary, nullable=False),
    )
    op.create_index(f"{name}_by_subject", name, ["subject", "day"])
    op.create_index(f"{name}_parts", name, ["day", "subject"], sqlite_where=sa.text("is_part = 1"))
