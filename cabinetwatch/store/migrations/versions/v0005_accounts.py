"""What a notice shows people: the accounts of its incidents, as they were when it was written."""

import sqlalchemy as sa
from alembic import op

revision = "v0005"
down_revision = "v0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("notice", sa.Column("accounts", sa.JSON(none_as_null=True)))
