"""Takes a claim's files out of the catalog and puts them back: while its copies are in quarantine none may count."""

from __future__ import annotations

import base64
from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from typing import Any

from sqlalchemy import Table, delete, exists, insert, select, update

from evidence.catalog import hashes, pushes
from evidence.catalog import tables as t
from evidence.catalog.base import Database, chunks
from evidence.catalog.intakes import file_name
from evidence.catalog.records import Row, RowsByTable, with_side_tables
from evidence.catalog.totals import count_copies_of, count_photos
from evidence.model import ClaimId, ClaimState, Sha256, Source

_BY_PHOTO = (t.original, *t.ABOUT_A_FILE, t.sighting, t.tag)
_BY_CLAIM = (t.held_in, t.copy, t.segment, t.bag)


class Quarantine:
    """The rows of claims in quarantine."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def rows(self, claim: ClaimId, photos: Collection[Sha256]) -> RowsByTable:
        """Every row about the claim's bag, its copies and these files, as JSON data."""
        found: RowsByTable = {}
        with self._database.transaction() as db:
            for table in _BY_CLAIM:
                rows = db.execute(select(table).where(table.c.claim == claim)).mappings()
                found[table.name] = [_as_json(row) for row in rows]
            for table in _BY_PHOTO:
                found[table.name] = [
                    _as_json(row)
                    for piece in chunks(sorted(photos))
                    for row in db.execute(select(table).where(table.c.sha256.in_(piece))).mappings()
                ]
        return found

    def take(self, claim: ClaimId, rows: RowsByTable) -> None:
        """Delete these rows, and record for each card that it holds files which no run accounts for.

        The claim's state becomes QUARANTINED; what people stated and decided of it stays. Taking twice changes nothing.
        """
        with self._database.transaction() as db:
            state = db.execute(select(t.claim.c.state).where(t.claim.c.claim == claim)).scalar_one_or_none()
            if state == ClaimState.QUARANTINED.value:
                return
            self._mark(claim, rows)
            self._count_on_cards(rows, came_since=1)
            db.execute(delete(t.pushed_bag).where(t.pushed_bag.c.claim == claim))
            for table in _BY_CLAIM:
                db.execute(delete(table).where(table.c.claim == claim))
            for table in _BY_PHOTO:
                for piece in chunks(sorted({row["sha256"] for row in rows["original"]})):
                    db.execute(delete(table).where(table.c.sha256.in_(piece)))
            hashes.drop_unused(self._database, phashes_of(rows))
            self._count(claim, rows)
            db.execute(_state(claim, ClaimState.QUARANTINED))

    def put_back(
        self, claim: ClaimId, rows: RowsByTable, *, staying: Collection[Sha256] = frozenset()
    ) -> None:
        """Put the rows back, and the claim's state; putting back twice changes nothing.

        A file that a card brought again meanwhile belongs to the claim again, with what people stated of it since.
        Those of `staying` stay as they are; the claim's bag holds them until it is built again.
        """
        with self._database.transaction() as db:
            state = db.execute(select(t.claim.c.state).where(t.claim.c.claim == claim)).scalar_one_or_none()
            if state != ClaimState.QUARANTINED.value:
                return
            self._count_on_cards(rows, came_since=-1)
            again = self._again(rows)
            whole = self._merged(rows, again, staying)
            for table in (t.original, *t.ABOUT_A_FILE, t.tag, *_BY_CLAIM):
                self._database.upsert(table, [_from_json(table, row) for row in whole.get(table.name, ())])
            self._drop_empty_segments({row["segment"] for row in (*again.values(), *rows["segment"])})
            left = select(t.station.c.archive).where(t.station.c.left_at.is_not(None))
            gone = (t.bag.c.claim == claim) & t.bag.c.station.in_(left)  # its station left meanwhile
            db.execute(update(t.bag).where(gone).values(station="", dirty=True, changes=t.bag.c.changes + 1))
            self._put_sightings(rows["sighting"])
            hashes.note(self._database, phashes_of(rows))
            pushes.bag_changed(self._database, claim)
            self._mark(claim, rows)
            self._count(claim, rows, {row["claim"] for row in again.values()})
            db.execute(_state(claim, ClaimState.CLOSED))

    def _again(self, rows: RowsByTable) -> dict[str, Row]:
        """The present rows of files that a card brought again, by digest."""
        digests = sorted(row["sha256"] for row in rows["original"])
        with self._database.transaction() as db:
            return {
                row["sha256"]: dict(row)
                for piece in chunks(digests)
                for row in db.execute(select(t.original).where(t.original.c.sha256.in_(piece))).mappings()
            }

    def _merged(
        self, rows: RowsByTable, again: Mapping[str, Row], staying: Collection[Sha256]
    ) -> dict[str, Sequence[Row]]:
        """The rows to put back: none about the files of `staying` but where copies of them lie, and no caption or tag
        that a person replaced since. Guesses made since about the other files are deleted.
        """
        whole = with_side_tables(rows)
        for table in (t.original, *t.ABOUT_A_FILE, t.tag):
            whole[table.name] = [row for row in whole.get(table.name, ()) if row["sha256"] not in staying]
        returning = sorted(again.keys() - set(staying))
        stated, copied = set(), set()
        by_person = t.tag.c.source == Source.PERSON.value
        with self._database.transaction() as db:
            for piece in chunks(returning):
                mine = t.tag.c.sha256.in_(piece)
                db.execute(delete(t.tag).where(mine, ~by_person))
                found = db.execute(select(t.tag.c.sha256, t.tag.c.facet).where(mine))
                stated |= {(row.sha256, row.facet) for row in found}
            for piece in chunks(sorted(staying)):
                found = db.execute(select(t.copy.c.sha256, t.copy.c.place).where(t.copy.c.sha256.in_(piece)))
                copied |= {(row.sha256, row.place) for row in found}
        captions = {sha: again[sha]["caption"] for sha in returning if again[sha]["caption"]}
        whole["original"] = [
            row | {"caption": captions.get(row["sha256"], row["caption"])} if "caption" in row else row
            for row in whole["original"]
        ]
        whole["tag"] = [
            row
            for row in whole["tag"]
            if row["source"] != Source.PERSON.value or (row["sha256"], row["facet"]) not in stated
        ]
        whole["copy"] = [row for row in rows["copy"] if (row["sha256"], row["place"]) not in copied]
        return whole

    def _drop_empty_segments(self, names: Collection[str]) -> None:
        """Delete those of these segments that no file is in any more."""
        empty = ~exists().where(t.original.c.segment == t.segment.c.segment)
        with self._database.transaction() as db:
            for piece in chunks(sorted(names)):
                mine = t.segment.c.segment.in_(piece) & empty
                self._database.changed("day", db.execute(select(t.segment.c.day).where(mine)).scalars())
                db.execute(delete(t.segment).where(mine))

    def forget(self, claim: ClaimId, rows: RowsByTable) -> None:
        """After the copies were deleted: record for each card how many of its files were purged. Once, by the state."""
        with self._database.transaction() as db:
            state = db.execute(select(t.claim.c.state).where(t.claim.c.claim == claim)).scalar_one_or_none()
            if state != ClaimState.QUARANTINED.value:
                return
            self._count_on_cards(rows, came_since=-1, purged=1)
            self._mark(claim, rows)

    def _count(self, claim: ClaimId, rows: RowsByTable, others: Collection[str | None] = ()) -> None:
        """Count the claims of these rows and `others` anew: files of the claim may have copies in other bags."""
        claims = {claim, *(row["claim"] for row in rows["original"]), *(row["claim"] for row in rows["copy"])}
        claims |= set(others)
        digests = {Sha256(row["sha256"]) for row in (*rows["original"], *rows["copy"])}
        count_photos(self._database, claims)
        count_copies_of(self._database, digests, {name or "" for name in claims})

    def _put_sightings(self, rows: Sequence[Row]) -> None:
        """Without their numbers, which others may have since."""
        with self._database.transaction() as db:
            intakes = sorted({row["intake"] for row in rows})
            some = select(t.sighting.c.intake, t.sighting.c.card_path)
            known = {
                (row.intake, row.card_path)
                for piece in chunks(intakes)
                for row in db.execute(some.where(t.sighting.c.intake.in_(piece)))
            }
            fresh = [
                {
                    "name": file_name(row["card_path"]),
                    **{name: value for name, value in row.items() if name != "id"},
                }
                for row in rows
                if (row["intake"], row["card_path"]) not in known
            ]
            if fresh:
                db.execute(insert(t.sighting), fresh)

    def _count_on_cards(self, rows: RowsByTable, *, came_since: int, purged: int = 0) -> None:
        counts = Counter(row["intake"] for row in rows["sighting"])
        with self._database.transaction() as db:
            for intake, count in sorted(counts.items()):
                db.execute(
                    update(t.intake)
                    .where(t.intake.c.intake == intake)
                    .values(
                        came_since=t.intake.c.came_since + came_since * count,
                        purged=t.intake.c.purged + purged * count,
                        told_safe=False,
                    )
                )

    def _mark(self, claim: ClaimId, rows: RowsByTable) -> None:
        """The record files about these rows are out of date."""
        self._database.changed("claim", [claim])
        self._database.changed("bag", [claim])
        self._database.changed("intake", {row["intake"] for row in rows["sighting"]})
        self._database.changed("day", {row["day"] for row in rows["segment"]})


def phashes_of(rows: RowsByTable) -> set[str]:
    """The perceptual hashes of the files of these rows."""
    return {row["phash"] for row in rows["original"] if row.get("phash")}


def _state(claim: ClaimId, state: ClaimState) -> Any:
    mine = t.claim.c.claim == claim
    return update(t.claim).where(mine).values(state=state.value, version=t.claim.c.version + 1)


def _as_json(row: Any) -> Row:
    return {
        name: {"base64": base64.b64encode(value).decode()} if isinstance(value, bytes) else value
        for name, value in row.items()
    }


def _from_json(table: Table, row: Row) -> Row:
    return {
        name: base64.b64decode(value["base64"]) if isinstance(value, dict) else value
        for name, value in row.items()
        if name in table.c
    }
