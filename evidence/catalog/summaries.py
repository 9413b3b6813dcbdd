"""The list of claims: a short row for each claim, from three tables that hold one row a claim."""

from __future__ import annotations

from typing import NamedTuple

from sqlalchemy import select

from evidence.catalog import tables as t
from evidence.catalog.base import Database


class ClaimSummary(NamedTuple):
    """What a list shows of a claim. Days and times are ISO 8601 text, local. Cheap to make: lists have thousands."""

    claim: str
    insured: str
    address: str
    adjuster: str
    peril: str
    loss_date: str | None
    state: str
    closed_on: str | None
    version: int
    photos: int | None
    """None without photos."""
    first: str | None
    last: str | None
    to_confirm: int | None
    counted_version: int | None
    """The claim's version when its required shots were counted; None when they never were, as all that follows."""
    basis: str | None
    met: int | None
    guessed: int | None
    missing: int | None
    waived: int | None
    flags: int | None

    def is_counted(self, basis: str) -> bool:
        """Whether the counts of required shots describe the claim as it is now."""
        return self.counted_version == self.version and self.basis == basis


class Summaries:
    """Summaries of claims."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def all(self) -> list[ClaimSummary]:
        """Every claim, by number."""
        claim, total, tally = t.claim.c, t.claim_total.c, t.tally.c
        query = (
            select(
                claim.claim, claim.insured, claim.address, claim.adjuster, claim.peril, claim.loss_date,
                claim.state, claim.closed_on, claim.version, total.files, total.first, total.last, total.to_confirm,
                tally.version, tally.basis, tally.met, tally.guessed, tally.missing, tally.waived, tally.flags,
            )
            .outerjoin(t.claim_total, total.claim == claim.claim)
            .outerjoin(t.tally, tally.claim == claim.claim)
            .order_by(claim.claim)
        )  # fmt: skip
        with self._database.transaction() as db:
            return list(map(ClaimSummary._make, db.execute(query).all()))
