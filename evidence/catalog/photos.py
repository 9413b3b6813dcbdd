"""Originals: where they were seen, what they say, which house they belong to, what they are tagged."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from functools import lru_cache
from typing import Any

from sqlalchemy import Row, delete, exists, func, select, update

from evidence.catalog import tables as t
from evidence.catalog.base import Database, chunks, dump, from_text, to_text
from evidence.codec import from_json, to_json
from evidence.model import (
    CameraFacts,
    ClaimId,
    DcfName,
    DeviceId,
    Facet,
    FacetValue,
    Finding,
    Found,
    IntakeId,
    Look,
    MediaKind,
    PhotoRecord,
    Refusal,
    Sha256,
    Source,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class IntakeRow:
    """One run of a card."""

    intake: IntakeId
    source: str
    label: str
    actor: str
    started_at: datetime
    finished_at: datetime | None
    refused: tuple[Refusal, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Sighting:
    """A file as it was seen on one card."""

    intake: IntakeId
    card_path: str
    sha256: Sha256
    modified: datetime | None
    dcf: DcfName | None
    object_key: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Original:
    """A kept file, whatever it is."""

    sha256: Sha256
    size: int
    suffix: str
    kind: MediaKind
    described: bool
    """True once its EXIF was read and its pixels looked at."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Placing:
    """Where the split put a photo."""

    sha256: Sha256
    claim: ClaimId | None
    position: int
    segment: str
    confidence: float
    to_confirm: bool
    reasons: tuple[str, ...]
    corrected: datetime | None
    correction: str
    utc: datetime | None


@dataclass(frozen=True, slots=True, kw_only=True)
class SegmentRow:
    """A stretch of the day under one roof, and why it begins where it does."""

    segment: str
    claim: ClaimId | None
    unknown: bool
    first: Sha256
    photos: int
    day: str
    position: int
    probability: float
    to_confirm: bool
    reasons: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlined:
    """The little that a timeline shows of a file."""

    sha256: Sha256
    segment: str
    name: str
    kind: MediaKind
    corrected: datetime | None
    """Naive local time on the job's common clock."""
    claim: ClaimId | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Tagged:
    """What all sources say of a photo, and the strongest of each facet."""

    sha256: Sha256
    said: tuple[FacetValue, ...]
    strongest: Mapping[Facet, FacetValue]
    flags: tuple[Finding, ...] = ()


