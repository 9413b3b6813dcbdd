"""Claims, their waivers, and what people decided."""

from __future__ import annotations

import functools
import json
from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, TypeVar

from sqlalchemy import ColumnElement, Row, Select, Update, bindparam, delete, exists, insert, select, update

from evidence.catalog import tables as t
from evidence.catalog.base import (
    AMONG,
    Database,
    chunks,
    day,
    dump,
    every_row,
    from_text,
    rows_among,
    rows_with,
    to_text,
)
from evidence.catalog.decision_json import decode, decode_text, encode, kinds_of
from evidence.catalog.decisions import Decision, DecisionRow
from evidence.model import Claim, ClaimId, ClaimState, GeoPoint, Sha256

D = TypeVar("D", bound=Decision)


@dataclass(frozen=True, slots=True, kw_only=True)
class ClaimRow:
    """A claim, its state and its bag's folder."""

    claim: Claim
    state: ClaimState
    closed_on: date | None
    """None while open or after a reopening."""
    folder: str | None
    version: int
    """Raised by every change of the claim or its photos' tags."""
    added_at: str = ""
    """When the claim was loaded; the same for all claims of one load."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WaiverRow:
    """A required shot that a person set aside for a claim."""

    claim: ClaimId
    requirement: str
    place: str
    """A face or a structure; empty: everywhere that the list asks for it."""
    by: str
    why: str
    at: datetime


PARTIES = ("policy_number", "carrier", "adjuster", "inspector")
"""Columns that name the policy, or people, for the report."""


class Claims:
    """The claim side of the catalog."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def put(self, claims: Sequence[Claim], *, at: datetime) -> tuple[int, int]:
        """Add or update claims; returns how many were added and how many changed. Their states stay."""
        added = changed = 0
        with self._database.transaction() as db:
            self._changed(*(claim.claim for claim in claims))
            for claim in claims:
                row = _claim_columns(claim)
                present = db.execute(rows_with(t.claim.c.claim), {"value": claim.claim}).first()
                if present is None:
                    extra = {"state": ClaimState.OPEN.value, "added_at": to_text(at), "version": 0}
                    db.execute(insert(t.claim), row | extra)
                    added += 1
                elif _read(present).claim != claim:
                    db.execute(
                        update(t.claim)
                        .where(t.claim.c.claim == claim.claim)
                        .values(**row, version=t.claim.c.version + 1)
                    )
                    changed += 1
        return added, changed

    def all(self) -> list[ClaimRow]:
        """Every claim, by number."""
        with self._database.transaction() as db:
            return [_read(row) for row in db.execute(every_row(t.claim))]

    def kept(self) -> list[Claim]:
        """Every claim that is neither purged nor in quarantine, by number, with what rules and holds ask of it alone."""
        claim = t.claim.c
        query = select(
            claim.claim, claim.insured, claim.address, claim.loss_date, claim.peril, claim.jurisdiction, claim.line,
            claim.carrier,
        ).where(claim.state.not_in([state.value for state in ClaimState if state.is_gone]))  # fmt: skip
        with self._database.transaction() as db:
            return [
                Claim(
                    claim=number, insured=insured, address=address, loss_date=day(loss), peril=peril,
                    jurisdiction=jurisdiction, line=line, carrier=carrier,
                )
                for number, insured, address, loss, peril, jurisdiction, line, carrier in db.execute(
                    query.order_by(claim.claim)
                ).all()
            ]  # fmt: skip

    def numbers(self) -> list[ClaimId]:
        """The number of every claim, sorted; nothing else of the claims is read."""
        with self._database.transaction() as db:
            return [ClaimId(claim) for claim in db.execute(_numbers()).scalars()]

    def last_open(self, most: int) -> list[ClaimId]:
        """The numbers of the last open claims by number, at most so many."""
        claim = t.claim.c
        query = select(claim.claim).where(claim.state == ClaimState.OPEN.value)
        with self._database.transaction() as db:
            found = db.execute(query.order_by(claim.claim.desc()).limit(most)).scalars()
            return [ClaimId(number) for number in reversed(found.all())]

    def of(self, claims: Collection[ClaimId]) -> dict[ClaimId, ClaimRow]:
        """The rows of these claims, by number; unknown ones are left out."""
        with self._database.transaction() as db:
            rows = [
                _read(row)
                for piece in chunks(sorted(claims))
                for row in db.execute(rows_among(t.claim.c.claim), {"among": piece})
            ]
        return {row.claim.claim: row for row in rows}

    def waiting(self, most: int) -> list[ClaimRow]:
        """The last open claims without photos, at most so many, by number."""
        claim = t.claim.c
        photos = exists().where(t.claim_total.c.claim == claim.claim)
        query = select(t.claim).where(claim.state == ClaimState.OPEN.value, ~photos)
        with self._database.transaction() as db:
            rows = db.execute(query.order_by(claim.claim.desc()).limit(most)).all()
        return [_read(row) for row in reversed(rows)]

    def open_within(self, *, south: float, north: float, west: float, east: float) -> list[ClaimRow]:
        """The open claims whose address lies within these degrees, by number."""
        claim = t.claim.c
        query = select(t.claim).where(
            claim.state == ClaimState.OPEN.value,
            claim.lat.between(south, north),
            claim.lon.between(west, east),
        )
        with self._database.transaction() as db:
            return [_read(row) for row in db.execute(query.order_by(claim.claim))]

    def folders(self) -> list[str]:
        """The folders of all bags, in no particular order; nothing else of the claims is read."""
        with self._database.transaction() as db:
            return list(db.execute(_folders()).scalars())

    def in_folder(self, folder: str) -> ClaimRow | None:
        """The claim whose bag has that folder, or None."""
        with self._database.transaction() as db:
            row = db.execute(rows_with(t.claim.c.folder), {"value": folder}).first()
        return _read(row) if row else None

    def purged(self) -> list[ClaimId]:
        """The numbers of the claims that were purged, sorted; nothing else of them is read."""
        query = select(t.claim.c.claim).where(t.claim.c.state == ClaimState.PURGED.value)
        with self._database.transaction() as db:
            return [ClaimId(claim) for claim in db.execute(query.order_by(t.claim.c.claim)).scalars()]

    def get(self, claim: ClaimId) -> ClaimRow | None:
        """The claim of that number, or None."""
        with self._database.transaction() as db:
            row = db.execute(rows_with(t.claim.c.claim), {"value": claim}).first()
        return _read(row) if row else None

    def set_folder(self, claim: ClaimId, folder: str) -> None:
        """Store the folder of the claim's bag."""
        self._set(claim, folder=folder)

    def set_state(self, claim: ClaimId, state: ClaimState, *, closed_on: date | None = None) -> None:
        """Set the claim's state, with the day of closing for CLOSED; raises its version."""
        self._set(claim, state=state.value, closed_on=closed_on.isoformat() if closed_on else None)

    def touch(self, claims: Collection[ClaimId]) -> None:
        """Raise the claims' versions."""
        with self._database.transaction() as db:
            self._changed(*claims)
            for piece in chunks(sorted(claims)):
                db.execute(_touched(), {"among": piece})

    def _changed(self, *claims: str | None) -> None:
        """The record files of these claims are out of date; decisions without a claim are in the office's."""
        self._database.changed("claim", (claim for claim in claims if claim))
        if None in claims:
            self._database.changed("office", [""])

    def _set(self, claim: ClaimId, **values: Any) -> None:
        with self._database.transaction() as db:
            self._changed(claim)
            db.execute(
                update(t.claim)
                .where(t.claim.c.claim == claim)
                .values(**values, version=t.claim.c.version + 1)
            )

    def drop(self, claim: ClaimId) -> None:
        """Delete a claim that has no photos and about which nothing was decided."""
        with self._database.transaction() as db:
            self._changed(claim)
            for table in (t.tally, t.claim):
                db.execute(delete(table).where(table.c.claim == claim))

    # --- waivers ---

    def put_waiver(self, waiver: WaiverRow) -> None:
        """Add the waiver, or replace the one of the same requirement and place."""
        row = {
            "claim": waiver.claim,
            "requirement": waiver.requirement,
            "place": waiver.place,
            "by": waiver.by,
            "why": waiver.why,
            "at": to_text(waiver.at),
        }
        with self._database.transaction():
            self._changed(waiver.claim)
            self._database.upsert(t.waiver, [row])

    def drop_waiver(self, claim: ClaimId, requirement: str, place: str) -> None:
        """Delete a waiver."""
        mine = (
            (t.waiver.c.claim == claim)
            & (t.waiver.c.requirement == requirement)
            & (t.waiver.c.place == place)
        )
        with self._database.transaction() as db:
            self._changed(claim)
            db.execute(delete(t.waiver).where(mine))

    def waivers(self, claim: ClaimId) -> list[WaiverRow]:
        """The claim's waivers."""
        with self._database.transaction() as db:
            return [
                WaiverRow(
                    claim=ClaimId(row.claim),
                    requirement=row.requirement,
                    place=row.place,
                    by=row.by,
                    why=row.why,
                    at=datetime.fromisoformat(row.at),
                )
                for row in db.execute(rows_with(t.waiver.c.claim), {"value": claim})
            ]

    # --- decisions ---

    def record(self, decision: Decision, *, claim: ClaimId | None, at: datetime, actor: str) -> int:
        """Write down what a person decided; returns its number."""
        before, after = encode(decision)
        with self._database.transaction() as db:
            self._changed(claim)
            row = {
                "at": to_text(at),
                "actor": actor,
                "kind": decision.kind,
                "claim": claim,
                "before": dump(before),
                "after": dump(after),
                "station": self._database.station,
            }
            result = db.execute(insert(t.decision), row)
            number = int(result.inserted_primary_key[0]) if result.inserted_primary_key else 0
            _put_links(self._database, {number: decision.about()})
            return number

    def decisions(
        self,
        of: type[D],
        *,
        claim: ClaimId | None = None,
        photos: Collection[Sha256] | None = None,
        after: int = 0,
        in_force_only: bool = True,
    ) -> list[DecisionRow[D]]:
        """Decisions of that type, or of any type of that group, in the order they were made.

        With `claim` those of that claim, with `photos` those about one of these photos, with `after` those of a
        higher number; no others are read.
        """
        if photos is None:
            return self._decisions(of, claim, None, after=after, in_force_only=in_force_only)
        found: dict[int, DecisionRow[D]] = {}
        for piece in chunks(sorted(photos)):
            rows = self._decisions(of, claim, piece, after=after, in_force_only=in_force_only)
            found |= {row.number: row for row in rows}
        return [found[number] for number in sorted(found)]

    def in_force(self, of: type[D], number: int | None = None) -> DecisionRow[D] | None:
        """The decision of that number and type or group, the newest one for None, unless it is undone; no other is read."""
        query = _newest_decision(by_number=number is not None)
        with self._database.transaction() as db:
            row = db.execute(query, {"kinds": kinds_of(of), "number": number}).first()
        return _read_decision(row, of) if row else None

    def _decisions(
        self,
        of: type[D],
        claim: ClaimId | None,
        photos: Sequence[Sha256] | None,
        *,
        after: int,
        in_force_only: bool,
    ) -> list[DecisionRow[D]]:
        asked: dict[str, Any] = {
            "photos": photos,
            "kinds": None if of is Decision else kinds_of(of),
            "claim": claim,
            "after": after or None,
        }
        given = {name: value for name, value in asked.items() if value is not None}
        query = _decisions(frozenset(given), in_force_only=in_force_only)
        with self._database.transaction() as db:
            return [_read_decision(row, of) for row in db.execute(query, given)]

    def newest_of(
        self, of: type[D], claims: Collection[ClaimId], *, tray: bool, most: int
    ) -> list[DecisionRow[D]]:
        """The newest decisions of that type or group in these claims, and with `tray` in no claim, at most so many.

        The newest first; none that was undone.
        """
        decision = t.decision.c
        wanted = [decision.claim.in_(piece) for piece in chunks(sorted(claims))]
        wanted += [decision.claim.is_(None)] if tray else []
        found: list[DecisionRow[D]] = []
        with self._database.transaction() as db:
            for where in wanted:
                query = select(t.decision).where(
                    where, decision.kind.in_(kinds_of(of)), decision.undone.is_(False)
                )
                rows = db.execute(query.order_by(decision.id.desc()).limit(most))
                found += [_read_decision(row, of) for row in rows]
        return sorted(found, key=lambda row: -row.number)[:most]

    def in_force_by_claim(self, of: type[D]) -> dict[ClaimId, list[D]]:
        """The decisions of that type or group that are not undone, by the claim that each names, in the order they were made."""
        decision = t.decision.c
        query = select(decision.claim, decision.kind, decision.before, decision.after).order_by(decision.id)
        query = query.where(
            decision.kind.in_(kinds_of(of)), decision.undone.is_(False), decision.claim.is_not(None)
        )
        found: dict[ClaimId, list[D]] = defaultdict(list)
        with self._database.transaction() as db:
            for claim, kind, before, after in db.execute(query).all():
                one = decode_text(kind, before, after)
                assert isinstance(one, of)
                found[claim].append(one)
        return found

    def latest_about(self, photo: Sha256, of: type[D]) -> DecisionRow[D] | None:
        """The newest decision of that type or group about the photo that was not undone."""
        with self._database.transaction() as db:
            row = db.execute(_latest_about(), {"photo": photo, "kinds": kinds_of(of)}).first()
        return _read_decision(row, of) if row else None

    def mark_undone(self, number: int) -> None:
        """Mark the decision as undone; the row stays."""
        mine = t.decision.c.id == number
        with self._database.transaction() as db:
            self._changed(*db.execute(select(t.decision.c.claim).where(mine)).scalars())
            db.execute(update(t.decision).where(mine).values(undone=True))


