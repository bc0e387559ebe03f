"""remember how outlets fare

Revision ID: 0002
Revises: 0001
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects import postgresql

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

NAME = sa.Text().with_variant(postgresql.TEXT(collation="C"), "postgresql")


def upgrade() -> None:
    op.create_table(
        "traffic",
        sa.Column("outlet", NAME, nullable=False),
        sa.Column("failures", sa.BigInteger(), nullable=False),
        sa.Column("trips", sa.BigInteger(), nullable=False),
        sa.Column("failing_since", sa.BigInteger()),
        sa.Column("open_until", sa.BigInteger(), nullable=False),
        sa.Column("paused_until", sa.BigInteger(), nullable=False),
        sa.Column("full_at", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("outlet", name="pk_traffic"),
    )


def downgrade() -> None:
    raise NotImplementedError("a store isn't taken back: restore the backup from before the upgrade")
