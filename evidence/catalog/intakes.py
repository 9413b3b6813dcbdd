"""Intakes of cards, and the card paths at which each kept file was seen."""

from __future__ import annotations

import functools
import json
from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import Exists, Row, Select, and_, bindparam, exists, func, literal, or_, select, update

from evidence.catalog import tables as t
from evidence.catalog.base import (
    AMONG,
    VALUE,
    Database,
    chunks,
    dump,
    from_text,
    own_only,
    rows_among,
    rows_with,
    to_text,
)
from evidence.codec import from_json, to_json
from evidence.model import ClaimId, Copied, DcfName, IntakeId, Refusal, Sha256


@dataclass(frozen=True, slots=True, kw_only=True)
class IntakeRow:
    """One intake of a card."""

    intake: IntakeId
    source: str
    label: str
    actor: str
    started_at: datetime
    finished_at: datetime | None
    refused: tuple[Refusal, ...]
    card_id: str = ""
    """The volume's own id and the folder in it (`CardSource.card_id`); empty where the system tells none."""
    superseded_by: IntakeId | None = None
    """A later run of the same card."""
    purged: int = 0
    """Files of the card whose claims were purged since."""
    came_since: int = 0
    """Files on the card that this run did not see, when the card was last looked at."""
    told_safe: bool = False
    """The last reported verdict: safe to erase."""
    safe_told_at: datetime | None = None
    """When the card was last called safe to erase, aware, UTC."""
    station: str = ""
    """The station that took it in; empty in a catalog in a file."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sighting:
    """A file as it was seen on one card."""

    intake: IntakeId
    card_path: str
    sha256: Sha256
    modified: datetime | None
    dcf: DcfName | None
    object_key: str


class Intakes:
    """Intakes and sightings."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def put_intake(self, row: IntakeRow) -> None:
        """Add or replace a run of a card: at its start, and again when it is done.

        What was told of its card, and what happened to it since, have methods of their own and stay.
        """
        values = {
            "intake": row.intake,
            "source": row.source,
            "label": row.label,
            "actor": row.actor,
            "started_at": to_text(row.started_at),
            "finished_at": to_text(row.finished_at),
            "refused": dump(to_json(row.refused)),
            "card_id": row.card_id,
            "station": self._database.station,
        }
        with self._database.transaction():
            self._database.changed("intake", [row.intake])
            self._database.upsert(t.intake, [values])

    def last_intake_at(self, at: datetime) -> IntakeId | None:
        """The last run by name that began in the second of `at`, aware; None when there is none."""
        second = at.replace(microsecond=0)
        began = t.intake.c.started_at
        within = (began >= to_text(second)) & (began < to_text(second + timedelta(seconds=1)))
        with self._database.transaction() as db:
            found = max(db.execute(select(t.intake.c.intake).where(within)).scalars(), default=None)
        return IntakeId(found) if found else None

    def intakes(self) -> list[IntakeRow]:
        """Every run, oldest first."""
        with self._database.transaction() as db:
            return [_read_intake(row) for row in db.execute(_runs(""))]

    def own_intakes(self) -> list[IntakeRow]:
        """Every run of this station, oldest first."""
        with self._database.transaction() as db:
            return [_read_intake(row) for row in db.execute(_runs(self._database.station))]

    def intake(self, intake: IntakeId) -> IntakeRow | None:
        """One run, or None."""
        with self._database.transaction() as db:
            row = db.execute(rows_with(t.intake.c.intake), {"value": intake}).first()
            return _read_intake(row) if row else None

    def runs_to_judge(
        self, since: datetime, *, aged: Mapping[str, tuple[datetime | None, datetime]] | None = None
    ) -> list[IntakeRow]:
        """The latest run of each card that is not called safe, began at `since` or later, or has a bad or an aged copy.

        On a server, those that this station took in. A copy has aged when it was read back last within the times that `aged` gives for its place: from the first,
        None being ever, to the second. Oldest first. Reads neither the other runs nor their files.
        """
        # SQLite uses the index for `>`, not for `IS NOT NULL`.
        bad_copies = select(t.copy.c.sha256).where(t.copy.c.found_bad_at > "")
        bad = select(t.sighting.c.intake).where(t.sighting.c.sha256.in_(bad_copies)).distinct()
        wanted = or_(
            t.intake.c.told_safe.is_(False),
            t.intake.c.started_at >= to_text(since),
            t.intake.c.intake.in_(bad),
            *(
                t.intake.c.intake.in_(_read_back_within(place, *times))
                for place, times in (aged or {}).items()
            ),
        )
        mine = own_only(self._database.station, t.intake.c.station)
        query = select(t.intake).where(t.intake.c.superseded_by.is_(None), wanted, mine)
        with self._database.transaction() as db:
            return [_read_intake(row) for row in db.execute(query.order_by(t.intake.c.started_at))]

    def cards(self) -> int:
        """The number of cards of this station: runs without a later run of the same card."""
        with self._database.transaction() as db:
            return int(db.execute(_cards(self._database.station)).scalar_one())

    def supersede(self, run: IntakeRow) -> list[IntakeId]:
        """Mark the earlier runs of this run's card as superseded by it; returns them.

        A run is of the same card when its volume is the same, or its source where the volume of one
        of them is unknown, and one file at least was the same at the same path. A run that stopped
        before it listed a file needs no common file.
        """
        ours, theirs = t.sighting.alias("ours"), t.sighting.alias("theirs")
        same_source = and_(
            t.intake.c.source == run.source, or_(t.intake.c.card_id == "", literal(run.card_id) == "")
        )
        place = same_source if not run.card_id else or_(t.intake.c.card_id == run.card_id, same_source)
        shared = exists(
            select(theirs.c.id)
            .join(ours, and_(ours.c.sha256 == theirs.c.sha256, ours.c.card_path == theirs.c.card_path))
            .where(theirs.c.intake == t.intake.c.intake, ours.c.intake == run.intake)
        )
        listed = exists(select(theirs.c.id).where(theirs.c.intake == t.intake.c.intake))
        stopped = and_(t.intake.c.finished_at.is_(None), ~listed, t.intake.c.purged == 0)
        query = select(t.intake.c.intake).where(
            t.intake.c.superseded_by.is_(None),
            t.intake.c.intake != run.intake,
            t.intake.c.started_at <= to_text(run.started_at),
            place,
            or_(shared, stopped),
        )
        with self._database.transaction() as db:
            earlier = [IntakeId(one) for one in db.execute(query).scalars()]
            self._database.changed("intake", earlier)
            for piece in chunks(earlier):
                db.execute(
                    update(t.intake).where(t.intake.c.intake.in_(piece)).values(superseded_by=run.intake)
                )
        return earlier

    def put_verdict(self, row: IntakeRow) -> None:
        """Store `came_since`, `told_safe` and `safe_told_at` of a run: the verdict that is reported."""
        with self._database.transaction() as db:
            self._database.changed("intake", [row.intake])
            db.execute(
                update(t.intake)
                .where(t.intake.c.intake == row.intake)
                .values(
                    came_since=row.came_since,
                    told_safe=row.told_safe,
                    safe_told_at=to_text(row.safe_told_at),
                )
            )

    def sightings(self, digests: Sequence[Sha256]) -> dict[Sha256, list[Sighting]]:
        """Every card path at which a file was seen, the first intake's first."""
        found: dict[Sha256, list[Sighting]] = defaultdict(list)
        with self._database.transaction() as db:
            for piece in chunks(digests):
                query = rows_among(t.sighting.c.sha256, t.sighting.c.id)
                for row in db.execute(query, {"among": piece}):
                    found[Sha256(row.sha256)].append(_read_sighting(row))
        return {sha: sorted(seen, key=lambda one: one.intake) for sha, seen in found.items()}

    def on_card(self, intake: IntakeId) -> list[Sighting]:
        """The kept files of one card, in its order."""
        with self._database.transaction() as db:
            query = rows_with(t.sighting.c.intake, t.sighting.c.id)
            return [_read_sighting(row) for row in db.execute(query, {"value": intake})]

    def first_seen(self, intake: IntakeId) -> list[Sha256]:
        """The kept files that this card brought first."""
        with self._database.transaction() as db:
            return [Sha256(sha) for sha in db.execute(_first_seen(), {"value": intake}).scalars()]

    def seen_again(self, intake: IntakeId, *, not_of: ClaimId) -> dict[Sha256, ClaimId]:
        """The files of this card that an earlier card brought and that belong to another claim, with that claim."""
        with self._database.transaction() as db:
            rows = db.execute(_seen_again(), {"value": intake, "not_of": not_of})
            return {Sha256(sha): ClaimId(claim) for sha, claim in rows}

    def beside(self, digests: Collection[Sha256], within: timedelta, *, undated: bool) -> list[Sha256]:
        """The photos of the cards that were taken in at most `within` before or after a card of these photos.

        With `undated`, only those that a split placed without finding their time.
        """
        with self._database.transaction() as db:
            starts: set[str] = set()
            for piece in chunks(sorted(digests)):
                starts |= set(db.execute(_starts(), {"among": piece}).scalars())
            near: set[str] = set()
            for start in starts:
                moment = from_text(start)
                assert moment is not None
                span = {"first": to_text(moment - within), "last": to_text(moment + within)}
                near |= set(db.execute(_began_within(), span).scalars())
            photos = db.execute(_photos_of_cards(undated=undated), {"among": sorted(near)})
            return sorted(Sha256(sha) for sha in photos.scalars())

    def companions(self, digests: Sequence[Sha256]) -> list[Sha256]:
        """These files and those that are one object with them on the card where each was first seen.

        A file that an earlier run of the same card could not read belongs to them too: it was first seen beside them
        in a later run.
        """
        found = dict.fromkeys(digests)
        with self._database.transaction():
            for seen in self.sightings(digests).values():
                found |= dict.fromkeys(self._one_object(seen[0]))
                for again in seen[1:]:
                    if again.card_path == seen[0].card_path:
                        late = self.sightings(self._one_object(again))
                        found |= dict.fromkeys(sha for sha, its in late.items() if same_object(its[0], again))
        return list(found)

    def _one_object(self, one: Sighting) -> list[Sha256]:
        asked = {"intake": one.intake, "object_key": one.object_key}
        with self._database.transaction() as db:
            return [Sha256(sha) for sha in db.execute(_of_one_object(), asked).scalars()]


