"""what was found in a file and its embedding in tables of their own, so that lists read short rows"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0014"
down_revision = "0013"
branch_labels = None
depends_on = None

_MOVE = (
    # An earlier program stored both at once.
    "INSERT INTO described (sha256, facts, look) SELECT sha256, facts, look FROM original WHERE look IS NOT NULL",
    "INSERT INTO embedding (sha256, vector) SELECT sha256, embedding FROM original WHERE embedding IS NOT NULL",
)
_BACK = (
    "UPDATE original SET facts = (SELECT facts FROM described WHERE described.sha256 = original.sha256),"
    " look = (SELECT look FROM described WHERE described.sha256 = original.sha256),"
    " embedding = (SELECT vector FROM embedding WHERE embedding.sha256 = original.sha256)"
)


def upgrade() -> None:
    op.create_table(
        "described",
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("facts", sa.Text(), nullable=False),
        sa.Column("look", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("sha256", name=op.f("pk_described")),
    )
    op.create_table(
        "embedding",
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("vector", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("sha256", name=op.f("pk_embedding")),
    )
    for query in _MOVE:
        op.execute(query)
    with op.batch_alter_table("original") as table:
        for name in ("facts", "look", "embedding"):
            table.drop_column(name)


def downgrade() -> None:
    with op.batch_alter_table("original") as table:
        table.add_column(sa.Column("facts", sa.Text()))
        table.add_column(sa.Column("look", sa.Text()))
        table.add_column(sa.Column("embedding", sa.LargeBinary()))
    op.execute(_BACK)
    op.drop_table("embedding")
    op.drop_table("described")