class Photos:
    """The photo side of the catalog."""

    def __init__(self, database: Database) -> None:
        self._database = database

    # --- intake ---

    def put_intake(self, row: IntakeRow) -> None:
        """Write down a run of a card: at its start, and again when it is done."""
        values = {
            "intake": row.intake,
            "source": row.source,
            "label": row.label,
            "actor": row.actor,
            "started_at": to_text(row.started_at),
            "finished_at": to_text(row.finished_at),
            "refused": dump(to_json(row.refused)),
        }
        self._database.upsert(t.intake, [values])

    def intakes(self) -> list[IntakeRow]:
        """Every run, oldest first."""
        with self._database.transaction() as db:
            return [_read_intake(row) for row in db.execute(select(t.intake).order_by(t.intake.c.started_at))]

    def add_originals(self, intake: IntakeId, kept: Iterable[tuple[Found, Sha256, str]]) -> None:
        """Write down kept files as (found, digest, suffix); files and sightings already known stay as they are."""
        kept = list(kept)
        rows = {
            sha: {
                "sha256": sha,
                "size": found.size,
                "suffix": suffix,
                "kind": found.kind.value,
            }
            for found, sha, suffix in kept
        }
        sightings = [_sighting_columns(intake, found, sha) for found, sha, _ in kept]
        with self._database.transaction() as db:
            present = self.known(list(rows))
            new = [row for sha, row in rows.items() if sha not in present]
            if new:
                db.execute(t.original.insert(), new)
            db.execute(delete(t.sighting).where(t.sighting.c.intake == intake))
            if sightings:
                db.execute(t.sighting.insert(), sightings)

    def unfiled(self) -> list[Sha256]:
        """Kept files that stand in no bag yet: a killed run left them, the next one files them."""
        query = select(t.original.c.sha256).where(~exists().where(t.held_in.c.sha256 == t.original.c.sha256))
        with self._database.transaction() as db:
            return [Sha256(sha) for sha in db.execute(query).scalars()]

    def known(self, digests: Sequence[Sha256]) -> set[Sha256]:
        """Those of `digests` that the archive keeps."""
        found: set[Sha256] = set()
        with self._database.transaction() as db:
            for piece in chunks(digests):
                rows = db.execute(select(t.original.c.sha256).where(t.original.c.sha256.in_(piece)))
                found.update(Sha256(row.sha256) for row in rows)
        return found

    def sizes(self) -> set[int]:
        """Every size that a kept file has, in bytes: a file of another size cannot be kept already."""
        with self._database.transaction() as db:
            return set(db.execute(select(t.original.c.size).distinct()).scalars())

    def describe(self, described: Sequence[tuple[Sha256, CameraFacts, Look]]) -> None:
        """Keep what the camera says and what a look found."""
        with self._database.transaction() as db:
            for sha, facts, look in described:
                db.execute(
                    update(t.original)
                    .where(t.original.c.sha256 == sha)
                    .values(
                        facts=dump(to_json(facts)),
                        look=dump(to_json(replace(look, embedding=b""))),
                        embedding=look.embedding or None,
                        phash=look.phash or None,
                    )
                )

    def originals(self, digests: Sequence[Sha256]) -> dict[Sha256, Original]:
        """The kept files of these digests."""
        found: dict[Sha256, Original] = {}
        with self._database.transaction() as db:
            for piece in chunks(digests):
                for row in db.execute(select(t.original).where(t.original.c.sha256.in_(piece))):
                    found[Sha256(row.sha256)] = Original(
                        sha256=Sha256(row.sha256),
                        size=row.size,
                        suffix=row.suffix,
                        kind=MediaKind(row.kind),
                        described=row.look is not None,
                    )
        return found

    def sightings(self, digests: Sequence[Sha256]) -> dict[Sha256, list[Sighting]]:
        """Every card path at which a file was seen, the first intake's first."""
        found: dict[Sha256, list[Sighting]] = defaultdict(list)
        with self._database.transaction() as db:
            for piece in chunks(digests):
                query = select(t.sighting).where(t.sighting.c.sha256.in_(piece)).order_by(t.sighting.c.id)
                for row in db.execute(query):
                    found[Sha256(row.sha256)].append(_read_sighting(row))
        return {sha: sorted(seen, key=lambda one: one.intake) for sha, seen in found.items()}

    def on_card(self, intake: IntakeId) -> list[Sighting]:
        """The kept files of one card, in its order."""
        with self._database.transaction() as db:
            query = select(t.sighting).where(t.sighting.c.intake == intake).order_by(t.sighting.c.id)
            return [_read_sighting(row) for row in db.execute(query)]

    def of_days(self, days: Collection[str]) -> list[Sha256]:
        """Photos whose time, corrected, falls on these local days (ISO dates)."""
        with self._database.transaction() as db:
            found: list[Sha256] = []
            for one in sorted(days):
                query = select(t.original.c.sha256).where(t.original.c.corrected.like(f"{one}%"))
                found += [Sha256(sha) for sha in db.execute(query).scalars()]
        return found

    def together_with(self, digests: Collection[Sha256]) -> set[Sha256]:
        """The photos that a split must see beside these: those of the same stretches, the undated of the same cards.

        An undated photo has its place from its card's numbers alone, so it brings the whole card.
        """
        with self._database.transaction() as db:
            segments: set[str] = set()
            cards: set[str] = set()
            for piece in chunks(sorted(digests)):
                mine = t.original.c.sha256.in_(piece)
                segments |= set(db.execute(select(t.original.c.segment).where(mine).distinct()).scalars())
                undated = (
                    select(t.sighting.c.intake)
                    .join(t.original, t.original.c.sha256 == t.sighting.c.sha256)
                    .where(mine, t.original.c.corrected.is_(None))
                    .distinct()
                )
                cards |= set(db.execute(undated).scalars())
            found: set[Sha256] = set()
            for piece in chunks(sorted(segments - {""})):
                query = select(t.original.c.sha256).where(t.original.c.segment.in_(piece))
                found.update(Sha256(sha) for sha in db.execute(query).scalars())
            for piece in chunks(sorted(cards)):
                query = select(t.sighting.c.sha256).where(t.sighting.c.intake.in_(piece))
                found.update(Sha256(sha) for sha in db.execute(query).scalars())
        return found - set(digests)

    def companions(self, digests: Sequence[Sha256]) -> list[Sha256]:
        """These files and those that are one object with them on the card where each was first seen."""
        found = dict.fromkeys(digests)
        firsts = {seen[0] for seen in self.sightings(digests).values()}
        with self._database.transaction() as db:
            for first in sorted(firsts, key=lambda one: (one.intake, one.card_path)):
                query = select(t.sighting.c.sha256).where(
                    t.sighting.c.intake == first.intake, t.sighting.c.object_key == first.object_key
                )
                found |= dict.fromkeys(Sha256(sha) for sha in db.execute(query).scalars())
        return list(found)

    # --- split ---

    def place(self, placings: Sequence[Placing], segments: Sequence[SegmentRow]) -> set[ClaimId | None]:
        """Keep where the split put each photo; returns the claims whose photos changed."""
        touched: set[ClaimId | None] = set()
        with self._database.transaction() as db:
            digests = [one.sha256 for one in placings]
            before = {}
            for piece in chunks(digests):
                for row in db.execute(select(t.original).where(t.original.c.sha256.in_(piece))):
                    before[row.sha256] = row
            for one in placings:
                old = before[one.sha256]
                values = _placing_columns(one)
                if any(getattr(old, name) != value for name, value in values.items()):
                    db.execute(update(t.original).where(t.original.c.sha256 == one.sha256).values(**values))
                    touched |= {one.claim, ClaimId(old.claim) if old.claim else None}
            named = [s.segment for s in segments]
            stale = {row.segment for row in before.values() if row.segment} - set(named)
            for piece in chunks(sorted(stale)):
                db.execute(delete(t.segment).where(t.segment.c.segment.in_(piece)))
            self._database.upsert(t.segment, [_segment_columns(one) for one in segments])
        return touched

    def segments(self) -> list[SegmentRow]:
        """Every stretch, by day and place in it."""
        with self._database.transaction() as db:
            query = select(t.segment).order_by(t.segment.c.day, t.segment.c.position)
            return [_read_segment(row) for row in db.execute(query)]

    def segments_of(self, claim: ClaimId | None) -> list[SegmentRow]:
        """Every stretch of the days on which the claim has photos, other claims' too, by day and place in it."""
        mine = t.original.c.claim.is_(None) if claim is None else t.original.c.claim == claim
        days = (
            select(t.segment.c.day)
            .join(t.original, t.original.c.segment == t.segment.c.segment)
            .where(mine)
            .distinct()
        )
        query = (
            select(t.segment).where(t.segment.c.day.in_(days)).order_by(t.segment.c.day, t.segment.c.position)
        )
        with self._database.transaction() as db:
            return [_read_segment(row) for row in db.execute(query)]

    def outline(self, segments: Sequence[str]) -> dict[str, list[Outlined]]:
        """The files of these stretches in order, without what a look found."""
        found: dict[str, list[Outlined]] = defaultdict(list)
        some = (t.original.c.sha256, t.original.c.segment, t.original.c.kind, t.original.c.corrected)
        with self._database.transaction() as db:
            for piece in chunks(segments):
                query = (
                    select(*some, t.original.c.claim, func.min(t.sighting.c.card_path).label("card_path"))
                    .join(t.sighting, t.sighting.c.sha256 == t.original.c.sha256, isouter=True)
                    .where(t.original.c.segment.in_(piece))
                    .group_by(*some, t.original.c.claim, t.original.c.position)
                    .order_by(t.original.c.position, t.original.c.sha256)
                )
                for row in db.execute(query):
                    found[row.segment].append(
                        Outlined(
                            sha256=Sha256(row.sha256),
                            segment=row.segment,
                            name=(row.card_path or row.sha256).rsplit("/", 1)[-1],
                            kind=MediaKind(row.kind),
                            corrected=from_text(row.corrected),
                            claim=ClaimId(row.claim) if row.claim else None,
                        )
                    )
        return found

    def of_segment(self, segment: str) -> list[PhotoRecord]:
        """The segment's files in order."""
        query = select(t.original).where(t.original.c.segment == segment).order_by(t.original.c.position)
        with self._database.transaction() as db:
            return self._records(list(db.execute(query)), embeddings=False)

    def segment_of(self, sha: Sha256) -> str:
        """The segment a photo lies in; empty when it was never placed."""
        with self._database.transaction() as db:
            found = db.execute(select(t.original.c.segment).where(t.original.c.sha256 == sha)).scalar()
        return found or ""

    # --- tags ---

    def put_tags(self, tagged: Sequence[Tagged]) -> set[Sha256]:
        """Replace what is said of these photos; returns those for which anything changed."""
        changed: set[Sha256] = set()
        with self._database.transaction() as db:
            present = self.said([one.sha256 for one in tagged])
            for one in tagged:
                rows = _tag_rows(one)
                if rows == sorted(present.get(one.sha256, []), key=_tag_key):
                    continue
                changed.add(one.sha256)
                db.execute(delete(t.tag).where(t.tag.c.sha256 == one.sha256))
                if rows:
                    db.execute(t.tag.insert(), rows)
                db.execute(
                    update(t.original)
                    .where(t.original.c.sha256 == one.sha256)
                    .values(tag_flags=dump(to_json(one.flags)), version=t.original.c.version + 1)
                )
        return changed

    def state(self, digests: Sequence[Sha256], facets: Mapping[Facet, str | None], *, reason: str) -> None:
        """A person's word on these facets of these photos; None takes an earlier word back."""
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
                raised = {"version": t.original.c.version + 1}
                db.execute(update(t.original).where(t.original.c.sha256 == sha).values(raised))

    def said(self, digests: Sequence[Sha256]) -> dict[Sha256, list[dict[str, Any]]]:
        """The rows of the tag table for these photos."""
        found: dict[Sha256, list[dict[str, Any]]] = defaultdict(list)
        with self._database.transaction() as db:
            for piece in chunks(digests):
                for row in db.execute(select(t.tag).where(t.tag.c.sha256.in_(piece))).mappings():
                    found[Sha256(row["sha256"])].append(dict(row))
        return found

    def by_person(self, digests: Sequence[Sha256]) -> dict[Sha256, dict[Facet, FacetValue]]:
        """What people stated of these photos."""
        return {
            sha: {Facet(row["facet"]): _facet_value(row) for row in rows if row["source"] == Source.PERSON}
            for sha, rows in self.said(digests).items()
            if any(row["source"] == Source.PERSON for row in rows)
        }

    # --- records ---

    def versions(self, digests: Sequence[Sha256]) -> dict[Sha256, int]:
        """How often each photo's tags changed: what a reviewer saw, to compare before overwriting."""
        found: dict[Sha256, int] = {}
        with self._database.transaction() as db:
            for piece in chunks(digests):
                query = select(t.original.c.sha256, t.original.c.version).where(
                    t.original.c.sha256.in_(piece)
                )
                found.update({Sha256(row.sha256): row.version for row in db.execute(query)})
        return found

    def of_claim(self, claim: ClaimId | None, *, embeddings: bool = False) -> list[PhotoRecord]:
        """The claim's files in shooting order; None asks for the unassigned tray."""
        where = t.original.c.claim.is_(None) if claim is None else t.original.c.claim == claim
        # A plan covers whole days, so positions compare within a day and days compare by date.
        local_day = func.coalesce(func.substr(t.original.c.corrected, 1, 10), "")
        query = (
            select(t.original).where(where).order_by(local_day, t.original.c.position, t.original.c.sha256)
        )
        with self._database.transaction() as db:
            records = self._records(list(db.execute(query)), embeddings=embeddings)
        return [replace(record, order=number) for number, record in enumerate(records)]

    def records(self, digests: Sequence[Sha256], *, embeddings: bool = False) -> list[PhotoRecord]:
        """These files, in no particular order."""
        with self._database.transaction() as db:
            rows = [
                row
                for piece in chunks(digests)
                for row in db.execute(select(t.original).where(t.original.c.sha256.in_(piece)))
            ]
            return self._records(rows, embeddings=embeddings)

    def find(self, text: str) -> list[Sha256]:
        """Photos named by a digest's beginning (6 digits or more), a card path, or a camera file name."""
        wanted = text.strip()
        with self._database.transaction() as db:
            if len(wanted) >= 6 and all(c in "0123456789abcdef" for c in wanted.lower()):
                query = select(t.original.c.sha256).where(t.original.c.sha256.startswith(wanted.lower()))
                if found := [Sha256(sha) for sha in db.execute(query.limit(50)).scalars()]:
                    return found
            by_path = select(t.sighting.c.sha256).where(t.sighting.c.card_path == wanted)
            found = [Sha256(sha) for sha in db.execute(by_path).scalars()]
            if not found and "/" not in wanted:
                tail = t.sighting.c.card_path.endswith(f"/{wanted}", autoescape=True)
                query = select(t.sighting.c.sha256).where(tail | (t.sighting.c.card_path == wanted))
                found = [Sha256(sha) for sha in db.execute(query).scalars()]
        return list(dict.fromkeys(found))

    def counts(self) -> dict[ClaimId | None, tuple[int, str | None, str | None]]:
        """For each claim: files, first and last time (ISO 8601 local text) of its photos."""
        query = select(
            t.original.c.claim,
            func.count(),
            func.min(t.original.c.corrected),
            func.max(t.original.c.corrected),
        ).group_by(t.original.c.claim)
        with self._database.transaction() as db:
            return {
                (ClaimId(claim) if claim else None): (count, first, last)
                for claim, count, first, last in db.execute(query)
            }

    def to_confirm(self) -> dict[ClaimId | None, int]:
        """For each claim, how many of its photos a person should confirm."""
        query = (
            select(t.original.c.claim, func.count())
            .where(t.original.c.to_confirm.is_(True))
            .group_by(t.original.c.claim)
        )
        with self._database.transaction() as db:
            return {(ClaimId(claim) if claim else None): count for claim, count in db.execute(query)}

    def hashes(self) -> list[tuple[Sha256, ClaimId | None, str]]:
        """Digest, claim and perceptual hash of every photo that has one."""
        query = select(t.original.c.sha256, t.original.c.claim, t.original.c.phash).where(
            t.original.c.phash.is_not(None)
        )
        with self._database.transaction() as db:
            return [
                (Sha256(row.sha256), ClaimId(row.claim) if row.claim else None, row.phash)
                for row in db.execute(query)
            ]

    def forget(self, digests: Sequence[Sha256]) -> None:
        """After a purge: nothing of these photos stays here."""
        with self._database.transaction() as db:
            for piece in chunks(digests):
                for table in (t.tag, t.sighting, t.held_in, t.copy, t.original):
                    db.execute(delete(table).where(table.c.sha256.in_(piece)))

    def _records(self, rows: Sequence[Row[Any]], *, embeddings: bool) -> list[PhotoRecord]:
        digests = [Sha256(row.sha256) for row in rows]
        seen = self.sightings(digests)
        said = self.said(digests)
        return [
            _read_record(row, seen.get(row.sha256, []), said.get(row.sha256, []), embeddings) for row in rows
        ]


