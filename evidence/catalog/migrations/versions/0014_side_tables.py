"""what was found in a file and its embedding in tables of their own, so that lists read short rows"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0014"
down_revision = "0013"
branch_labels = None
depends_on = None

_KEPT = (
    "sha256", "size", "suffix", "kind", "phash", "corrected", "correction", "utc", "claim", "position", "segment",
    "claim_confidence", "to_confirm", "claim_reasons", "tag_flags", "caption",
)  # fmt: skip
"""Columns that stay in `original`."""
_DESCRIBED = (
    # An earlier program stored both at once.
    "INSERT INTO described (sha256, facts, look) SELECT sha256, facts, look FROM original WHERE look IS NOT NULL"
)
_EMBEDDING = "INSERT INTO embedding (sha256, vector) SELECT sha256, embedding FROM original WHERE embedding IS NOT NULL"
_INDEXES = {
    "ix_original_claim": ["claim", "position"],
    "ix_original_phash": ["phash", "claim"],
    "ix_original_corrected": ["corrected"],
    "ix_original_size": ["size"],
}
_ROWS = 1_000
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
        return
    op.execute(_DESCRIBED)
    op.execute(_EMBEDDING)
    with op.batch_alter_table("original") as table:
        for name in ("facts", "look", "embedding"):
            table.drop_column(name)


def _move_by_parts() -> None:
    """Move some rows of an SQLite table at a time: the next ones take the pages that these leave, so the file grows little."""
    for name in _INDEXES:
        op.drop_index(name, "original")
    op.create_table(
        "original_short",
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("size", sa.Integer(), nullable=False),
        sa.Column("suffix", sa.String(length=255), nullable=False),
        sa.Column("kind", sa.String(length=10), nullable=False),
        sa.Column("phash", sa.String(length=16)),
        sa.Column("corrected", sa.String(length=40)),
        sa.Column("correction", sa.Text(), nullable=False),
        sa.Column("utc", sa.String(length=40)),
        sa.Column("claim", sa.String(length=200)),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("segment", sa.String(length=60), nullable=False),
        sa.Column("claim_confidence", sa.Float(), nullable=False),
        sa.Column("to_confirm", sa.Boolean(), nullable=False),
        sa.Column("claim_reasons", sa.Text(), nullable=False),
        sa.Column("tag_flags", sa.Text(), nullable=False),
        sa.Column("caption", sa.Text(), nullable=False, server_default=""),
        sa.PrimaryKeyConstraint("sha256", name=op.f("pk_original")),
    )
    names = ", ".join(_KEPT)
    db = op.get_bind()
    first, last = db.execute(sa.text("SELECT min(rowid), max(rowid) FROM original")).one()
    for begin in range(first, last + 1, _ROWS) if first is not None else ():
        part = {"begin": begin, "end": begin + _ROWS}
        within = "rowid >= :begin AND rowid < :end"
        db.execute(sa.text(f"{_DESCRIBED} AND {within}"), part)
        db.execute(sa.text(f"{_EMBEDDING} AND {within}"), part)
        short = f"INSERT INTO original_short ({names}) SELECT {names} FROM original"  # noqa: S608 - constants
        db.execute(sa.text(f"{short} WHERE {within} ORDER BY rowid"), part)
        db.execute(sa.text(f"DELETE FROM original WHERE {within}"), part)  # noqa: S608 - constants
    op.drop_table("original")
    op.rename_table("original_short", "original")
    for name, columns in _INDEXES.items():
        op.create_index(name, "original", columns)


def downgrade() -> None:
    with op.batch_alter_table("original") as table:
        table.add_column(sa.Column("facts", sa.Text()))
        table.add_column(sa.Column("look", sa.Text()))
        table.add_column(sa.Column("embedding", sa.LargeBinary()))
    op.execute(_BACK)
    op.drop_table("embedding")
    op.drop_table("described")
