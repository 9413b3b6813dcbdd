"""Each claim's coverage in numbers, stored so that a list of claims need not check them all; never the proof."""

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
    """The claim's version when it was counted; if the claim has another one now, the numbers are out of date."""
    basis: str
    """A digest of the lists, words and settings that it was checked against."""
    met: int
    guessed: int
    missing: int
    waived: int
    flags: int


class Tallies:
    """Tallies."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def put(self, tally: Tally) -> None:
        """Add or replace the claim's tally."""
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
        """Every claim's tally, out-of-date ones included."""
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
