"""what each target's disk holds of each bag, the photos of each decision, and indexes for one claim and one size"""

from __future__ import annotations

import json
from collections.abc import Iterable
from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None

_INDEXES = {
    "ix_held_in_claim": ("held_in", ["claim"]),
    "ix_bag_dirty": ("bag", ["dirty", "claim"]),
    "ix_original_size": ("original", ["size"]),
    "ix_decision_claim": ("decision", ["claim"]),
}


def upgrade() -> None:
    op.create_table(
        "target_disk",
        sa.Column("disk", sa.String(length=64), nullable=False),
        sa.Column("place", sa.String(length=100), nullable=False),
        sa.Column("head", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("disk", name=op.f("pk_target_disk")),
    )
    op.create_table(
        "pushed_bag",
        sa.Column("disk", sa.String(length=64), nullable=False),
        sa.Column("claim", sa.String(length=200), nullable=False),
        sa.Column("tag_manifest", sa.String(length=64), nullable=False),
        sa.Column("due", sa.Boolean(), nullable=False),
        sa.PrimaryKeyConstraint("disk", "claim", name=op.f("pk_pushed_bag")),
    )
    op.create_index("ix_pushed_bag_claim", "pushed_bag", ["claim"])
    op.create_index("ix_pushed_bag_due", "pushed_bag", ["disk", "due", "claim"])
    links = op.create_table(
        "decision_photo",
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("decision", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("sha256", "decision", name=op.f("pk_decision_photo")),
    )
    op.create_index("ix_decision_photo_decision", "decision_photo", ["decision"])
    for name, (table, columns) in _INDEXES.items():
        op.create_index(name, table, columns)
    db = op.get_bind()
    for row in db.execute(sa.text("SELECT id, kind, after FROM decision")).all():
        about = dict.fromkeys(_photos(row.kind, json.loads(row.after)))
        if about:
            op.bulk_insert(links, [{"sha256": sha, "decision": row.id} for sha in about])


def _photos(kind: str, after: Any) -> Iterable[str]:
    """The photos that a decision is about, as its column `after` holds them."""
    match kind:
        case "move" | "name":
            return list(after["photos"])
        case "shift":
            return list(after["claims"])
        case "cut" | "join":
            return [after["before"]]
        case "tag":
            return list(after)
    return []


def downgrade() -> None:
    for name, (table, _) in _INDEXES.items():
        op.drop_index(name, table)
    op.drop_table("decision_photo")
    op.drop_table("pushed_bag")
    op.drop_table("target_disk")
