"""room for a file's ending as long as a file's name may be: PostgreSQL refuses what does not fit"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    with op.batch_alter_table("original") as table:
        table.alter_column(
            "suffix", existing_type=sa.String(20), type_=sa.String(255), existing_nullable=False
        )


def downgrade() -> None:
    with op.batch_alter_table("original") as table:
        table.alter_column(
            "suffix", existing_type=sa.String(255), type_=sa.String(20), existing_nullable=False
        )