@functools.cache
def _numbers() -> Select[Any]:
    return select(t.claim.c.claim).order_by(t.claim.c.claim)


@functools.cache
def _folders() -> Select[Any]:
    return select(t.claim.c.folder).where(t.claim.c.folder.is_not(None))


@functools.cache
def _touched() -> Update:
    """Raises the versions of the claims `among`."""
    return update(t.claim).where(t.claim.c.claim.in_(AMONG)).values(version=t.claim.c.version + 1)


@functools.cache
def _in_force() -> Select[Any]:
    """Asks for the decisions of the `kinds` that are not undone."""
    kinds = t.decision.c.kind.in_(bindparam("kinds", expanding=True))
    return select(t.decision).where(kinds, t.decision.c.undone.is_(False))


@functools.cache
def _newest_decision(*, by_number: bool) -> Select[Any]:
    query = _in_force().order_by(t.decision.c.id.desc()).limit(1)
    return query.where(t.decision.c.id == bindparam("number")) if by_number else query


@functools.cache
def _latest_about() -> Select[Any]:
    about = t.decision_photo.c
    query = _in_force().join(t.decision_photo, about.decision == t.decision.c.id)
    return query.where(about.sha256 == bindparam("photo")).order_by(t.decision.c.id.desc()).limit(1)


