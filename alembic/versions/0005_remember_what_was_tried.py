"""remember what was tried

Revision ID: 0005
Revises: 0004
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("outbox", sa.Column("tried", sa.BigInteger()))


def downgrade() -> None:
    raise NotImplementedError("a store isn't taken back: restore the backup from before the upgrade")
