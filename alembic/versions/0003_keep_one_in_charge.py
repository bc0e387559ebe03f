"""keep one in charge

Revision ID: 0003
Revises: 0002
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects import postgresql

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

NAME = sa.Text().with_variant(postgresql.TEXT(collation="C"), "postgresql")


def upgrade() -> None:
    op.create_table(
        "lease",
        sa.Column("name", NAME, nullable=False),
        sa.Column("owner", NAME, nullable=False),
        sa.Column("life", NAME, nullable=False),
        sa.Column("term", sa.BigInteger(), nullable=False),
        sa.Column("until", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("name", name="pk_lease"),
    )
    op.create_table(
        "ask",
        sa.Column("id", NAME, nullable=False),
        sa.Column("data", sa.LargeBinary(), nullable=False),
        sa.Column("expires_at", sa.BigInteger(), nullable=False),
        sa.Column("answer", sa.LargeBinary()),
        sa.PrimaryKeyConstraint("id", name="pk_ask"),
    )
    op.add_column("journal", sa.Column("term", sa.BigInteger()))


def downgrade() -> None:
    raise NotImplementedError("a store isn't taken back: restore the backup from before the upgrade")