@functools.cache
def _decisions(asked: frozenset[str], *, in_force_only: bool) -> Select[Any]:
    """Asks for the decisions for which these parameters hold, in their order."""
    decision, about = t.decision.c, t.decision_photo.c
    of_photos = select(about.decision).where(about.sha256.in_(bindparam("photos", expanding=True)))
    parts: dict[str, ColumnElement[bool]] = {
        "photos": decision.id.in_(of_photos),
        "kinds": decision.kind.in_(bindparam("kinds", expanding=True)),
        "claim": decision.claim == bindparam("claim"),
        "after": decision.id > bindparam("after"),
    }
    query = select(t.decision).where(*(parts[name] for name in sorted(asked)))
    return (query.where(decision.undone.is_(False)) if in_force_only else query).order_by(decision.id)


def link_photos(database: Database, rows: Iterable[Mapping[str, Any]]) -> None:
    """Link decisions to the photos that they are about, for rows of table `decision` that were put back."""
    _put_links(
        database,
        {
            row["id"]: decode(row["kind"], json.loads(row["before"]), json.loads(row["after"])).about()
            for row in rows
        },
    )


def _put_links(database: Database, about: Mapping[int, Collection[Sha256]]) -> None:
    rows = [
        {"sha256": sha, "decision": number}
        for number, photos in about.items()
        for sha in dict.fromkeys(photos)
    ]
    database.upsert(t.decision_photo, rows)


