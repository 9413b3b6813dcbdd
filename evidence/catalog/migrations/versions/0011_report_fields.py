"""who and what a claim's report names, and the captions that people write"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0011"
down_revision = "0010"
branch_labels = None
depends_on = None

_TEXTS = ("policy_number", "carrier", "adjuster", "inspector")
_TIMES = ("inspection_start", "inspection_end")


def upgrade() -> None:
    with op.batch_alter_table("claim") as table:
        for name in _TEXTS:
            table.add_column(sa.Column(name, sa.Text(), nullable=False, server_default=""))
        for name in _TIMES:
            table.add_column(sa.Column(name, sa.String(length=40)))
    with op.batch_alter_table("original") as table:
        table.add_column(sa.Column("caption", sa.Text(), nullable=False, server_default=""))


def downgrade() -> None:
    with op.batch_alter_table("original") as table:
        table.drop_column("caption")
    with op.batch_alter_table("claim") as table:
        for name in (*_TIMES, *_TEXTS):
            table.drop_column(name)
