"""an index of the dates of reading back, so that the longest unread copies are found at once"""

from __future__ import annotations

from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_index("ix_copy_verified", "copy", ["place", "verified_at", "sha256"])


def downgrade() -> None:
    op.drop_index("ix_copy_verified", "copy")
