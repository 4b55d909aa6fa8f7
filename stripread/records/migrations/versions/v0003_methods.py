"""A column of ``readings`` for the means by which each was made; all that are there are strips."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the column; its default fills the rows that are there, which no trigger forbids as none is updated."""
    op.add_column("readings", sa.Column("method", sa.String(16), nullable=False, server_default="strip"))