def device_of(facts: CameraFacts, intake: IntakeId) -> DeviceId:
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


def _read_record(
    row: Row[Any], seen: Sequence[Sighting], said: Sequence[Mapping[str, Any]], embeddings: bool
) -> PhotoRecord:
    facts = _facts(row.facts) if row.facts else CameraFacts()
    look = _look(row.look) if row.look else Look()
    if embeddings and row.embedding:
        look = replace(look, embedding=bytes(row.embedding))
    first = seen[0] if seen else None
    intake = first.intake if first else IntakeId("")
    card_path = first.card_path if first else row.sha256
    tag_flags = from_json(tuple[Finding, ...], json.loads(row.tag_flags))
    return PhotoRecord(
        sha256=Sha256(row.sha256),
        name=card_path.rsplit("/", 1)[-1],
        card_path=card_path,
        claim=ClaimId(row.claim) if row.claim else None,
        order=row.position,
        facts=facts,
        look=look,
        kind=MediaKind(row.kind),
        device=device_of(facts, intake),
        intake=intake,
        corrected=from_text(row.corrected),
        correction=row.correction,
        utc=from_text(row.utc),
        claim_confidence=row.claim_confidence,
        to_confirm=row.to_confirm,
        claim_reasons=tuple(json.loads(row.claim_reasons)),
        tags={Facet(one["facet"]): _facet_value(one) for one in said if one["strongest"]},
        flags=(*facts.flags, *look.flags, *tag_flags),
    )


