"""Which bag holds which originals, and where each copy was read back and matched."""

from __future__ import annotations

import functools
import json
from collections import Counter, defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import (
    CompoundSelect,
    Row,
    Select,
    Update,
    and_,
    bindparam,
    delete,
    exists,
    func,
    literal,
    select,
    union,
    update,
)

from evidence.catalog import pushes
from evidence.catalog import tables as t
from evidence.catalog.base import (
    AMONG,
    VALUE,
    Database,
    chunks,
    deleted_with,
    from_text,
    own_bags,
    own_only,
    rows_among,
    rows_with,
    to_text,
    values_among,
    values_with,
)
from evidence.catalog.totals import TRAY, count_all, count_copies_in, count_copies_of
from evidence.model import ClaimId, Sha256

RETIRED = "#"
"""In the name of a place: the target was lost or replaced. No target in the settings has this character."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CopyRow:
    """A copy of one original in the archive or at a backup target."""

    sha256: Sha256
    place: str
    place_id: str
    off_computer: bool
    claim: ClaimId
    verified_at: datetime | None
    """When it was last read back and matched, aware, UTC."""
    found_bad_at: datetime | None = None
    """When it was last found altered, unreadable or gone, aware, UTC."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaceTotals:
    """What one place holds."""

    copies: int
    """Originals that were read back and matched there, and not found bad since."""
    octets: int
    """Their bytes."""
    bad: int
    """Originals that were found altered, unreadable or gone, or never matched."""
    oldest_read: datetime | None
    """When the copy that was read back longest ago was read, aware, UTC."""
    newest_read: datetime | None


NOTHING = PlaceTotals(copies=0, octets=0, bad=0, oldest_read=None, newest_read=None)
"""What a place without copies holds."""


