"""count the marks of outdated bags; mark the bags whose files have names of the earlier naming"""

from __future__ import annotations

import re

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None

_EARLIER_NAME = re.compile(r"-[0-9a-f]{8}(?:/|$)")
"""The earlier naming put eight digits behind every name that was not all in capital letters."""


def upgrade() -> None:
    with op.batch_alter_table("bag") as table:
        table.add_column(sa.Column("changes", sa.Integer(), nullable=False, server_default="0"))
    db = op.get_bind()
    rows = db.execute(sa.text("SELECT claim, payload_path FROM held_in"))
    earlier = {row.claim for row in rows if _EARLIER_NAME.search(row.payload_path)}
    for claim in sorted(earlier):
        marked = sa.text("UPDATE bag SET dirty = :yes, changes = changes + 1 WHERE claim = :claim")
        db.execute(marked, {"yes": True, "claim": claim})


def downgrade() -> None:
    with op.batch_alter_table("bag") as table:
        table.drop_column("changes")
