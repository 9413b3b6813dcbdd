"""The claims as the office keeps them: closed, reopened, and removed when they were loaded by mistake."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from enum import StrEnum

from evidence.catalog.summaries import ClaimSummary
from evidence.model import ClaimId, ClaimState
from evidence.workspace import Workspace

PER_PAGE = 60
"""Claims on one page."""
CLOSABLE = frozenset({ClaimState.OPEN, ClaimState.RETURNED, ClaimState.SIGNED})


class ShownClaims(StrEnum):
    """Which claims the page lists."""

    ALL = "all"
    SIGNED = "signed"
    OPEN = "open"
    CLOSED = "closed"
    EMPTY = "empty"
    PURGED = "purged"


SHOW_WORDS = {
    ShownClaims.ALL: "All",
    ShownClaims.SIGNED: "Signed off, to close",
    ShownClaims.OPEN: "Open",
    ShownClaims.CLOSED: "Closed",
    ShownClaims.EMPTY: "No photos",
    ShownClaims.PURGED: "Purged",
}
STATE_WORDS = {
    ClaimState.OPEN: "open",
    ClaimState.RETURNED: "sent back",
    ClaimState.SIGNED: "signed off",
    ClaimState.CLOSED: "closed",
    ClaimState.QUARANTINED: "in quarantine",
    ClaimState.PURGED: "purged",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class OfficeClaim:
    """One claim."""

    number: ClaimId
    insured: str
    address: str
    state: ClaimState
    words: str
    closed_on: date | None
    photos: int

    @property
    def can_close(self) -> bool:
        """True for a claim that is not closed."""
        return self.state in CLOSABLE

    @property
    def can_remove(self) -> bool:
        """True when it has no photos; the removal itself looks at more."""
        return not self.photos and self.state in CLOSABLE


@dataclass(frozen=True, slots=True, kw_only=True)
class ClaimsPage:
    """One page of the list."""

    lines: tuple[OfficeClaim, ...]
    counts: dict[ShownClaims, int]
    found: int
    page: int
    pages: int


def claims_page(workspace: Workspace, *, search: str, show: ShownClaims, page: int) -> ClaimsPage:
    """The claims that match, by number."""
    every = [_line(one) for one in workspace.catalog.summaries.all()]
    counts = {one: sum(map(_SHOWS[one], every)) for one in ShownClaims}
    words = search.casefold().split()
    lines = [
        line
        for line in every
        if _SHOWS[show](line)
        and all(word in f"{line.number} {line.insured} {line.address}".casefold() for word in words)
    ]
    pages = max(1, -(-len(lines) // PER_PAGE))
    page = min(max(1, page), pages)
    return ClaimsPage(
        lines=tuple(lines[(page - 1) * PER_PAGE : page * PER_PAGE]),
        counts=counts,
        found=len(lines),
        page=page,
        pages=pages,
    )


_SHOWS: dict[ShownClaims, Callable[[OfficeClaim], bool]] = {
    ShownClaims.ALL: lambda _line: True,
    ShownClaims.SIGNED: lambda line: line.state is ClaimState.SIGNED,
    ShownClaims.OPEN: lambda line: line.state in {ClaimState.OPEN, ClaimState.RETURNED},
    ShownClaims.CLOSED: lambda line: line.state is ClaimState.CLOSED,
    ShownClaims.EMPTY: lambda line: line.can_remove,
    ShownClaims.PURGED: lambda line: line.state is ClaimState.PURGED,
}


def _line(one: ClaimSummary) -> OfficeClaim:
    state = ClaimState(one.state)
    return OfficeClaim(
        number=ClaimId(one.claim),
        insured=one.insured,
        address=one.address,
        state=state,
        words=STATE_WORDS[state],
        closed_on=date.fromisoformat(one.closed_on) if one.closed_on else None,
        photos=one.photos or 0,
    )
