"""Intakes of cards, and the card paths at which each kept file was seen."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Row, select

from evidence.catalog import tables as t
from evidence.catalog.base import Database, chunks, dump, from_text, to_text
from evidence.codec import from_json, to_json
from evidence.model import DcfName, Found, IntakeId, Refusal, Sha256


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
        """Add or replace a run of a card: at its start, and again when it is done."""
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


def sighting_columns(intake: IntakeId, found: Found, sha: Sha256) -> dict[str, Any]:
    """The sighting's row."""
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