class Keeping:
    """Bags and copies."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def mark_dirty(self, claims: Collection[ClaimId | None]) -> None:
        """The bags of these claims are outdated; None is the tray. A claim without photos and bag gets none."""
        names = sorted({claim or TRAY for claim in claims})
        with self._database.transaction() as db:
            for piece in chunks(names):
                known = set(db.execute(_with_photos_or_bag(), {"among": piece}).scalars())
                self._database.upsert(t.bag, [{"claim": name, "dirty": True} for name in known])
                db.execute(_bags_changed(), {"among": sorted(known)})
                self._database.changed("claim", (name for name in piece if name in known and name))

    def changes(self, claim: ClaimId) -> int:
        """How often the claim's bag was marked as outdated; read it before you read what the bag is to hold."""
        with self._database.transaction() as db:
            query = values_with(t.bag.c.changes, t.bag.c.claim)
            return db.execute(query, {"value": claim}).scalar_one_or_none() or 0

    def mark_clean(
        self, claim: ClaimId, paths: Mapping[Sha256, str], *, at: datetime, changes: int | None = None
    ) -> None:
        """Record that the bag was built with exactly these originals, at these payload paths.

        When it was marked as outdated again since it had `changes`, it stays marked.
        """
        with self._database.transaction() as db:
            self._database.changed("claim", [claim] if claim else [])
            self._database.changed("bag", [claim])
            self._database.upsert(t.bag, [{"claim": claim, "dirty": False, "built_at": to_text(at)}])
            if changes is not None:
                db.execute(_changed_since(), {"value": claim, "then": changes})
            db.execute(deleted_with(t.held_in.c.claim), {"value": claim})
            rows = [{"sha256": sha, "claim": claim, "payload_path": path} for sha, path in paths.items()]
            if rows:
                db.execute(t.held_in.insert(), rows)
            pushes.bag_changed(self._database, claim)

    def remove_empty(self, claim: ClaimId, *, changes: int) -> None:
        """Record that the claim's bag, which held no original any more, was removed here.

        Its copies stay recorded until a backup removes them at the targets. When the bag was marked as outdated again
        since it had `changes`, it stays marked, and the next build makes it anew.
        """
        with self._database.transaction() as db:
            self._database.changed("claim", [claim] if claim else [])
            self._database.changed("bag", [claim])
            db.execute(deleted_with(t.held_in.c.claim), {"value": claim})
            db.execute(delete(t.bag).where((t.bag.c.claim == claim) & (t.bag.c.changes == changes)))
            pushes.bag_changed(self._database, claim)

    def dirty(self) -> list[ClaimId]:
        """Claims whose bags must be built, sorted; the tray is TRAY. None whose bag stands at another station."""
        with self._database.transaction() as db:
            found = db.execute(_dirty(self._database.station))
            return [ClaimId(claim) for claim in found.scalars()]

    def is_dirty(self, claim: ClaimId) -> bool:
        """True when the claim's bag must be built, at whichever station it stands."""
        with self._database.transaction() as db:
            found = db.execute(values_with(t.bag.c.dirty, t.bag.c.claim), {"value": claim})
            return bool(found.scalar_one_or_none())

    def bags(self) -> list[ClaimId]:
        """The claim of every bag that stands at this station, or at none yet, sorted; the tray is TRAY."""
        with self._database.transaction() as db:
            return [ClaimId(claim) for claim in db.execute(_own_bags(self._database.station)).scalars()]

    def has_bag(self, claim: ClaimId) -> bool:
        """True when the claim has a bag, at any station."""
        with self._database.transaction() as db:
            found = db.execute(values_with(t.bag.c.claim, t.bag.c.claim), {"value": claim})
            return found.first() is not None

    def held_in(self, digests: Sequence[Sha256]) -> dict[Sha256, list[tuple[ClaimId, str]]]:
        """For each original, the bags that hold it and where in them."""
        found: dict[Sha256, list[tuple[ClaimId, str]]] = defaultdict(list)
        with self._database.transaction() as db:
            for piece in chunks(digests):
                for row in db.execute(rows_among(t.held_in.c.sha256), {"among": piece}):
                    found[Sha256(row.sha256)].append((ClaimId(row.claim), row.payload_path))
        return found

    def payload(self, claim: ClaimId) -> dict[Sha256, str]:
        """The originals in the claim's bag as last built, with their payload paths."""
        with self._database.transaction() as db:
            rows = db.execute(rows_with(t.held_in.c.claim), {"value": claim})
            return {Sha256(row.sha256): row.payload_path for row in rows}

    def put_copies(self, copies: Sequence[CopyRow]) -> None:
        """Add or replace these copies."""
        rows = [
            {
                "sha256": one.sha256,
                "place": one.place,
                "place_id": one.place_id,
                "off_computer": one.off_computer,
                "claim": one.claim,
                "verified_at": to_text(one.verified_at),
                "found_bad_at": to_text(one.found_bad_at),
            }
            for one in copies
        ]
        with self._database.transaction() as db:
            bags = {one.claim for one in copies}
            for piece in chunks([one.sha256 for one in copies]):  # a copy may have been in another bag there
                query = values_among(t.copy.c.claim, t.copy.c.sha256)
                bags |= set(db.execute(query, {"among": piece}).scalars())
            self._database.changed("bag", bags)
            self._database.upsert(t.copy, rows)
            count_copies_in(self._database, [one.sha256 for one in copies], bags)

    def drop_copies(self, place: str, claim: ClaimId, *, but: Collection[Sha256] = ()) -> None:
        """Delete the copies in the claim's bag at that place, except those of `but`."""
        with self._database.transaction() as db:
            there = db.execute(_copies_in_bag(), {"place": place, "claim": claim})
            gone = sorted({Sha256(sha) for sha in there.scalars()} - set(but))
            self._database.changed("bag", [claim] if gone else [])
            for piece in chunks(gone):
                db.execute(
                    delete(t.copy).where(
                        t.copy.c.place == place, t.copy.c.claim == claim, t.copy.c.sha256.in_(piece)
                    )
                )
            count_copies_in(self._database, gone, [claim] if gone else [])

    def mark_corrupt(self, place: str, digests: Sequence[Sha256], *, at: datetime) -> None:
        """Record that these copies were altered, unreadable or missing; they do not count until matched again."""
        with self._database.transaction() as db:
            for piece in chunks(digests):
                mine = (t.copy.c.place == place) & t.copy.c.sha256.in_(piece)
                self._database.changed("bag", db.execute(select(t.copy.c.claim).where(mine)).scalars())
                db.execute(update(t.copy).where(mine).values(found_bad_at=to_text(at)))
            count_copies_of(self._database, digests)
            pushes.copies_bad(self._database, place, digests)

    def copies(self, digests: Sequence[Sha256]) -> dict[Sha256, list[CopyRow]]:
        """The copies of each of these originals."""
        found: dict[Sha256, list[CopyRow]] = defaultdict(list)
        with self._database.transaction() as db:
            for piece in chunks(digests):
                for row in db.execute(rows_among(t.copy.c.sha256), {"among": piece}):
                    one = _read_copy(row)
                    found[one.sha256].append(one)
        return found

    def found_bad(self) -> list[CopyRow]:
        """Copies of the bags here that were found bad and have not been verified since, by place and bag."""
        bad = t.copy.c.found_bad_at > ""  # SQLite uses the index for it, and not for IS NOT NULL
        since = t.copy.c.verified_at.is_(None) | (t.copy.c.found_bad_at >= t.copy.c.verified_at)
        here = own_bags(self._database.station, t.copy.c.claim)
        query = select(t.copy).where(bad, since, here)
        query = query.order_by(t.copy.c.place, t.copy.c.claim, t.copy.c.sha256)
        with self._database.transaction() as db:
            return [_read_copy(row) for row in db.execute(query)]

    def place_totals(self) -> dict[str, PlaceTotals]:
        """What each place holds of the bags here, by the name of the place; retired places too."""
        total = t.copy_total.c
        query = select(
            total.place,
            func.sum(total.copies),
            func.sum(total.octets),
            func.sum(total.bad),
            func.min(total.oldest),
            func.max(total.newest),
        ).where(own_bags(self._database.station, total.claim))
        query = query.group_by(total.place)
        with self._database.transaction() as db:
            return {
                place: PlaceTotals(
                    copies=int(copies),
                    octets=int(octets),
                    bad=int(bad),
                    oldest_read=from_text(oldest),
                    newest_read=from_text(newest),
                )
                for place, copies, octets, bad, oldest, newest in db.execute(query)
            }

    def place_sets(self) -> Counter[frozenset[str]]:
        """How many originals of the bags here have counting copies in exactly these places."""
        held = t.place_set.c
        query = select(held.places, func.sum(held.files)).where(own_bags(self._database.station, held.claim))
        query = query.group_by(held.places)
        with self._database.transaction() as db:
            return Counter({frozenset(json.loads(places)): int(files) for places, files in db.execute(query)})

    def retire_place(self, place: str, retired: str) -> None:
        """Give the copies of a lost or replaced target another place's name; they count no longer.

        They stay in the table, because the medium may still exist when their claim is purged. A run that was
        killed may have done so before.
        """
        moving = select(t.copy.c.sha256).where(t.copy.c.place == place)
        with self._database.transaction() as db:
            claims = select(t.copy.c.claim).where(t.copy.c.place == place).distinct()
            self._database.changed("bag", db.execute(claims).scalars())
            db.execute(delete(t.copy).where(t.copy.c.place == retired, t.copy.c.sha256.in_(moving)))
            db.execute(update(t.copy).where(t.copy.c.place == place).values(place=retired, verified_at=None))
            count_all(self._database)
            pushes.place_gone(self._database, place)

    def delete_bag(self, claim: ClaimId) -> None:
        """Delete every row about the claim's bag, after a purge.

        A photo that another bag holds keeps its rows at retired places: those media may hold it still.
        """
        elsewhere = exists().where(t.held_in.c.claim != claim, t.held_in.c.sha256 == t.copy.c.sha256)
        owed = and_(t.copy.c.place.contains(RETIRED), elsewhere)
        with self._database.transaction() as db:
            self._database.changed("bag", [claim])
            self._database.changed("claim", [claim] if claim else [])
            of_files = select(t.copy.c.sha256).where(t.copy.c.claim == claim)
            digests = [Sha256(sha) for sha in db.execute(of_files).scalars()]
            db.execute(delete(t.copy).where(t.copy.c.claim == claim, ~owed))
            for table in (t.held_in, t.bag, t.pushed_bag):
                db.execute(delete(table).where(table.c.claim == claim))
            count_copies_of(self._database, digests, [claim])


