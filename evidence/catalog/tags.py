"""The tags of each photo, from every source."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from typing import Any

from sqlalchemy import delete, update

from evidence.catalog import tables as t
from evidence.catalog.base import Database, chunks, deleted_among, dump, rows_among
from evidence.codec import to_json
from evidence.model import Facet, FacetValue, Sha256, Source, TagResult

_COLUMNS = tuple(t.tag.c.keys())
"""The first is the photo's digest."""


class Tags:
    """Tags of photos."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def put_tags(self, results: Mapping[Sha256, TagResult]) -> set[Sha256]:
        """Replace the tags of these photos; returns those for which anything changed."""
        with self._database.transaction() as db:
            present = self.tag_rows(list(results))
            wanted = {sha: _tag_rows(sha, result) for sha, result in results.items()}
            changed = [
                sha for sha, rows in wanted.items() if rows != sorted(present.get(sha, []), key=_tag_key)
            ]
            for piece in chunks([sha for sha in changed if sha in present]):
                db.execute(deleted_among(t.tag.c.sha256), {"among": piece})
            if rows := [row for sha in changed for row in wanted[sha]]:
                db.execute(t.tag.insert(), rows)
            self._database.set_each(
                t.original,
                [{"sha256": sha, "tag_flags": dump(to_json(results[sha].flags))} for sha in changed],
            )
        return set(changed)

    def state(self, digests: Sequence[Sha256], facets: Mapping[Facet, str | None], *, reason: str) -> None:
        """Store what a person states of these facets of these photos; None removes what was stated before."""
        with self._database.transaction() as db:
            for sha in digests:
                mine = (t.tag.c.sha256 == sha) & (t.tag.c.source == Source.PERSON.value)
                db.execute(delete(t.tag).where(mine, t.tag.c.facet.in_([facet.value for facet in facets])))
                rows = [
                    {
                        "sha256": sha,
                        "facet": facet.value,
                        "source": Source.PERSON.value,
                        "value": value,
                        "confidence": 1.0,
                        "reason": reason,
                        "strongest": True,
                    }
                    for facet, value in facets.items()
                    if value is not None
                ]
                for row in rows:
                    same = (t.tag.c.sha256 == sha) & (t.tag.c.facet == row["facet"])
                    db.execute(update(t.tag).where(same).values(strongest=False))
                if rows:
                    db.execute(t.tag.insert(), rows)

    def tag_rows(self, digests: Sequence[Sha256]) -> dict[Sha256, list[dict[str, Any]]]:
        """The rows of the tag table for these photos."""
        found: dict[Sha256, list[dict[str, Any]]] = defaultdict(list)
        with self._database.transaction() as db:
            for piece in chunks(digests):
                for row in db.execute(rows_among(t.tag.c.sha256), {"among": piece}).all():
                    found[row[0]].append(dict(zip(_COLUMNS, row, strict=True)))
        return found

    def by_person(self, digests: Sequence[Sha256]) -> dict[Sha256, dict[Facet, FacetValue]]:
        """What people stated of these photos."""
        return {
            sha: {Facet(row["facet"]): facet_value(row) for row in rows if row["source"] == Source.PERSON}
            for sha, rows in self.tag_rows(digests).items()
            if any(row["source"] == Source.PERSON for row in rows)
        }


def facet_value(row: Mapping[str, Any]) -> FacetValue:
    """The facet that a row of the tag table holds."""
    return FacetValue(
        facet=Facet(row["facet"]),
        value=row["value"],
        source=Source(row["source"]),
        confidence=row["confidence"],
        reason=row["reason"],
    )


def _tag_rows(sha: Sha256, result: TagResult) -> list[dict[str, Any]]:
    """The photo's rows, one a facet and source; the strongest of a facet is always among them."""
    rows: dict[tuple[str, str], dict[str, Any]] = {}
    for value in (*result.by_source, *result.tags.values()):
        best = result.tags.get(value.facet)
        rows[value.facet.value, value.source.value] = {
            "sha256": sha,
            "facet": value.facet.value,
            "source": value.source.value,
            "value": value.value,
            "confidence": value.confidence,
            "reason": value.reason,
            "strongest": best is not None and best.source == value.source,
        }
    return sorted(rows.values(), key=_tag_key)


def _tag_key(row: Mapping[str, Any]) -> tuple[str, str]:
    return row["facet"], row["source"]
