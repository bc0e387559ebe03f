"""keep how people are reached

Revision ID: 0006
Revises: 0005
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects import postgresql

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None

NAME = sa.Text().with_variant(postgresql.TEXT(collation="C"), "postgresql")


def upgrade() -> None:
    for name in ("succeeded_at", "failed_at"):
        op.add_column("traffic", sa.Column(name, sa.BigInteger()))
    op.add_column("traffic", sa.Column("error", sa.Text()))
    op.create_table(
        "phone",
        sa.Column("device", NAME, nullable=False),
        sa.Column("outlet", NAME, nullable=False),
        sa.Column("person", NAME, nullable=False),
        sa.Column("endpoint", sa.Text(), nullable=False),
        sa.Column("p256dh", sa.LargeBinary(), nullable=False),
        sa.Column("auth", sa.LargeBinary(), nullable=False),
        sa.Column("language", NAME),
        sa.Column("created_at", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("device", "outlet", name="pk_phone"),
    )
    op.create_index("ix_phone_outlet", "phone", ["outlet"])
    op.create_index("ix_phone_person", "phone", ["person"])
    op.create_table(
        "signing_key",
        sa.Column("id", sa.SmallInteger(), autoincrement=False, nullable=False),
        sa.Column("data", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_signing_key"),
        sa.CheckConstraint("id = 1", name="ck_signing_key_one_row"),
    )


def downgrade() -> None:
    raise NotImplementedError("a store isn't taken back: restore the backup from before the upgrade")