def _claim_columns(claim: Claim) -> dict[str, Any]:
    return {
        "claim": claim.claim,
        "insured": claim.insured,
        "address": claim.address,
        "lat": claim.place.lat if claim.place else None,
        "lon": claim.place.lon if claim.place else None,
        "loss_date": claim.loss_date.isoformat() if claim.loss_date else None,
        "peril": claim.peril,
        "jurisdiction": claim.jurisdiction,
        "line": claim.line,
        "stories": claim.stories,
        **{name: getattr(claim, name) for name in PARTIES},
        "inspection_start": claim.inspection_start.isoformat() if claim.inspection_start else None,
        "inspection_end": claim.inspection_end.isoformat() if claim.inspection_end else None,
    }


def _read(row: Row[Any]) -> ClaimRow:
    place = GeoPoint(lat=row.lat, lon=row.lon) if row.lat is not None and row.lon is not None else None
    claim = Claim(
        claim=ClaimId(row.claim),
        insured=row.insured,
        address=row.address,
        place=place,
        loss_date=day(row.loss_date),
        peril=row.peril,
        jurisdiction=row.jurisdiction,
        line=row.line,
        stories=row.stories,
        **{name: getattr(row, name) for name in PARTIES},
        inspection_start=from_text(row.inspection_start),
        inspection_end=from_text(row.inspection_end),
    )
    return ClaimRow(
        claim=claim,
        state=ClaimState(row.state),
        closed_on=day(row.closed_on),
        folder=row.folder,
        version=row.version,
        added_at=row.added_at,
    )


def _read_decision(row: Row[Any], of: type[D]) -> DecisionRow[D]:
    decision = decode_text(row.kind, row.before, row.after)
    assert isinstance(decision, of)
    return DecisionRow(
        number=row.id,
        at=datetime.fromisoformat(row.at),
        actor=row.actor,
        claim=ClaimId(row.claim) if row.claim else None,
        decision=decision,
        undone=row.undone,
    )
