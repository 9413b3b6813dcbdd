"""no version of a photo: what a reviewer saw is told by a mark of its claim and facets"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    with op.batch_alter_table("original") as table:
        table.drop_column("version")


def downgrade() -> None:
    with op.batch_alter_table("original") as table:
        table.add_column(sa.Column("version", sa.Integer(), nullable=False, server_default="0"))
