"""The list of claims, the most urgent first."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from urllib.parse import urlencode

from evidence.analysis.tallies import is_current, tally_basis
from evidence.board.background import COUNT_NOW_LIMIT, COUNTED_STATES, count_claims
from evidence.catalog.claims import ClaimRow
from evidence.catalog.tallies import Tally
from evidence.model import ClaimId, ClaimState, Duty
from evidence.workspace import Workspace

LAST = "\uffff"
"""Sorts after every name: a claim without one comes last."""
PER_PAGE = 60
"""Claims on one page; people do not read longer lists."""


class Order(StrEnum):
    """How the list is ordered."""

    NEED = "need"
    AGE = "age"
    LOSS = "loss"
    ADJUSTER = "adjuster"
    NAME = "name"
    NUMBER = "number"


ORDER_WORDS = {
    Order.NEED: "most urgent first",
    Order.AGE: "oldest photos first",
    Order.LOSS: "earliest loss first",
    Order.ADJUSTER: "adjuster",
    Order.NAME: "name",
    Order.NUMBER: "number",
}


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
    """The day of its first photo (ISO); None without photos that have a time."""
    age_days: int | None
    """Whole days since then."""
    adjuster: str
    loss_date: str | None
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
    numbers: tuple[ClaimId, ...]
    """The queue: of all pages; without a filter only those that wait for somebody of that duty."""
    found: int
    page: int
    pages: int
    unassigned: int
    uncounted: int


@dataclass(frozen=True, slots=True, kw_only=True)
class ListView:
    """What somebody chose to see of the list; each session keeps its last choice, which is also its queue."""

    search: str = ""
    need: Need | None = None
    order: Order = Order.NEED

    @property
    def path(self) -> str:
        """The address of that list."""
        chosen = {
            "q": self.search,
            "need": self.need or "",
            "sort": "" if self.order is Order.NEED else self.order,
        }
        query = urlencode({name: value for name, value in chosen.items() if value})
        return f"/?{query}" if query else "/"


@dataclass(frozen=True, slots=True, kw_only=True)
class Queue:
    """Where a claim stands in the list that somebody works through."""

    words: str
    previous: ClaimId | None
    next: ClaimId | None


def list_claims(workspace: Workspace, *, duty: Duty, shown: ListView, page: int) -> ClaimList:
    """The claims that match, in the chosen order; among equals the earliest inspection first.

    Reads the whole list with a fixed, small number of queries. Up to COUNT_NOW_LIMIT claims whose count is out of
    date are counted now; with more of them the counts are left out until the background has made them.
    """
    every, unassigned, uncounted = _every_line(workspace)
    counts = {one: sum(line.need is one for line in every) for one in Need}
    lines = _chosen(every, duty, shown)
    pages = max(1, -(-len(lines) // PER_PAGE))
    page = min(max(1, page), pages)
    return ClaimList(
        lines=tuple(lines[(page - 1) * PER_PAGE : page * PER_PAGE]),
        counts=counts,
        numbers=tuple(
            ClaimId(line.number) for line in lines if shown.need or shown.search or line.need in WAITING[duty]
        ),
        found=len(lines),
        page=page,
        pages=pages,
        unassigned=unassigned,
        uncounted=uncounted,
    )


def queue_at(workspace: Workspace, number: str, numbers: Sequence[ClaimId]) -> Queue:
    """The claim's place among the claims that somebody works through, and its neighbours that are still open.

    The order is that of the list when it was last seen: deciding one claim does not move the others.
    """
    if number not in numbers:
        return Queue(words=f"{len(numbers)} waiting", previous=None, next=_open(workspace, numbers))
    place = numbers.index(ClaimId(number))
    return Queue(
        words=f"{place + 1} of {len(numbers)}",
        previous=numbers[place - 1] if place else None,
        next=_open(workspace, numbers[place + 1 :]),
    )


def _open(workspace: Workspace, numbers: Sequence[ClaimId]) -> ClaimId | None:
    """The first of them that is open or sent back."""
    for number in numbers:
        row = workspace.catalog.claims.get(number)
        if row is not None and row.state in (ClaimState.OPEN, ClaimState.RETURNED):
            return number
    return None


_FOR_REVIEW = frozenset({Need.HOUSE, Need.SHOTS, Need.GUESSES, Need.READY, Need.UNCOUNTED})
WAITING = {
    Duty.ADJUSTER: _FOR_REVIEW - {Need.READY} | {Need.BACK},
    Duty.REVIEWER: _FOR_REVIEW,
    Duty.OFFICE: _FOR_REVIEW | {Need.BACK},
}
"""Needs of the claims that somebody of that duty works through."""


def _every_line(workspace: Workspace) -> tuple[list[ClaimLine], int, int]:
    """All claims, the number of photos without a claim, and how many claims are still to be counted."""
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
    today = workspace.now().date()
    lines = [
        _line(row, photos.get(row.claim.claim), confirm.get(row.claim.claim, 0), tallies, old, today)
        for row in rows
    ]
    return lines, photos.get(None, (0, None, None))[0], len(stale)


def _chosen(lines: Iterable[ClaimLine], duty: Duty, shown: ListView) -> list[ClaimLine]:
    wanted = shown.search.casefold().split()
    found = [
        line
        for line in lines
        if (shown.need is None or line.need is shown.need)
        and all(
            word in f"{line.number} {line.insured} {line.address} {line.adjuster}".casefold()
            for word in wanted
        )
    ]
    urgent = {need: place for place, need in enumerate(_order(duty))}
    by: dict[Order, Callable[[ClaimLine], str]] = {
        Order.NEED: lambda line: f"{urgent[line.need]:02}",
        Order.AGE: lambda line: line.first or "9",
        Order.LOSS: lambda line: line.loss_date or "9",
        Order.ADJUSTER: lambda line: line.adjuster.casefold() or LAST,
        Order.NAME: lambda line: line.insured.casefold() or LAST,
        Order.NUMBER: lambda line: line.number,
    }
    key = by[shown.order]
    found.sort(key=lambda line: (key(line), line.first or "9", line.number))
    return found


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
    today: date,
) -> ClaimLine:
    claim = row.claim
    tally = tallies.get(claim.claim) if claim.claim not in old else None
    first = photos[1] if photos else None
    need = _need(row, photos is not None, to_confirm, tally)
    return ClaimLine(
        number=claim.claim,
        insured=claim.insured,
        address=claim.address,
        peril=claim.peril,
        state=row.state.value,
        need=need,
        photos=photos[0] if photos else 0,
        first=first,
        age_days=max(0, (today - date.fromisoformat(first[:10])).days) if first else None,
        adjuster=claim.adjuster,
        loss_date=claim.loss_date.isoformat() if claim.loss_date else None,
        to_confirm=to_confirm,
        tally=tally,
        need_words=_words(need, tally, to_confirm),
    )


def _need(row: ClaimRow, has_photos: bool, to_confirm: int, tally: Tally | None) -> Need:
    if row.state in (ClaimState.CLOSED, ClaimState.QUARANTINED, ClaimState.PURGED):
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
