"""How each claim stood when its required shots were last counted: a note beside the claim, never the proof."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import select

from evidence.catalog import tables as t
from evidence.catalog.base import Database
from evidence.model import ClaimId


@dataclass(frozen=True, slots=True, kw_only=True)
class Tally:
    """A claim's coverage in numbers, and what it was counted from."""

    claim: ClaimId
    version: int
    """The claim's version when it was counted; another one now means that the numbers are old."""
    basis: str
    """Names the lists and words that it was checked against."""
    met: int
    guessed: int
    missing: int
    waived: int
    flags: int


class Tallies:
    """The counts' side of the catalog."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def put(self, tally: Tally) -> None:
        """Keep the claim's newest count."""
        row = {
            "claim": tally.claim,
            "version": tally.version,
            "basis": tally.basis,
            "met": tally.met,
            "guessed": tally.guessed,
            "missing": tally.missing,
            "waived": tally.waived,
            "flags": tally.flags,
        }
        self._database.upsert(t.tally, [row])

    def all(self) -> dict[ClaimId, Tally]:
        """Every claim's last count, old ones too."""
        with self._database.transaction() as db:
            return {
                ClaimId(row.claim): Tally(
                    claim=ClaimId(row.claim),
                    version=row.version,
                    basis=row.basis,
                    met=row.met,
                    guessed=row.guessed,
                    missing=row.missing,
                    waived=row.waived,
                    flags=row.flags,
                )
                for row in db.execute(select(t.tally))
            }
