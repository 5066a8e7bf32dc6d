"""How many messages could not be read, for each sensor: in all, and by the hour."""

import sqlalchemy as sa
from alembic import op

revision = "v0004"
down_revision = "v0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "unreadable",
        sa.Column("sensor", sa.String, primary_key=True),
        sa.Column("run_t_ms", sa.BigInteger, nullable=False),
        sa.Column("in_run", sa.BigInteger, nullable=False),
        sa.Column("total", sa.BigInteger, nullable=False),
        sa.Column("utc_ms", sa.BigInteger, nullable=False),
        sa.Column("problem", sa.Text, nullable=False),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "unreadable_hour",
        sa.Column("hour", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("sensor", sa.String, primary_key=True),
        sa.Column("t_ms", sa.BigInteger, nullable=False),
        sa.Column("messages", sa.BigInteger, nullable=False),
        sqlite_with_rowid=False,
    )
