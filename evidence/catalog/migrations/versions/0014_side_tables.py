"""what was found in a file and its embedding in tables of their own, so that lists read short rows"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0014"
down_revision = "0013"
branch_labels = None
depends_on = None

_DESCRIBED = (
    # An earlier program stored both at once.
    "INSERT INTO described (sha256, facts, look) SELECT sha256, facts, look FROM original WHERE look IS NOT NULL"
)
_EMBEDDING = "INSERT INTO embedding (sha256, vector) SELECT sha256, embedding FROM original WHERE embedding IS NOT NULL"
_EMPTIED = "UPDATE original SET facts = NULL, look = NULL, embedding = NULL"
_ROWS = 5_000
"""Rows of an SQLite table that are moved at once."""
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
    if op.get_bind().dialect.name == "sqlite":
        _move_by_parts()
    else:
        op.execute(_DESCRIBED)
        op.execute(_EMBEDDING)
    with op.batch_alter_table("original") as table:
        for name in ("facts", "look", "embedding"):
            table.drop_column(name)


def _move_by_parts() -> None:
    """Move some rows at a time: the pages that they free take the next ones, so that the file hardly grows."""
    db = op.get_bind()
    last = db.execute(sa.text("SELECT max(rowid) FROM original")).scalar() or 0
    for first in range(0, last + 1, _ROWS):
        part = {"first": first, "end": first + _ROWS}
        within = "rowid >= :first AND rowid < :end"
        db.execute(sa.text(f"{_DESCRIBED} AND {within}"), part)
        db.execute(sa.text(f"{_EMBEDDING} AND {within}"), part)
        db.execute(sa.text(f"{_EMPTIED} WHERE {within}"), part)


def downgrade() -> None:
    with op.batch_alter_table("original") as table:
        table.add_column(sa.Column("facts", sa.Text()))
        table.add_column(sa.Column("look", sa.Text()))
        table.add_column(sa.Column("embedding", sa.LargeBinary()))
    op.execute(_BACK)
    op.drop_table("embedding")
    op.drop_table("described")
