"""holds by kind and scope, their last day, and who asked to lift them; a claim's line of business"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0012"
down_revision = "0011"
branch_labels = None
depends_on = None

_WORDS = {"kind": (sa.String(length=20), "own"), "insured": (sa.Text(), ""), "peril": (sa.String(length=60), ""),
          "area": (sa.Text(), "[]"), "covered": (sa.Text(), "[]")}  # fmt: skip
_DATES = {"first_loss": 10, "last_loss": 10, "until": 10, "lift_asked_at": 40}


def upgrade() -> None:
    with op.batch_alter_table("hold") as table:
        for name, (kind, empty) in _WORDS.items():
            table.add_column(sa.Column(name, kind, nullable=False, server_default=empty))
        for name, length in _DATES.items():
            table.add_column(sa.Column(name, sa.String(length=length)))
        table.add_column(sa.Column("lift_asked_by", sa.Text()))
    # A hold that an earlier program lifted needed one person; that person both asked and agreed.
    op.execute(
        "UPDATE hold SET lift_asked_by = lifted_by, lift_asked_at = lifted_at WHERE lifted_at IS NOT NULL"
    )
    with op.batch_alter_table("claim") as table:
        table.add_column(sa.Column("line", sa.String(length=60), nullable=False, server_default=""))


def downgrade() -> None:
    with op.batch_alter_table("claim") as table:
        table.drop_column("line")
    with op.batch_alter_table("hold") as table:
        for name in ("lift_asked_by", *_DATES, *_WORDS):
            table.drop_column(name)