@functools.cache
def _with_photos_or_bag() -> CompoundSelect[Any]:
    """Asks which of the claims `among` have a bag or photos, and for the tray when it has photos."""
    bags = select(t.bag.c.claim).where(t.bag.c.claim.in_(AMONG))
    photos = select(t.original.c.claim).where(t.original.c.claim.in_(AMONG))
    tray = select(literal(TRAY)).where(exists().where(t.original.c.claim.is_(None)))
    return union(bags, photos, tray)


@functools.cache
def _bags_changed() -> Update:
    """Counts one change more of the bags of the claims `among`."""
    return update(t.bag).where(t.bag.c.claim.in_(AMONG)).values(changes=t.bag.c.changes + 1)


@functools.cache
def _changed_since() -> Update:
    """Marks the bag of the claim `value` as outdated when it was changed since it had `then` changes."""
    return (
        update(t.bag).where(t.bag.c.claim == VALUE, t.bag.c.changes != bindparam("then")).values(dirty=True)
    )


@functools.lru_cache(maxsize=64)
def _own_bags(station: str) -> Select[Any]:
    """Asks for the claim of every bag that stands at the station or nowhere; of every bag when it is empty."""
    mine = own_only(station, t.bag.c.station)
    return select(t.bag.c.claim).where(mine).order_by(t.bag.c.claim)


@functools.lru_cache(maxsize=64)
def _dirty(station: str) -> Select[Any]:
    """`_own_bags` that must be built."""
    return _own_bags(station).where(t.bag.c.dirty.is_(True))


@functools.cache
def _copies_in_bag() -> Select[Any]:
    """Asks for the originals with a copy at `place` in the bag of `claim`."""
    place, claim = t.copy.c.place == bindparam("place"), t.copy.c.claim == bindparam("claim")
    return select(t.copy.c.sha256).where(place, claim)


def _read_copy(row: Row[Any]) -> CopyRow:
    return CopyRow(
        sha256=Sha256(row.sha256),
        place=row.place,
        place_id=row.place_id,
        off_computer=row.off_computer,
        claim=ClaimId(row.claim),
        verified_at=from_text(row.verified_at),
        found_bad_at=from_text(row.found_bad_at),
    )
