"""counts kept for each claim and place, names of files on cards, and the indexes that lists and the split need"""

from __future__ import annotations

import json
from collections import Counter
from itertools import groupby

import sqlalchemy as sa
from alembic import op

revision = "0015"
down_revision = "0014"
branch_labels = None
depends_on = None

_INDEXES = {
    "ix_original_segment": ("original", ["segment", "position"]),
    "ix_segment_day": ("segment", ["day", "position"]),
    "ix_segment_claim": ("segment", ["claim"]),
    "ix_decision_kind": ("decision", ["kind"]),
    "ix_claim_state": ("claim", ["state", "claim"]),
    "ix_claim_lat": ("claim", ["state", "lat"]),
    "ix_sighting_name": ("sighting", ["name", "sha256"]),
}
_TOTALS = (
    "INSERT INTO claim_total (claim, files, octets, to_confirm, first, last)"
    " SELECT coalesce(claim, ''), count(*), sum(size), sum(CASE WHEN to_confirm THEN 1 ELSE 0 END),"
    " min(corrected), max(corrected) FROM original GROUP BY coalesce(claim, '')"
)
_GOOD = "copy.verified_at IS NOT NULL AND (copy.found_bad_at IS NULL OR copy.found_bad_at < copy.verified_at)"
_COPIES = (
    "INSERT INTO copy_total (claim, place, copies, octets, bad, oldest, newest)"  # noqa: S608 - constants
    f" SELECT copy.claim, copy.place, sum(CASE WHEN {_GOOD} THEN 1 ELSE 0 END),"
    f" sum(CASE WHEN {_GOOD} THEN original.size ELSE 0 END), sum(CASE WHEN {_GOOD} THEN 0 ELSE 1 END),"
    f" min(CASE WHEN {_GOOD} THEN copy.verified_at END), max(CASE WHEN {_GOOD} THEN copy.verified_at END)"
    " FROM copy JOIN original ON original.sha256 = copy.sha256 GROUP BY copy.claim, copy.place"
)
_PLACES = (
    "SELECT original.sha256, original.claim, copy.place FROM original LEFT JOIN copy"  # noqa: S608 - constants
    f" ON copy.sha256 = original.sha256 AND {_GOOD} ORDER BY "
)
_ORDER = {"sqlite": "original.rowid", "postgresql": "original.sha256"}
"""Any that puts the rows of one file together. A large SQLite table is read fastest in the order in which it was written."""
_NAMES = {
    "sqlite": "UPDATE sighting SET name = replace(card_path, rtrim(card_path, replace(card_path, '/', '')), '')",
    "postgresql": "UPDATE sighting SET name = substring(card_path from '[^/]*$')",
}
"""In SQLite the path without its last part is the path without the end that has no slash."""


def upgrade() -> None:
    _make_tables()
    db = op.get_bind()
    op.execute(_TOTALS)
    op.execute(_COPIES)
    found: Counter[tuple[str, str]] = Counter()
    with db.execute(sa.text(_PLACES + _ORDER[db.dialect.name]).execution_options(yield_per=10_000)) as rows:
        for _sha, group in groupby(rows, key=lambda row: row.sha256):
            each = list(group)
            places = sorted(row.place for row in each if row.place is not None)
            found[each[0].claim or "", json.dumps(places, ensure_ascii=False, separators=(",", ":"))] += 1
    insert = sa.text("INSERT INTO place_set (claim, places, files) VALUES (:claim, :places, :files)")
    if found:
        db.execute(insert, [{"claim": c, "places": p, "files": n} for (c, p), n in found.items()])
    op.add_column("sighting", sa.Column("name", sa.Text(), nullable=False, server_default=""))
    op.execute(_NAMES[db.dialect.name])
    for name, (table, columns) in _INDEXES.items():
        op.create_index(name, table, columns)


def _make_tables() -> None:
    op.create_table(
        "claim_total",
        sa.Column("claim", sa.String(length=200), nullable=False),
        sa.Column("files", sa.Integer(), nullable=False),
        sa.Column("octets", sa.BigInteger(), nullable=False),
        sa.Column("to_confirm", sa.Integer(), nullable=False),
        sa.Column("first", sa.String(length=40)),
        sa.Column("last", sa.String(length=40)),
        sa.PrimaryKeyConstraint("claim", name=op.f("pk_claim_total")),
    )
    op.create_table(
        "copy_total",
        sa.Column("claim", sa.String(length=200), nullable=False),
        sa.Column("place", sa.String(length=100), nullable=False),
        sa.Column("copies", sa.Integer(), nullable=False),
        sa.Column("octets", sa.BigInteger(), nullable=False),
        sa.Column("bad", sa.Integer(), nullable=False),
        sa.Column("oldest", sa.String(length=40)),
        sa.Column("newest", sa.String(length=40)),
        sa.PrimaryKeyConstraint("claim", "place", name=op.f("pk_copy_total")),
    )
    op.create_table(
        "place_set",
        sa.Column("claim", sa.String(length=200), nullable=False),
        sa.Column("places", sa.String(length=2000), nullable=False),
        sa.Column("files", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("claim", "places", name=op.f("pk_place_set")),
    )


def downgrade() -> None:
    for name, (indexed, _) in _INDEXES.items():
        op.drop_index(name, indexed)
    with op.batch_alter_table("sighting") as table:
        table.drop_column("name")
    for name in ("place_set", "copy_total", "claim_total"):
        op.drop_table(name)
