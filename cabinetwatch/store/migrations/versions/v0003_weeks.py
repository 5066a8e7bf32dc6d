"""The frozen figures of closed weeks, and notices that tell of one, to whom they say."""

import sqlalchemy as sa
from alembic import op

revision = "v0003"
down_revision = "v0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "week",
        sa.Column("name", sa.String, primary_key=True),
        sa.Column("utc_ms", sa.BigInteger, nullable=False),
        sa.Column("figures", sa.JSON, nullable=False),
    )
    op.add_column("notice", sa.Column("recipients", sa.JSON))
    op.add_column("notice", sa.Column("week", sa.String))
