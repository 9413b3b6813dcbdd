"""which station a row belongs to: cards, decisions, bags, disks; originals that wait there; heads of its custody log"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0017"
down_revision = "0016"
branch_labels = None
depends_on = None

_OWNED = ("intake", "decision", "bag", "target_disk")


def upgrade() -> None:
    with op.batch_alter_table("station") as table:
        table.add_column(sa.Column("path", sa.Text(), nullable=False, server_default=""))
        table.add_column(sa.Column("head", sa.Text(), nullable=False, server_default=""))
        table.add_column(sa.Column("left_at", sa.String(length=40)))
        table.add_column(sa.Column("left_by", sa.Text()))
        table.add_column(sa.Column("left_why", sa.Text()))
    for name in _OWNED:
        with op.batch_alter_table(name) as table:
            table.add_column(sa.Column("station", sa.String(length=64), nullable=False, server_default=""))
    op.create_table(
        "waiting_at",
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("station", sa.String(length=64), nullable=False),
        sa.PrimaryKeyConstraint("sha256", "station", name=op.f("pk_waiting_at")),
    )
    op.create_table(
        "noted_head",
        sa.Column("station", sa.String(length=64), nullable=False),
        sa.Column("noted_by", sa.String(length=64), nullable=False),
        sa.Column("head", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("station", "noted_by", name=op.f("pk_noted_head")),
    )


def downgrade() -> None:
    op.drop_table("noted_head")
    op.drop_table("waiting_at")
    for name in _OWNED:
        with op.batch_alter_table(name) as table:
            table.drop_column("station")
    with op.batch_alter_table("station") as table:
        for name in ("left_why", "left_by", "left_at", "head", "path"):
            table.drop_column(name)
