"""Kept files, their EXIF facts and what was found in their pixels."""

from __future__ import annotations

import functools
import json
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import PurePosixPath
from typing import Any

from sqlalchemy import Delete, Select, delete, exists, func, select

from evidence.catalog import hashes
from evidence.catalog import tables as t
from evidence.catalog.base import (
    AMONG,
    VALUE,
    Database,
    chunks,
    deleted_among,
    dump,
    rows_among,
    to_text,
    values_among,
)
from evidence.catalog.intakes import sighting_columns
from evidence.catalog.totals import count_new
from evidence.codec import to_json
from evidence.model import CameraFacts, ClaimId, Copied, IntakeId, Look, MediaKind, Sha256


@dataclass(frozen=True, slots=True, kw_only=True)
class Original:
    """A kept file, whatever it is."""

    sha256: Sha256
    size: int
    suffix: str
    kind: MediaKind
    described: bool
    """True once its EXIF was read and its pixels looked at."""


class Originals:
    """Kept files."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def add_originals(self, intake: IntakeId, copied: Sequence[Copied]) -> None:
        """Add copied files of an intake, and where it saw them; a card's files may come in several calls."""
        rows: dict[Sha256, dict[str, Any]] = {}
        for one in copied:  # of equal files, the first one gives the kind
            rows.setdefault(one.sha256, _original_columns(one))
        sightings = [sighting_columns(intake, one) for one in copied]
        with self._database.transaction() as db:
            self._database.changed("intake", [intake])
            present = self.known(list(rows))
            new = [row for sha, row in rows.items() if sha not in present]
            if new:
                db.execute(t.original.insert(), new)
                count_new(self._database, {row["sha256"]: row["size"] for row in new})
            for paths in chunks([one.found.card_path for one in copied]):
                db.execute(_not_seen(), {"value": intake, "among": paths})
            if sightings:
                db.execute(t.sighting.insert(), sightings)

    def unfiled(self) -> list[Sha256]:
        """Kept files that were put into no claim and are in no bag yet: a killed run left them.

        Those of a claim need no search: its bag is marked as outdated.
        """
        with self._database.transaction() as db:
            return [Sha256(sha) for sha in db.execute(_unfiled()).scalars()]

    def known(self, digests: Sequence[Sha256]) -> set[Sha256]:
        """Those of `digests` that the archive keeps."""
        found: set[Sha256] = set()
        with self._database.transaction() as db:
            for piece in chunks(digests):
                rows = db.execute(values_among(t.original.c.sha256, t.original.c.sha256), {"among": piece})
                found.update(Sha256(sha) for sha in rows.scalars())
        return found

    def any_kept(self) -> bool:
        """True when the catalog knows a kept file at all."""
        with self._database.transaction() as db:
            return db.execute(_any_kept()).first() is not None

    def octets_since(self, moment: datetime) -> int:
        """Bytes of the kept files that came with a card taken in at `moment` or later, and with none before."""
        run = select(t.sighting.c.sha256).join(t.intake, t.intake.c.intake == t.sighting.c.intake)
        new = run.where(t.intake.c.started_at >= to_text(moment))
        before = run.where(
            t.intake.c.started_at < to_text(moment), t.sighting.c.sha256 == t.original.c.sha256
        )
        query = select(func.sum(t.original.c.size)).where(
            t.original.c.sha256.in_(new), ~exists(before.correlate(t.original))
        )
        with self._database.transaction() as db:
            return int(db.execute(query).scalar_one() or 0)

    def sizes(self, among: Collection[int]) -> set[int]:
        """Those of these sizes that a kept file has, in bytes: a file of another size is not kept yet."""
        found: set[int] = set()
        with self._database.transaction() as db:
            for piece in chunks(sorted(set(among))):
                query = values_among(t.original.c.size, t.original.c.size)
                found.update(db.execute(query, {"among": piece}).scalars())
        return found

    def describe(self, described: Sequence[tuple[Sha256, CameraFacts, Look]]) -> None:
        """Store the EXIF facts and what was found in the pixels."""
        with self._database.transaction() as db:
            before: set[str | None] = set()
            for piece in chunks([sha for sha, *_ in described]):
                query = values_among(t.original.c.phash, t.original.c.sha256)
                before.update(db.execute(query, {"among": piece}).scalars())
            self._database.set_each(
                t.original, [{"sha256": sha, "phash": look.phash or None} for sha, _, look in described]
            )
            for piece in chunks([sha for sha, *_ in described]):
                db.execute(deleted_among(t.embedding.c.sha256), {"among": piece})
            self._database.upsert(
                t.described,
                [
                    {
                        "sha256": sha,
                        "facts": dump(to_json(facts)),
                        "look": dump(to_json(replace(look, embedding=b""))),
                    }
                    for sha, facts, look in described
                ],
            )
            self._database.upsert(
                t.embedding,
                [{"sha256": sha, "vector": look.embedding} for sha, _, look in described if look.embedding],
            )
            now = {look.phash for _, _, look in described}
            hashes.note(self._database, now)
            hashes.drop_unused(self._database, before - now)

    def with_flags(self, digests: Sequence[Sha256], codes: Collection[str]) -> set[Sha256]:
        """Those of these files to which the analysis gave a flag of one of these codes."""
        found: set[Sha256] = set()
        with self._database.transaction() as db:
            for piece in chunks(digests):
                query = select(t.described.c.sha256, t.described.c.look).where(
                    t.described.c.sha256.in_(piece)
                )
                for sha, look in db.execute(query):
                    if any(flag["code"] in codes for flag in json.loads(look).get("flags", ())):
                        found.add(Sha256(sha))
        return found

    def claims_of(self, digests: Sequence[Sha256]) -> dict[Sha256, ClaimId | None]:
        """The claims of these files, None for the tray; files that are not kept are left out."""
        found: dict[Sha256, ClaimId | None] = {}
        with self._database.transaction() as db:
            for piece in chunks(digests):
                rows = db.execute(_claims_of(), {"among": piece})
                found |= {Sha256(sha): ClaimId(claim) if claim else None for sha, claim in rows}
        return found

    def embeddings(self, digests: Sequence[Sha256]) -> dict[Sha256, bytes]:
        """The embeddings of these files, of those that have one."""
        found: dict[Sha256, bytes] = {}
        with self._database.transaction() as db:
            for piece in chunks(digests):
                rows = db.execute(rows_among(t.embedding.c.sha256), {"among": piece})
                found |= {Sha256(row.sha256): bytes(row.vector) for row in rows}
        return found

    def originals(self, digests: Sequence[Sha256]) -> dict[Sha256, Original]:
        """The kept files of these digests."""
        found: dict[Sha256, Original] = {}
        with self._database.transaction() as db:
            for piece in chunks(digests):
                for row in db.execute(_of_files(), {"among": piece}):
                    found[Sha256(row.sha256)] = Original(
                        sha256=Sha256(row.sha256),
                        size=row.size,
                        suffix=row.suffix,
                        kind=MediaKind(row.kind),
                        described=row.described is not None,
                    )
        return found


