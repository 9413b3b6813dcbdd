"""Where the split put each photo, and the segments of each day."""

from __future__ import annotations

import functools
import json
from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Row, Select, bindparam, func, select

from evidence.catalog import tables as t
from evidence.catalog.base import (
    AMONG,
    Database,
    chunks,
    deleted_among,
    dump,
    from_text,
    rows_among,
    rows_with,
    to_text,
    values_among,
    values_with,
)
from evidence.catalog.totals import TRAY, count_copies, count_photos
from evidence.model import ClaimId, MediaKind, PlacedPhoto, Sha256

MOST_IN_SEGMENT = 1_000_000
"""More photos than one house has on one day."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Placing:
    """A photo that the split placed, with its place in the catalog."""

    photo: PlacedPhoto
    position: int
    """Place in its segment, from 0; it stays the same when other houses of the day change."""
    segment: str
    """Id of its segment in the catalog."""
    segment_position: int = 0
    """Its segment's place in the order of the days that were split together, from 0; kept with the segment alone."""
    reasons: tuple[str, ...]
    """Why its segment begins where it does."""


def order_of(segment_position: int, position: int) -> int:
    """A number that sorts the photos of one day: by segment, then by place in it."""
    return segment_position * MOST_IN_SEGMENT + position


@dataclass(frozen=True, slots=True, kw_only=True)
class SegmentRow:
    """A run of photos of one house on one day, and why it begins where it does."""

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
    """What a timeline shows of a file."""

    sha256: Sha256
    segment: str
    name: str
    kind: MediaKind
    corrected: datetime | None
    """Naive local time on the job's common clock."""
    claim: ClaimId | None


class Segments:
    """Placings and segments."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def would_touch(self, placings: Sequence[Placing]) -> set[ClaimId | None]:
        """The claims whose photos these placings change; nothing is stored."""
        with self._database.transaction():
            return self._touched(placings, self._placed([one.photo.sha256 for one in placings]))

    def _placed(self, digests: Sequence[Sha256]) -> dict[str, Row[Any]]:
        with self._database.transaction() as db:
            return {
                row.sha256: row
                for piece in chunks(digests)
                for row in db.execute(rows_among(t.original.c.sha256), {"among": piece})
            }

    @staticmethod
    def _touched(placings: Sequence[Placing], before: Mapping[str, Row[Any]]) -> set[ClaimId | None]:
        touched: set[ClaimId | None] = set()
        for one in placings:
            old = before[one.photo.sha256]
            if _is_changed(one, old):
                touched |= {one.photo.claim, ClaimId(old.claim) if old.claim else None}
        return touched

    def place(self, placings: Sequence[Placing], segments: Sequence[SegmentRow]) -> set[ClaimId | None]:
        """Store where the split put each photo; returns the claims whose photos changed."""
        with self._database.transaction() as db:
            before = self._placed([one.photo.sha256 for one in placings])
            changed = [one for one in placings if _is_changed(one, before[one.photo.sha256])]
            self._database.set_each(
                t.original,
                [{"sha256": one.photo.sha256, **_placing_columns(one)} for one in changed],
            )
            named = [s.segment for s in segments]
            stale = {row.segment for row in before.values() if row.segment} - set(named)
            days = {one.day for one in segments}
            for piece in chunks(sorted(stale | set(named))):
                query = values_among(t.segment.c.day, t.segment.c.segment)
                days.update(db.execute(query, {"among": piece}).scalars())
            self._database.changed("day", days)
            for piece in chunks(sorted(stale)):
                db.execute(deleted_among(t.segment.c.segment), {"among": piece})
            self._database.upsert(t.segment, [_segment_columns(one) for one in segments])
            touched = self._touched(placings, before)
            count_photos(self._database, touched)
            if moved := {
                claim
                for one in placings
                for claim in (one.photo.claim, before[one.photo.sha256].claim)
                if one.photo.claim != before[one.photo.sha256].claim
            }:
                count_copies(self._database, moved)
            return touched

    def segments(self) -> list[SegmentRow]:
        """Every segment, by day and position in it."""
        with self._database.transaction() as db:
            return [_read_segment(row) for row in db.execute(_every_segment())]

    def segment_named(self, segment: str) -> SegmentRow | None:
        """The segment of that name, or None."""
        with self._database.transaction() as db:
            row = db.execute(rows_with(t.segment.c.segment), {"value": segment}).first()
        return _read_segment(row) if row else None

    def segments_beside(self, first: Sha256) -> list[SegmentRow]:
        """The segments of the days on which one begins with this photo, by position."""
        days = select(t.segment.c.day).where(t.segment.c.first == first)
        query = select(t.segment).where(t.segment.c.day.in_(days))
        with self._database.transaction() as db:
            rows = db.execute(query.order_by(t.segment.c.day, t.segment.c.position))
            return [_read_segment(row) for row in rows]

    def segments_of(self, claim: ClaimId | None) -> list[SegmentRow]:
        """Every segment of the days on which the claim has photos, other claims' too, by day and position in it."""
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
        """The files of these segments in order, without what was found in their pixels."""
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

    def placed(self, digests: Sequence[Sha256]) -> set[Sha256]:
        """Those of these files that a split placed, in a claim or in none."""
        found: set[Sha256] = set()
        with self._database.transaction() as db:
            for piece in chunks(digests):
                mine = t.original.c.sha256.in_(piece) & (t.original.c.segment != "")
                found |= {
                    Sha256(sha) for sha in db.execute(select(t.original.c.sha256).where(mine)).scalars()
                }
        return found

    def segment_of(self, sha: Sha256) -> str:
        """The segment of a photo; empty when it was never placed."""
        with self._database.transaction() as db:
            query = values_with(t.original.c.segment, t.original.c.sha256)
            found = db.execute(query, {"value": sha}).scalar()
        return found or ""

    def of_days(self, days: Collection[str]) -> list[Sha256]:
        """Photos whose corrected time is on these local days (ISO dates)."""
        with self._database.transaction() as db:
            found: list[Sha256] = []
            for one in sorted(days):
                rows = db.execute(_corrected_within(), {"first": one, "end": f"{one}U"})  # T < U
                found += [Sha256(sha) for sha in rows.scalars()]
        return found

    def together_with(self, digests: Collection[Sha256]) -> set[Sha256]:
        """The other photos that a split of these needs: those of the same segments, and whole cards for undated ones.

        An undated photo is placed by its card's file numbers alone, so it needs the whole card.
        """
        with self._database.transaction() as db:
            segments: set[str] = set()
            cards: set[str] = set()
            for piece in chunks(sorted(digests)):
                query = values_among(t.original.c.segment, t.original.c.sha256)
                segments |= set(db.execute(query, {"among": piece}).scalars())
                cards |= set(db.execute(_cards_of_undated(), {"among": piece}).scalars())
            found: set[Sha256] = set()
            for piece in chunks(sorted(segments - {""})):
                query = values_among(t.original.c.sha256, t.original.c.segment)
                found.update(Sha256(sha) for sha in db.execute(query, {"among": piece}).scalars())
            for piece in chunks(sorted(cards)):
                query = values_among(t.sighting.c.sha256, t.sighting.c.intake)
                found.update(Sha256(sha) for sha in db.execute(query, {"among": piece}).scalars())
        return found - set(digests)

    def counts(self, *among: ClaimId | None) -> dict[ClaimId | None, tuple[int, str | None, str | None]]:
        """For each claim, or each of these: files, first and last time (ISO 8601 local text) of its photos."""
        with self._database.transaction() as db:
            rows = db.execute(*_totals(among))
            return {
                (ClaimId(row.claim) if row.claim else None): (row.files, row.first, row.last) for row in rows
            }

    def to_confirm(self, *among: ClaimId | None) -> dict[ClaimId | None, int]:
        """For each claim, or each of these, how many of its photos a person should confirm; without those of none."""
        with self._database.transaction() as db:
            rows = db.execute(*_totals(among, to_confirm=True))
            return {(ClaimId(row.claim) if row.claim else None): row.to_confirm for row in rows}


