"""Removes what a purge must not leave in the database: of the claim all but a tombstone, digests in decisions, deleted bytes."""

from __future__ import annotations

import json
from collections.abc import Collection, Mapping, Sequence
from typing import Any

from sqlalchemy import Table, case, delete, select, text, update
from sqlalchemy.exc import DatabaseError

from evidence.catalog import tables as t
from evidence.catalog.base import Database, chunks, dump
from evidence.catalog.decision_json import decode
from evidence.errors import BadInputError
from evidence.model import ClaimId, ClaimState, Sha256

_WAIT_MS = 5000
"""How long cleaning waits for other connections."""
_GONE = object()


def forget_photos(database: Database, photos: Collection[Sha256]) -> set[ClaimId]:
    """Take these digests out of every decision; one that is about nothing else is deleted.

    Returns the claims whose decisions changed.
    A decision of an earlier day can then not file the photo when its card comes again.
    """
    gone = frozenset(photos)
    claims: set[ClaimId] = set()
    with database.transaction() as db:
        numbers: set[int] = set()
        for piece in chunks(sorted(gone)):
            query = select(t.decision_photo.c.decision).where(t.decision_photo.c.sha256.in_(piece))
            numbers |= set(db.execute(query).scalars())
            db.execute(delete(t.decision_photo).where(t.decision_photo.c.sha256.in_(piece)))
        for number in sorted(numbers):
            row = db.execute(select(t.decision).where(t.decision.c.id == number)).first()
            if row is None:
                continue
            if row.claim:
                claims.add(ClaimId(row.claim))
            database.changed(*(("claim", [row.claim]) if row.claim else ("office", [""])))
            thinned = _thinned(row.kind, json.loads(row.before), json.loads(row.after), gone)
            mine = t.decision.c.id == number
            if thinned is None:
                db.execute(delete(t.decision_photo).where(t.decision_photo.c.decision == number))
                db.execute(delete(t.decision).where(mine))
            else:
                before, after = thinned
                db.execute(update(t.decision).where(mine).values(before=dump(before), after=dump(after)))
    return claims


def reduce_to_tombstone(database: Database, claim: ClaimId) -> None:
    """After a purge: keep the claim's number and state, and of its holds the dates and people; delete the rest."""
    names = ("insured", "address", "policy_number", "carrier", "adjuster", "inspector")
    places = ("lat", "lon", "folder", "inspection_start", "inspection_end")
    blank: Mapping[str, Any] = {**dict.fromkeys(names, ""), **dict.fromkeys(places)}
    days = select(t.segment.c.day).where(t.segment.c.claim == claim).distinct()
    mine = t.decision.c.claim == claim
    with database.transaction() as db:
        database.changed("claim", [claim])
        database.changed("day", db.execute(days).scalars())
        db.execute(delete(t.waiver).where(t.waiver.c.claim == claim))
        db.execute(delete(t.tally).where(t.tally.c.claim == claim))
        db.execute(delete(t.segment).where(t.segment.c.claim == claim))
        links = t.decision_photo.c.decision.in_(select(t.decision.c.id).where(mine))
        db.execute(delete(t.decision_photo).where(links))
        db.execute(delete(t.decision).where(mine))
        lifted = case((t.hold.c.lifted_at.is_(None), None), else_="")
        db.execute(update(t.hold).where(t.hold.c.claim == claim).values(reason="", lifted_why=lifted))
        _thin_wider_holds(database, claim)
        db.execute(
            update(t.claim)
            .where(t.claim.c.claim == claim)
            .values(**blank, state=ClaimState.PURGED.value, version=t.claim.c.version + 1)
        )


def _thin_wider_holds(database: Database, claim: ClaimId) -> None:
    """Take the names out of holds on an insured or an area that covered this claim and no other that is left."""
    with database.transaction() as db:
        for row in db.execute(select(t.hold).where(t.hold.c.claim == "")).all():
            covered = set(json.loads(row.covered))
            if claim not in covered:
                continue
            others = select(t.claim.c.claim).where(
                t.claim.c.claim.in_(sorted(covered - {claim})),
                t.claim.c.state != ClaimState.PURGED.value,
            )
            if db.execute(others).first() is None:
                database.changed("office", [""])
                values = {"reason": "", "insured": "", "area": "[]"}
                why = {} if row.lifted_why is None else {"lifted_why": ""}
                db.execute(update(t.hold).where(t.hold.c.id == row.id).values(**values, **why))


def _thinned(kind: str, before: Any, after: Any, gone: frozenset[str]) -> tuple[Any, Any] | None:
    """Both sides without the digests; None when nothing is left that makes a decision of that kind."""
    before, after = _without(before, gone), _without(after, gone)
    if before is _GONE or after is _GONE:
        return None
    try:
        return (before, after) if decode(kind, before, after).about() else None
    except (BadInputError, ValueError, KeyError, TypeError):
        return None


def _without(value: Any, gone: frozenset[str]) -> Any:
    if isinstance(value, str):
        return _GONE if value in gone else value
    if isinstance(value, dict):
        kept = {name: _without(one, gone) for name, one in value.items() if name not in gone}
        return {name: one for name, one in kept.items() if one is not _GONE}
    if isinstance(value, list):
        return [one for one in (_without(each, gone) for each in value) if one is not _GONE]
    return value


def overwrite_deleted(database: Database, tables: Sequence[Table] = t.metadata.sorted_tables) -> str:
    """Write the database anew, of a server's these tables, so that no deleted row is left in its files; returns what could not be overwritten, or an empty text.

    SQLite: VACUUM, then the write-ahead log is emptied. PostgreSQL: VACUUM FULL; its own log and backups are the
    server's.
    """
    with database.engine.connect().execution_options(isolation_level="AUTOCOMMIT") as db:
        try:
            if database.engine.dialect.name == "postgresql":
                db.execute(text(f"SET lock_timeout = {_WAIT_MS}"))
                for table in tables:
                    db.execute(text(f'VACUUM (FULL) "{table.name}"'))
                db.execute(text("SET lock_timeout = DEFAULT"))
                return ""
            db.execute(text(f"PRAGMA busy_timeout = {_WAIT_MS}"))
            db.execute(text("VACUUM"))
            busy, *_ = db.execute(text("PRAGMA wal_checkpoint(TRUNCATE)")).one()
        except DatabaseError:
            return _OWED
        else:
            return _OWED if busy else ""
        finally:
            if database.engine.dialect.name == "sqlite":
                db.execute(text("PRAGMA busy_timeout = 60000"))


_OWED = (
    "Deleted rows are still in the database's files, because another program has the catalog open. Close the board "
    "and other commands, then run this command again."
)