def _facet_value(row: Mapping[str, Any]) -> FacetValue:
    return FacetValue(
        facet=Facet(row["facet"]),
        value=row["value"],
        source=Source(row["source"]),
        confidence=row["confidence"],
        reason=row["reason"],
    )


def _tag_rows(one: Tagged) -> list[dict[str, Any]]:
    """The photo's rows, one a facet and source; the strongest of a facet is always among them."""
    rows: dict[tuple[str, str], dict[str, Any]] = {}
    for value in (*one.said, *one.strongest.values()):
        best = one.strongest.get(value.facet)
        rows[value.facet.value, value.source.value] = {
            "sha256": one.sha256,
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


def _sighting_columns(intake: IntakeId, found: Found, sha: Sha256) -> dict[str, Any]:
    return {
        "intake": intake,
        "card_path": found.card_path,
        "sha256": sha,
        "modified": to_text(found.modified),
        "folder_number": found.dcf.folder_number if found.dcf else None,
        "file_number": found.dcf.file_number if found.dcf else None,
        "object_key": found.object_key,
    }


def _read_sighting(row: Row[Any]) -> Sighting:
    numbered = row.folder_number is not None and row.file_number is not None
    return Sighting(
        intake=IntakeId(row.intake),
        card_path=row.card_path,
        sha256=Sha256(row.sha256),
        modified=from_text(row.modified),
        dcf=DcfName(folder_number=row.folder_number, file_number=row.file_number) if numbered else None,
        object_key=row.object_key,
    )


def _read_intake(row: Row[Any]) -> IntakeRow:
    return IntakeRow(
        intake=IntakeId(row.intake),
        source=row.source,
        label=row.label,
        actor=row.actor,
        started_at=datetime.fromisoformat(row.started_at),
        finished_at=from_text(row.finished_at),
        refused=from_json(tuple[Refusal, ...], json.loads(row.refused)),
    )


def _placing_columns(one: Placing) -> dict[str, Any]:
    return {
        "claim": one.claim,
        "position": one.position,
        "segment": one.segment,
        "claim_confidence": one.confidence,
        "to_confirm": one.to_confirm,
        "claim_reasons": dump(list(one.reasons)),
        "corrected": to_text(one.corrected),
        "correction": one.correction,
        "utc": to_text(one.utc),
    }


def _segment_columns(one: SegmentRow) -> dict[str, Any]:
    return {
        "segment": one.segment,
        "claim": one.claim,
        "unknown": one.unknown,
        "first": one.first,
        "photos": one.photos,
        "day": one.day,
        "position": one.position,
        "probability": one.probability,
        "to_confirm": one.to_confirm,
        "reasons": dump(list(one.reasons)),
    }


def _read_segment(row: Row[Any]) -> SegmentRow:
    return SegmentRow(
        segment=row.segment,
        claim=ClaimId(row.claim) if row.claim else None,
        unknown=row.unknown,
        first=Sha256(row.first),
        photos=row.photos,
        day=row.day,
        position=row.position,
        probability=row.probability,
        to_confirm=row.to_confirm,
        reasons=tuple(json.loads(row.reasons)),
    )