def same_object(one: Sighting, other: Sighting) -> bool:
    """True for two files of one press of the shutter, by their names on one card in one run."""
    return (one.intake, one.object_key) == (other.intake, other.object_key)


def file_name(card_path: str) -> str:
    """The last part of a path on a card."""
    return card_path.rsplit("/", 1)[-1]


def sighting_columns(intake: IntakeId, one: Copied) -> dict[str, Any]:
    """The row of the sighting of a copied file."""
    found = one.found
    return {
        "intake": intake,
        "card_path": found.card_path,
        "name": file_name(found.card_path),
        "sha256": one.sha256,
        "modified": to_text(found.modified),
        "folder_number": found.dcf.folder_number if found.dcf else None,
        "file_number": found.dcf.file_number if found.dcf else None,
        "object_key": found.object_key,
    }


def _read_back_within(place: str, after: datetime | None, until: datetime) -> Select[tuple[str]]:
    """The runs with a copy at `place` that was read back last within these times."""
    copies = select(t.copy.c.sha256).where(t.copy.c.place == place, t.copy.c.verified_at <= to_text(until))
    if after is not None:
        copies = copies.where(t.copy.c.verified_at >= to_text(after))
    return select(t.sighting.c.intake).where(t.sighting.c.sha256.in_(copies)).distinct()


