"""divide the floor among shards

Revision ID: 0009
Revises: 0008
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects import postgresql

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None

NAME = sa.Text().with_variant(postgresql.TEXT(collation="C"), "postgresql")
NUMBER = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    op.create_table(
        "shard",
        sa.Column("name", NAME, nullable=False),
        sa.Column("data", sa.LargeBinary(), nullable=False),
        sa.Column("registered_at", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("name", name="pk_shard"),
    )
    op.create_table(
        "word",
        sa.Column("id", NUMBER, sa.Identity(), nullable=False),
        sa.Column("at", sa.BigInteger(), nullable=False),
        sa.Column("data", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_word"),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_word_at", "word", ["at"])
    # Deliveries of several shards are listed together by when they were made.
    op.create_index("ix_outbox_created_at", "outbox", ["created_at", "id"])


def downgrade() -> None:
    raise NotImplementedError("a store isn't taken back: restore the backup from before the upgrade")
