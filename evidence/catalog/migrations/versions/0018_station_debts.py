"""what a station is still to remove of a claim that was purged at another one"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0018"
down_revision = "0017"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "station_debt",
        sa.Column("station", sa.String(length=64), nullable=False),
        sa.Column("claim", sa.String(length=200), nullable=False),
        sa.Column("since", sa.String(length=40), nullable=False),
        sa.Column("part", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("station", "claim", name=op.f("pk_station_debt")),
    )


def downgrade() -> None:
    op.drop_table("station_debt")