@functools.lru_cache(maxsize=64)
def _runs(station: str) -> Select[Any]:
    """Asks for every run of the station, or of all when it is empty, oldest first."""
    return select(t.intake).where(own_only(station, t.intake.c.station)).order_by(t.intake.c.started_at)


@functools.lru_cache(maxsize=64)
def _cards(station: str) -> Select[Any]:
    last = t.intake.c.superseded_by.is_(None)
    return select(func.count()).select_from(t.intake).where(last, own_only(station, t.intake.c.station))


@functools.cache
def _first_seen() -> Select[Any]:
    return select(t.sighting.c.sha256).where(t.sighting.c.intake == VALUE, ~_seen_earlier()).distinct()


@functools.cache
def _seen_again() -> Select[Any]:
    claim = t.original.c.claim
    return (
        select(t.sighting.c.sha256, claim)
        .join(t.original, t.original.c.sha256 == t.sighting.c.sha256)
        .where(t.sighting.c.intake == VALUE, claim.is_not(None), claim != bindparam("not_of"))
        .where(_seen_earlier())
    )


@functools.cache
def _starts() -> Select[Any]:
    """Asks when the runs began that saw the files `among`."""
    runs = select(t.intake.c.started_at).join(t.sighting, t.sighting.c.intake == t.intake.c.intake)
    return runs.where(t.sighting.c.sha256.in_(AMONG)).distinct()


@functools.cache
def _began_within() -> Select[Any]:
    span = t.intake.c.started_at.between(bindparam("first"), bindparam("last"))
    return select(t.intake.c.intake).where(span)


@functools.cache
def _photos_of_cards(*, undated: bool) -> Select[Any]:
    """Asks for the files of the runs `among`; with `undated`, those that a split placed without finding their time."""
    photos = select(t.sighting.c.sha256).join(t.original, t.original.c.sha256 == t.sighting.c.sha256)
    photos = photos.where(t.sighting.c.intake.in_(AMONG)).distinct()
    return photos.where(t.original.c.corrected.is_(None), t.original.c.segment != "") if undated else photos


@functools.cache
def _of_one_object() -> Select[Any]:
    seen = t.sighting.c
    same = (seen.intake == bindparam("intake")) & (seen.object_key == bindparam("object_key"))
    return select(seen.sha256).where(same).order_by(seen.id)


def _seen_earlier() -> Exists:
    """Whether an earlier intake saw the file of the sighting."""
    earlier = t.sighting.alias("earlier")
    return exists(
        select(earlier.c.id).where(
            earlier.c.sha256 == t.sighting.c.sha256, earlier.c.intake < t.sighting.c.intake
        )
    )


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
        card_id=row.card_id,
        superseded_by=IntakeId(row.superseded_by) if row.superseded_by else None,
        purged=row.purged,
        came_since=row.came_since,
        told_safe=row.told_safe,
        safe_told_at=from_text(row.safe_told_at),
        station=row.station,
    )
