"""A claim, its state, and the claims that a hold covers."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from enum import StrEnum

from evidence.model.camera import GeoPoint
from evidence.model.ids import ClaimId


class ClaimState(StrEnum):
    """The state of a claim."""

    OPEN = "open"
    SIGNED = "signed"
    RETURNED = "returned"
    CLOSED = "closed"
    QUARANTINED = "quarantined"
    """Its copies are set aside, to be deleted or brought back."""
    PURGED = "purged"

    @property
    def is_gone(self) -> bool:
        """True when the archive counts no copy of the claim and files nothing under it."""
        return self in (ClaimState.QUARANTINED, ClaimState.PURGED)


CHANGEABLE = frozenset({ClaimState.OPEN, ClaimState.RETURNED})
"""States in which photos, tags and waivers of a claim may change."""


CONCLUDED = frozenset({ClaimState.SIGNED, ClaimState.CLOSED})
"""States in which a claim keeps its photos: only a person reopens it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Claim:
    """One claim as the assignments give it; only its number is always known."""

    claim: ClaimId
    insured: str = ""
    address: str = ""
    place: GeoPoint | None = None
    loss_date: date | None = None
    peril: str = ""
    jurisdiction: str = ""
    line: str = ""
    """The line of business, for instance `homeowners`."""
    stories: int | None = None
    policy_number: str = ""
    carrier: str = ""
    """The insurance company."""
    adjuster: str = ""
    """Who handles the claim."""
    inspector: str = ""
    """Who takes the photos at the house."""
    inspection_start: datetime | None = None
    """Naive, local time at the house: when the inspection is planned to begin."""
    inspection_end: datetime | None = None
    """Naive, local time at the house."""


class HoldKind(StrEnum):
    """Why a hold was placed."""

    LITIGATION = "litigation"
    COMPLAINT = "complaint"
    REGULATOR = "regulator"
    SUBROGATION = "subrogation"
    FRAUD_INQUIRY = "fraud_inquiry"
    MINOR = "minor"
    """A minor's interest."""
    OWN = "own"


@dataclass(frozen=True, slots=True, kw_only=True)
class HoldScope:
    """The claims that a hold covers: one claim, an insured's, a storm's, or those of a range of dates of loss."""

    claim: ClaimId | None = None
    insured: str = ""
    peril: str = ""
    first_loss: date | None = None
    last_loss: date | None = None
    area: tuple[str, ...] = ()
    """Names of towns, counties or states, or ZIP codes."""
