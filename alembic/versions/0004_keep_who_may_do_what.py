"""keep who may do what

Revision ID: 0004
Revises: 0003
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects import postgresql

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

NAME = sa.Text().with_variant(postgresql.TEXT(collation="C"), "postgresql")
NUMBER = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    op.create_table(
        "account",
        sa.Column("key", NAME, nullable=False),
        sa.Column("name", NAME, nullable=False),
        sa.Column("role", sa.Text(), nullable=False),
        sa.Column("password", sa.Text(), nullable=False),
        sa.Column("created_at", sa.BigInteger(), nullable=False),
        sa.Column("ended_at", sa.BigInteger()),
        sa.PrimaryKeyConstraint("key", name="pk_account"),
    )
    op.create_table(
        "token",
        sa.Column("name", NAME, nullable=False),
        sa.Column("digest", sa.LargeBinary(), nullable=False),
        sa.Column("role", sa.Text(), nullable=False),
        sa.Column("others", sa.Boolean(), nullable=False),
        sa.Column("created_at", sa.BigInteger(), nullable=False),
        sa.Column("expires_at", sa.BigInteger()),
        sa.Column("used_at", sa.BigInteger()),
        sa.Column("ended_at", sa.BigInteger()),
        sa.PrimaryKeyConstraint("name", name="pk_token"),
        sa.UniqueConstraint("digest", name="uq_token_digest"),
    )
    op.create_table(
        "session",
        sa.Column("digest", sa.LargeBinary(), nullable=False),
        sa.Column("account", NAME, nullable=False),
        sa.Column("created_at", sa.BigInteger(), nullable=False),
        sa.Column("used_at", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("digest", name="pk_session"),
    )
    op.create_index("ix_session_account", "session", ["account"])
    op.create_index("ix_session_used_at", "session", ["used_at"])
    op.create_table(
        "link",
        sa.Column("digest", sa.LargeBinary(), nullable=False),
        sa.Column("notice_id", NAME, nullable=False),
        sa.Column("outlet", NAME, nullable=False),
        sa.Column("created_at", sa.BigInteger(), nullable=False),
        sa.Column("expires_at", sa.BigInteger(), nullable=False),
        sa.Column("ended_at", sa.BigInteger()),
        sa.PrimaryKeyConstraint("digest", name="pk_link"),
    )
    op.create_index("ix_link_notice_id", "link", ["notice_id"])
    op.create_index("ix_link_expires_at", "link", ["expires_at"])
    op.create_table(
        "deed",
        sa.Column("id", NUMBER, sa.Identity(), nullable=False),
        sa.Column("at", sa.BigInteger(), nullable=False),
        sa.Column("who", NAME, nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("did", NAME, nullable=False),
        sa.Column("by", NAME),
        sa.Column("answer", sa.SmallInteger()),
        sa.Column("address", NAME),
        sa.PrimaryKeyConstraint("id", name="pk_deed"),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_deed_at", "deed", ["at"])


def downgrade() -> None:
    raise NotImplementedError("a store isn't taken back: restore the backup from before the upgrade")
