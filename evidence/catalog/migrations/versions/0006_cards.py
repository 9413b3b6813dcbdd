"""what is known of the card of a run: its volume, a later run of it, what was purged, the verdict told last"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    with op.batch_alter_table("intake") as table:
        table.add_column(sa.Column("card_id", sa.Text(), nullable=False, server_default=""))
        table.add_column(sa.Column("superseded_by", sa.String(60)))
        table.add_column(sa.Column("purged", sa.Integer(), nullable=False, server_default="0"))
        table.add_column(sa.Column("came_since", sa.Integer(), nullable=False, server_default="0"))
        table.add_column(sa.Column("told_safe", sa.Boolean(), nullable=False, server_default=sa.false()))
        table.add_column(sa.Column("safe_told_at", sa.String(40)))
    op.create_index("ix_intake_told_safe", "intake", ["told_safe", "superseded_by"])
    op.create_index("ix_intake_started_at", "intake", ["started_at"])
    op.create_index("ix_copy_found_bad_at", "copy", ["found_bad_at"])


def downgrade() -> None:
    op.drop_index("ix_copy_found_bad_at", "copy")
    op.drop_index("ix_intake_started_at", "intake")
    op.drop_index("ix_intake_told_safe", "intake")
    with op.batch_alter_table("intake") as table:
        for name in ("safe_told_at", "told_safe", "came_since", "purged", "superseded_by", "card_id"):
            table.drop_column(name)
