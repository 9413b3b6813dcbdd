"""which ledgers and record files each target's disk lacks; every disk is compared once, as no list was kept"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "pushed_file_due",
        sa.Column("disk", sa.String(length=64), nullable=False),
        sa.Column("name", sa.String(length=200), nullable=False),
        sa.Column("mark", sa.String(length=32), nullable=False),
        sa.PrimaryKeyConstraint("disk", "name", name=op.f("pk_pushed_file_due")),
    )
    op.execute("DELETE FROM target_disk")


def downgrade() -> None:
    op.drop_table("pushed_file_due")
