"""The photo side of the catalog: whole records of photos, over what is known of each file."""

from __future__ import annotations

import functools
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import lru_cache
from typing import Any

from sqlalchemy import ColumnElement, Row, Select, Update, func, select, update

from evidence.catalog import hashes
from evidence.catalog import tables as t
from evidence.catalog.base import AMONG, VALUE, chunks, day, deleted_among, from_text, in_claim, values_among
from evidence.catalog.intakes import Intakes, Sighting, file_name
from evidence.catalog.originals import Originals
from evidence.catalog.segments import Segments, order_of
from evidence.catalog.tags import Tags, facet_value
from evidence.catalog.totals import TRAY, count_copies, count_photos
from evidence.codec import from_json
from evidence.model import (
    CameraFacts,
    ClaimId,
    DeviceId,
    Facet,
    Finding,
    IntakeId,
    Look,
    MediaKind,
    PhotoRecord,
    Sha256,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class ClaimTotals:
    """What a claim takes up, and when it was photographed."""

    files: int
    size: int
    """Bytes of the originals."""
    last_day: date | None
    """Local day of the last file that has a corrected time."""


class Photos(Intakes, Originals, Segments, Tags):
    """Everything about photos; each base class answers one kind of question."""

    def of_claim(self, claim: ClaimId | None, *, embeddings: bool = False) -> list[PhotoRecord]:
        """The claim's files in shooting order; None asks for the unassigned tray."""
        query, asked = _in_order(in_tray=claim is None), {"value": claim} if claim is not None else {}
        with self._database.transaction() as db:
            records = self._records(list(db.execute(query, asked)), embeddings=embeddings)
        return [replace(record, order=number) for number, record in enumerate(records)]

    def totals(self, claim: ClaimId | None = None) -> dict[ClaimId, ClaimTotals]:
        """How many files each claim has, their bytes and their last day; with `claim` of that claim alone."""
        total = t.claim_total.c
        query = select(total.claim, total.files, total.octets, total.last)
        query = query.where(total.claim != TRAY if claim is None else total.claim == claim)
        with self._database.transaction() as db:
            return {
                ClaimId(name): ClaimTotals(files=files, size=int(size), last_day=day(last and last[:10]))
                for name, files, size, last in db.execute(query).all()
            }

    def digests_of(self, claim: ClaimId | None) -> list[Sha256]:
        """The claim's files by digest, in no particular order; None asks for the unassigned tray."""
        query, asked = _digests(in_tray=claim is None), {"value": claim} if claim is not None else {}
        with self._database.transaction() as db:
            return [Sha256(sha) for sha in db.execute(query, asked).scalars()]

    def of_segment(self, segment: str) -> list[PhotoRecord]:
        """The segment's files in order."""
        with self._database.transaction() as db:
            return self._records(list(db.execute(_of_segment(), {"value": segment})), embeddings=False)

    def records(self, digests: Sequence[Sha256], *, embeddings: bool = False) -> list[PhotoRecord]:
        """These files, in no particular order."""
        with self._database.transaction() as db:
            rows = [row for piece in chunks(digests) for row in db.execute(_of_files(), {"among": piece})]
            return self._records(rows, embeddings=embeddings)

    def find(self, text: str) -> list[Sha256]:
        """Photos named by a digest's beginning (6 digits or more), a card path, or a camera file name."""
        wanted = text.strip()
        with self._database.transaction() as db:
            if len(wanted) >= 6 and all(c in "0123456789abcdef" for c in wanted.lower()):
                sha, first = t.original.c.sha256, wanted.lower()
                query = select(sha).where(sha >= first, sha < f"{first}g")  # after every hexadecimal digit
                if found := [Sha256(sha) for sha in db.execute(query.limit(50)).scalars()]:
                    return found
            by_name = select(t.sighting.c.sha256).where(t.sighting.c.name == file_name(wanted))
            by_path = by_name.where(t.sighting.c.card_path == wanted)
            found = [Sha256(sha) for sha in db.execute(by_path.order_by(t.sighting.c.id)).scalars()]
            if not found and "/" not in wanted:
                found = [Sha256(sha) for sha in db.execute(by_name.order_by(t.sighting.c.id)).scalars()]
        return list(dict.fromkeys(found))

    def set_caption(self, sha: Sha256, text: str) -> None:
        """Store what a person wrote beside the photo; empty for nothing."""
        with self._database.transaction() as db:
            db.execute(update(t.original).where(t.original.c.sha256 == sha).values(caption=text))

    def delete(self, digests: Sequence[Sha256]) -> None:
        """Delete every row about these photos, after a purge; each card's run keeps how many it had."""
        with self._database.transaction() as db:
            counted: set[str | None] = set()
            for piece in chunks(digests):
                these = {"among": piece}
                for table in (t.original, t.copy):
                    counted |= set(db.execute(values_among(table.c.claim, table.c.sha256), these).scalars())
                db.execute(_counted_as_purged(), these)
                for kind, column, table in (
                    ("intake", t.sighting.c.intake, t.sighting),
                    ("bag", t.copy.c.claim, t.copy),
                ):
                    found = db.execute(values_among(column, table.c.sha256), these)
                    self._database.changed(kind, found.scalars())
                mine = values_among(t.original.c.phash, t.original.c.sha256)
                phashes = set(db.execute(mine, these).scalars())
                for table in (t.tag, t.sighting, t.held_in, t.copy, *t.ABOUT_A_FILE, t.original):
                    db.execute(deleted_among(table.c.sha256), these)
                hashes.drop_unused(self._database, phashes)
            count_photos(self._database, counted)
            count_copies(self._database, counted)

    def _records(self, rows: Sequence[Row[Any]], *, embeddings: bool) -> list[PhotoRecord]:
        digests = [Sha256(row.sha256) for row in rows]
        seen = self.sightings(digests)
        tag_rows = self.tag_rows(digests)
        vectors = self.embeddings(digests) if embeddings else {}
        return [
            _read_record(
                row, seen.get(row.sha256, []), tag_rows.get(row.sha256, []), vectors.get(row.sha256, b"")
            )
            for row in rows
        ]


@functools.cache
def _in_order(*, in_tray: bool) -> Select[Any]:
    """`_described` for the tray, or the claim `value`, in shooting order.

    A plan covers whole days, so segments compare within a day and days by date.
    """
    local_day = func.coalesce(func.substr(t.original.c.corrected, 1, 10), "")
    mine = _described().where(in_claim(in_tray=in_tray))
    return mine.order_by(local_day, _segment_position(), t.original.c.position, t.original.c.sha256)


@functools.cache
def _digests(*, in_tray: bool) -> Select[Any]:
    return select(t.original.c.sha256).where(in_claim(in_tray=in_tray))


@functools.cache
def _counted_as_purged() -> Update:
    """Counts for each card how many of its files are among these digests."""
    seen = (
        select(func.count())
        .select_from(t.sighting)
        .where(t.sighting.c.intake == t.intake.c.intake, t.sighting.c.sha256.in_(AMONG))
        .scalar_subquery()
    )
    runs = select(t.sighting.c.intake).where(t.sighting.c.sha256.in_(AMONG))
    return update(t.intake).where(t.intake.c.intake.in_(runs)).values(purged=t.intake.c.purged + seen)


@functools.cache
def _of_files() -> Select[Any]:
    """`_described` for the files of the parameter `among`."""
    return _described().where(t.original.c.sha256.in_(AMONG))


@functools.cache
def _of_segment() -> Select[Any]:
    return _described().where(t.original.c.segment == VALUE).order_by(t.original.c.position)


@functools.cache
def _described() -> Select[Any]:
    """The rows of kept files, with what was found in each and the place of its segment."""
    some = (t.described.c.facts, t.described.c.look, _segment_position().label("segment_position"))
    return (
        select(t.original, *some)
        .outerjoin(t.described, t.described.c.sha256 == t.original.c.sha256)
        .outerjoin(t.segment, t.segment.c.segment == t.original.c.segment)
    )


def _segment_position() -> ColumnElement[int]:
    return func.coalesce(t.segment.c.position, 0)


def _device_of(facts: CameraFacts, intake: IntakeId) -> DeviceId:
    """Make, model and serial; a file that names none belongs to the card it came on."""
    named = [part for part in (facts.make, facts.model, facts.serial) if part]
    return DeviceId(" ".join(named) if named else f"card {intake}")


@lru_cache(maxsize=4096)
def _facts(text: str) -> CameraFacts:
    """What never changes once it is described, decoded once: a claim's photos are read again at every change."""
    return from_json(CameraFacts, json.loads(text))


@lru_cache(maxsize=4096)
def _look(text: str) -> Look:
    return from_json(Look, json.loads(text))


@lru_cache(maxsize=4096)
def _flags(text: str) -> tuple[Finding, ...]:
    return from_json(tuple[Finding, ...], json.loads(text))


@lru_cache(maxsize=4096)
def _texts(text: str) -> tuple[str, ...]:
    return tuple(json.loads(text))


def _read_record(
    row: Row[Any], seen: Sequence[Sighting], tag_rows: Sequence[Mapping[str, Any]], embedding: bytes
) -> PhotoRecord:
    facts = _facts(row.facts) if row.facts else CameraFacts()
    look = _look(row.look) if row.look else Look()
    if embedding:
        look = replace(look, embedding=embedding)
    first = seen[0] if seen else None
    intake = first.intake if first else IntakeId("")
    card_path = first.card_path if first else row.sha256
    return PhotoRecord(
        sha256=Sha256(row.sha256),
        name=card_path.rsplit("/", 1)[-1],
        card_path=card_path,
        claim=ClaimId(row.claim) if row.claim else None,
        order=order_of(row.segment_position, row.position),
        facts=facts,
        look=look,
        kind=MediaKind(row.kind),
        device=_device_of(facts, intake),
        intake=intake,
        corrected=from_text(row.corrected),
        correction=row.correction,
        utc=from_text(row.utc),
        claim_confidence=row.claim_confidence,
        to_confirm=row.to_confirm,
        claim_reasons=_texts(row.claim_reasons),
        tags={Facet(one["facet"]): facet_value(one) for one in tag_rows if one["strongest"]},
        flags=tuple(dict.fromkeys((*facts.flags, *look.flags, *_flags(row.tag_flags)))),
        caption=row.caption,
    )
