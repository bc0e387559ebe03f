"""remember which lot fed what

Revision ID: 0007
Revises: 0006
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects import postgresql

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None

NAME = sa.Text().with_variant(postgresql.TEXT(collation="C"), "postgresql")


def upgrade() -> None:
    op.create_table(
        "stay",
        sa.Column("id", NAME, nullable=False),
        sa.Column("line", NAME, nullable=False),
        sa.Column("station", NAME, nullable=False),
        sa.Column("slot", NAME, nullable=False),
        sa.Column("kind", NAME),
        sa.Column("part", NAME),
        sa.Column("lot", NAME),
        sa.Column("supply", NAME),
        sa.Column("since", sa.BigInteger(), nullable=False),
        sa.Column("to_at", sa.BigInteger()),
        sa.Column("first_panel", sa.BigInteger()),
        sa.Column("last_panel", sa.BigInteger()),
        sa.Column("data", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_stay"),
    )
    op.create_index("ix_stay_since", "stay", ["since", "id"])
    op.create_index("ix_stay_slot", "stay", ["line", "station", "slot", "since", "id"])
    op.create_index("ix_stay_panels", "stay", ["line", "station", "last_panel", "first_panel"])
    for name in ("lot", "part", "supply"):
        said = sa.text(f"{name} IS NOT NULL")
        op.create_index(
            f"ix_stay_{name}", "stay", [name, "since", "id"], sqlite_where=said, postgresql_where=said
        )
    over = sa.text("to_at IS NOT NULL")
    op.create_index("ix_stay_to_at", "stay", ["to_at"], sqlite_where=over, postgresql_where=over)
    op.create_table(
        "run",
        sa.Column("id", NAME, nullable=False),
        sa.Column("line", NAME, nullable=False),
        sa.Column("station", NAME, nullable=False),
        sa.Column("order", NAME),
        sa.Column("first_panel", sa.BigInteger(), nullable=False),
        sa.Column("last_panel", sa.BigInteger()),
        sa.Column("at", sa.BigInteger(), nullable=False),
        sa.Column("data", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_run"),
    )
    op.create_index("ix_run_station", "run", ["line", "station", "first_panel"])
    named = sa.text('"order" IS NOT NULL')
    op.create_index("ix_run_order", "run", ["order", "at"], sqlite_where=named, postgresql_where=named)


def downgrade() -> None:
    raise NotImplementedError("a store isn't taken back: restore the backup from before the upgrade")