@functools.cache
def _of_files() -> Select[Any]:
    """Asks for the files of the parameter `among`, and whether they are described."""
    return (
        select(t.original, t.described.c.sha256.label("described"))
        .outerjoin(t.described, t.described.c.sha256 == t.original.c.sha256)
        .where(t.original.c.sha256.in_(AMONG))
    )


@functools.cache
def _claims_of() -> Select[Any]:
    return select(t.original.c.sha256, t.original.c.claim).where(t.original.c.sha256.in_(AMONG))


@functools.cache
def _any_kept() -> Select[Any]:
    return select(t.original.c.sha256).limit(1)


@functools.cache
def _unfiled() -> Select[Any]:
    filed = exists().where(t.held_in.c.sha256 == t.original.c.sha256)
    return select(t.original.c.sha256).where(t.original.c.claim.is_(None), ~filed)


@functools.cache
def _not_seen() -> Delete:
    """Deletes that the intake `value` saw files at the paths `among`."""
    return delete(t.sighting).where(t.sighting.c.intake == VALUE, t.sighting.c.card_path.in_(AMONG))


def _original_columns(one: Copied) -> dict[str, Any]:
    """The kept file's row, before it is described."""
    suffix = PurePosixPath(one.found.card_path).suffix.lower()
    return {"sha256": one.sha256, "size": one.found.size, "suffix": suffix, "kind": one.found.kind.value}
