"""each perceptual hash once, in the order in which they came, and which claims have it by one index"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0013"
down_revision = "0012"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "picture_hash",
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("phash", sa.String(length=16), nullable=False),
        sa.PrimaryKeyConstraint("number", name=op.f("pk_picture_hash")),
        sa.UniqueConstraint("phash", name=op.f("uq_picture_hash_phash")),
        sqlite_autoincrement=True,
    )
    op.execute(
        "INSERT INTO picture_hash (phash) SELECT DISTINCT phash FROM original WHERE phash IS NOT NULL ORDER BY phash"
    )
    op.drop_index("ix_original_phash", "original")
    op.create_index("ix_original_phash", "original", ["phash", "claim"])


def downgrade() -> None:
    op.drop_index("ix_original_phash", "original")
    op.create_index("ix_original_phash", "original", ["phash"])
    op.drop_table("picture_hash")
