"""The list of claims, the most urgent first."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from typing import TypeAlias
from urllib.parse import urlencode

from evidence.analysis.tallies import tally_basis
from evidence.board.background import COUNT_NOW_LIMIT, count_claims, is_stale
from evidence.catalog.summaries import ClaimSummary
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
    every, uncounted = _every_claim(workspace)
    counted = Counter(need for need, _ in every)
    chosen = _chosen(every, duty, shown)
    pages = max(1, -(-len(chosen) // PER_PAGE))
    page = min(max(1, page), pages)
    today = workspace.now().date()
    return ClaimList(
        lines=tuple(_line(*one, today) for one in chosen[(page - 1) * PER_PAGE : page * PER_PAGE]),
        counts={one: counted[one] for one in Need},
        numbers=tuple(
            ClaimId(one.claim) for need, one in chosen if shown.need or shown.search or need in WAITING[duty]
        ),
        found=len(chosen),
        page=page,
        pages=pages,
        unassigned=workspace.catalog.photos.counts(None).get(None, (0, None, None))[0],
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


_Needing: TypeAlias = tuple[Need, ClaimSummary]


def _every_claim(workspace: Workspace) -> tuple[list[_Needing], int]:
    """All claims with what they need, and how many of them are still to be counted."""
    summaries, basis = workspace.catalog.summaries.all(), tally_basis(workspace)
    stale = [one.claim for one in summaries if is_stale(one, basis)]
    if 0 < len(stale) <= COUNT_NOW_LIMIT:
        count_claims(workspace, workspace.catalog.claims.of(list(map(ClaimId, stale))).values())
        summaries, stale = workspace.catalog.summaries.all(), []
    old = set(stale)
    every = [one._replace(counted_version=None) if one.claim in old else one for one in summaries]
    return [(_need(one), one) for one in every], len(stale)


def _chosen(every: Iterable[_Needing], duty: Duty, shown: ListView) -> list[_Needing]:
    wanted = shown.search.casefold().split()
    found = [
        (need, one)
        for need, one in every
        if (shown.need is None or need is shown.need)
        and (
            not wanted
            or all(
                word in f"{one.claim} {one.insured} {one.address} {one.adjuster}".casefold()
                for word in wanted
            )
        )
    ]
    urgent = {need: f"{place:02}" for place, need in enumerate(_order(duty))}
    by: dict[Order, Callable[[Need, ClaimSummary], str]] = {
        Order.NEED: lambda need, _one: urgent[need],
        Order.AGE: lambda _need, one: one.first or "9",
        Order.LOSS: lambda _need, one: one.loss_date or "9",
        Order.ADJUSTER: lambda _need, one: one.adjuster.casefold() or LAST,
        Order.NAME: lambda _need, one: one.insured.casefold() or LAST,
        Order.NUMBER: lambda _need, one: one.claim,
    }
    key = by[shown.order]
    found.sort(key=lambda each: (key(*each), each[1].first or "9", each[1].claim))
    return found


def _order(duty: Duty) -> list[Need]:
    """For an adjuster, claims that were sent back come first."""
    order = list(Need)
    if duty is Duty.ADJUSTER:
        order.remove(Need.BACK)
        order.insert(0, Need.BACK)
    return order


def _line(need: Need, one: ClaimSummary, today: date) -> ClaimLine:
    tally, to_confirm = _tally(one), one.to_confirm or 0
    return ClaimLine(
        number=one.claim,
        insured=one.insured,
        address=one.address,
        peril=one.peril,
        state=one.state,
        need=need,
        photos=one.photos or 0,
        first=one.first,
        age_days=max(0, (today - date.fromisoformat(one.first[:10])).days) if one.first else None,
        adjuster=one.adjuster,
        loss_date=one.loss_date,
        to_confirm=to_confirm,
        tally=tally,
        need_words=_words(need, tally, to_confirm),
    )


def _tally(one: ClaimSummary) -> Tally | None:
    if one.counted_version is None:
        return None
    return Tally(
        claim=ClaimId(one.claim),
        version=one.counted_version,
        basis=one.basis or "",
        met=one.met or 0,
        guessed=one.guessed or 0,
        missing=one.missing or 0,
        waived=one.waived or 0,
        flags=one.flags or 0,
    )


_ENDED = frozenset({ClaimState.CLOSED, ClaimState.QUARANTINED, ClaimState.PURGED})


def _need(one: ClaimSummary) -> Need:
    if one.state in _ENDED:
        return Need.ENDED
    if one.state == ClaimState.SIGNED:
        return Need.SIGNED
    if one.state == ClaimState.RETURNED:
        return Need.BACK
    if not one.photos:
        return Need.EMPTY
    if one.to_confirm:
        return Need.HOUSE
    if one.counted_version is None:
        return Need.UNCOUNTED
    if one.missing:
        return Need.SHOTS
    return Need.GUESSES if one.guessed else Need.READY


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