def _totals(
    among: Sequence[ClaimId | None], *, to_confirm: bool = False
) -> tuple[Select[Any], dict[str, list[ClaimId]]]:
    """A query of the counts of these claims, or of all, and its parameters."""
    query = _counted(among=bool(among), to_confirm=to_confirm)
    return query, {"among": [claim or TRAY for claim in among]} if among else {}


@functools.cache
def _counted(*, among: bool, to_confirm: bool) -> Select[Any]:
    """Asks for the counts of the claims `among`, or of all; with `to_confirm` of those with photos to confirm."""
    total = t.claim_total.c
    query = select(t.claim_total)
    query = query.where(total.claim.in_(AMONG)) if among else query
    return query.where(total.to_confirm > 0) if to_confirm else query


@functools.cache
def _every_segment() -> Select[Any]:
    return select(t.segment).order_by(t.segment.c.day, t.segment.c.position)


@functools.cache
def _corrected_within() -> Select[Any]:
    """Asks for the files with a corrected time from `first` to before `end`."""
    corrected = t.original.c.corrected
    return select(t.original.c.sha256).where(corrected >= bindparam("first"), corrected < bindparam("end"))


@functools.cache
def _cards_of_undated() -> Select[Any]:
    """Asks for the intakes that saw those of the files `among` that have no corrected time."""
    return (
        select(t.sighting.c.intake)
        .join(t.original, t.original.c.sha256 == t.sighting.c.sha256)
        .where(t.original.c.sha256.in_(AMONG), t.original.c.corrected.is_(None))
        .distinct()
    )


SAME_CONFIDENCE = 0.02
"""A confidence that differs by less says the same of a photo (no source). Every house of a day changes those of the others
by some thousandths, and the words beside them, without changing where a photo belongs."""
_SOFT = ("claim_confidence", "claim_reasons")


def _is_changed(one: Placing, old: Row[Any]) -> bool:
    """Whether the photo belongs elsewhere, is at another place or time, or is clearly more or less certain.

    Otherwise it keeps the confidence and the reasons with which it was placed, and its claim is not touched.
    """
    hard = any(
        getattr(old, name) != value for name, value in _placing_columns(one).items() if name not in _SOFT
    )
    return hard or abs(old.claim_confidence - one.photo.confidence) >= SAME_CONFIDENCE


def _placing_columns(one: Placing) -> dict[str, Any]:
    return {
        "claim": one.photo.claim,
        "position": one.position,
        "segment": one.segment,
        "claim_confidence": one.photo.confidence,
        "to_confirm": one.photo.to_confirm,
        "claim_reasons": dump(list(one.reasons)),
        "corrected": to_text(one.photo.corrected),
        "correction": one.photo.correction,
        "utc": to_text(one.photo.utc),
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
