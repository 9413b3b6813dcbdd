"""counts of each claim's required shots, kept for the list of claims"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "tally",
        sa.Column("claim", sa.String(length=200), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("basis", sa.String(length=64), nullable=False),
        sa.Column("met", sa.Integer(), nullable=False),
        sa.Column("guessed", sa.Integer(), nullable=False),
        sa.Column("missing", sa.Integer(), nullable=False),
        sa.Column("waived", sa.Integer(), nullable=False),
        sa.Column("flags", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("claim", name=op.f("pk_tally")),
    )


def downgrade() -> None:
    op.drop_table("tally")
