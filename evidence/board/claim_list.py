"""The list of claims, the most urgent first."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from evidence.analysis.tallies import is_current, tally_basis
from evidence.board.background import COUNT_NOW_LIMIT, COUNTED_STATES, count_claims
from evidence.catalog.claims import ClaimRow
from evidence.catalog.tallies import Tally
from evidence.model import ClaimId, ClaimState, Duty
from evidence.workspace import Workspace

PER_PAGE = 60
"""Claims on one page; people do not read longer lists."""


class Need(StrEnum):
    """What a claim needs next, the most urgent first."""

    HOUSE = "house"
    SHOTS = "shots"
    GUESSES = "guesses"
    READY = "ready"
    UNCOUNTED = "uncounted"
    BACK = "back"
    EMPTY = "empty"
    SIGNED = "signed"
    ENDED = "ended"


NEED_WORDS = {
    Need.HOUSE: "Photos whose house is to confirm",
    Need.SHOTS: "Shots missing",
    Need.GUESSES: "Guesses to confirm",
    Need.READY: "Ready to sign off",
    Need.UNCOUNTED: "Being counted",
    Need.BACK: "Sent back to the adjuster",
    Need.EMPTY: "No photos yet",
    Need.SIGNED: "Signed off",
    Need.ENDED: "Closed or purged",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class ClaimLine:
    """One claim of the list."""

    number: str
    insured: str
    address: str
    peril: str
    state: str
    need: Need
    photos: int
    first: str | None
    to_confirm: int
    tally: Tally | None
    """None where the claim was not counted, or its count is out of date."""
    need_words: str

    @property
    def bar(self) -> tuple[float, float, float, float]:
        """Percent of the required shots that are shown, set aside, guessed and missing."""
        if self.tally is None:
            return (0, 0, 0, 0)
        parts = (self.tally.met, self.tally.waived, self.tally.guessed, self.tally.missing)
        all_of_them = sum(parts) or 1
        shares = [round(100 * part / all_of_them, 2) for part in parts]
        return (shares[0], shares[1], shares[2], shares[3])


@dataclass(frozen=True, slots=True, kw_only=True)
class ClaimList:
    """One page of the list, and totals over all claims."""

    lines: tuple[ClaimLine, ...]
    counts: dict[Need, int]
    """How many claims have each need, over all pages and filters."""
    found: int
    page: int
    pages: int
    unassigned: int
    uncounted: int


def list_claims(workspace: Workspace, *, duty: Duty, search: str, need: Need | None, page: int) -> ClaimList:
    """The claims that match, the most urgent first; among equals the earliest inspection first.

    Reads the whole list with a fixed, small number of queries. Up to COUNT_NOW_LIMIT claims whose count is out of
    date are counted now; with more of them the counts are left out until the background has made them.
    """
    photos, confirm = workspace.catalog.photos.counts(), workspace.catalog.photos.to_confirm()
    rows, tallies = workspace.catalog.claims.all(), workspace.catalog.tallies.all()
    basis = tally_basis(workspace)
    stale = [
        row
        for row in rows
        if row.state in COUNTED_STATES
        and row.claim.claim in photos
        and not is_current(tallies.get(row.claim.claim), row, basis)
    ]
    if 0 < len(stale) <= COUNT_NOW_LIMIT:
        count_claims(workspace, stale)
        tallies, stale = workspace.catalog.tallies.all(), []
    old = {row.claim.claim for row in stale}
    lines = [
        _line(row, photos.get(row.claim.claim), confirm.get(row.claim.claim, 0), tallies, old) for row in rows
    ]
    counts = {one: sum(line.need is one for line in lines) for one in Need}
    wanted = search.casefold().split()
    lines = [
        line
        for line in lines
        if (need is None or line.need is need)
        and all(word in f"{line.number} {line.insured} {line.address}".casefold() for word in wanted)
    ]
    order = _order(duty)
    lines.sort(key=lambda line: (order.index(line.need), line.first or "9", line.number))
    pages = max(1, -(-len(lines) // PER_PAGE))
    page = min(max(1, page), pages)
    return ClaimList(
        lines=tuple(lines[(page - 1) * PER_PAGE : page * PER_PAGE]),
        counts=counts,
        found=len(lines),
        page=page,
        pages=pages,
        unassigned=photos.get(None, (0, None, None))[0],
        uncounted=len(stale),
    )


def _order(duty: Duty) -> list[Need]:
    """For an adjuster, claims that were sent back come first."""
    order = list(Need)
    if duty is Duty.ADJUSTER:
        order.remove(Need.BACK)
        order.insert(0, Need.BACK)
    return order


def _line(
    row: ClaimRow,
    photos: tuple[int, str | None, str | None] | None,
    to_confirm: int,
    tallies: dict[ClaimId, Tally],
    old: set[ClaimId],
) -> ClaimLine:
    claim = row.claim
    tally = tallies.get(claim.claim) if claim.claim not in old else None
    need = _need(row, photos is not None, to_confirm, tally)
    return ClaimLine(
        number=claim.claim,
        insured=claim.insured,
        address=claim.address,
        peril=claim.peril,
        state=row.state.value,
        need=need,
        photos=photos[0] if photos else 0,
        first=photos[1] if photos else None,
        to_confirm=to_confirm,
        tally=tally,
        need_words=_words(need, tally, to_confirm),
    )


def _need(row: ClaimRow, has_photos: bool, to_confirm: int, tally: Tally | None) -> Need:
    if row.state in (ClaimState.CLOSED, ClaimState.PURGED):
        return Need.ENDED
    if row.state is ClaimState.SIGNED:
        return Need.SIGNED
    if row.state is ClaimState.RETURNED:
        return Need.BACK
    if not has_photos:
        return Need.EMPTY
    if to_confirm:
        return Need.HOUSE
    if tally is None:
        return Need.UNCOUNTED
    if tally.missing:
        return Need.SHOTS
    return Need.GUESSES if tally.guessed else Need.READY


def _words(need: Need, tally: Tally | None, to_confirm: int) -> str:
    parts = []
    if to_confirm and need is Need.HOUSE:
        parts.append(f"{to_confirm} to confirm")
    if tally is not None and need in (Need.SHOTS, Need.GUESSES, Need.HOUSE, Need.BACK):
        if tally.missing:
            parts.append(f"{tally.missing} missing")
        if tally.guessed:
            parts.append(f"{tally.guessed} guessed")
    if parts:
        return ", ".join(parts)
    return {
        Need.READY: "all shown",
        Need.UNCOUNTED: "being counted",
        Need.BACK: "sent back",
        Need.EMPTY: "no photos",
        Need.SIGNED: "signed off",
        Need.ENDED: "ended",
    }.get(need, "")
