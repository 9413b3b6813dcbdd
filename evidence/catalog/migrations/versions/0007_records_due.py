"""which record files are out of date; in a catalog of an earlier program all are out of date, and all of its bags"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None

_OWED = (
    "INSERT INTO record_due (kind, key, mark) SELECT 'claim', claim, '' FROM claim",
    "INSERT INTO record_due (kind, key, mark) SELECT 'intake', intake, '' FROM intake",
    "INSERT INTO record_due (kind, key, mark) SELECT DISTINCT 'day', day, '' FROM segment",
    "INSERT INTO record_due (kind, key, mark) SELECT 'bag', claim, '' FROM bag",
    "INSERT INTO record_due (kind, key, mark) VALUES ('office', '', '')",
)


def upgrade() -> None:
    op.create_table(
        "record_due",
        sa.Column("kind", sa.String(length=10), nullable=False),
        sa.Column("key", sa.String(length=200), nullable=False),
        sa.Column("mark", sa.String(length=32), nullable=False),
        sa.PrimaryKeyConstraint("kind", "key", name=op.f("pk_record_due")),
    )
    for query in _OWED:
        op.execute(query)
    op.execute("UPDATE bag SET dirty = true")


def downgrade() -> None:
    op.drop_table("record_due")
