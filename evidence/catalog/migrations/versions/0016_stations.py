"""the archives that the catalog belongs to; a catalog of an earlier program gets its archive at its first opening"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0016"
down_revision = "0015"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "station",
        sa.Column("archive", sa.String(length=64), nullable=False),
        sa.Column("name", sa.String(length=60), nullable=False),
        sa.Column("added_at", sa.String(length=40), nullable=False),
        sa.Column("added_by", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("archive", name=op.f("pk_station")),
        sa.UniqueConstraint("name", name=op.f("uq_station_name")),
    )


def downgrade() -> None:
    op.drop_table("station")
