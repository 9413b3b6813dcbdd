"""What a purge plan says: each claim, on what authority it is purged, and everything to delete."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime
from enum import StrEnum

from evidence.model import ClaimId, Sha256
from evidence.retention.purge.addresses import CopyAddress, OwedCopies


class PlanFormat(StrEnum):
    """How a plan file writes the addresses of copies."""

    PLACES = "purge-plan-1"
    """As display text, in plans of older programs. They are read; none is written."""
    ADDRESSES = "purge-plan-2"
    """As typed addresses, in the plan itself. They are read; none is written."""
    DETAILS = "purge-plan-3"
    """As typed addresses, in a details file for each claim."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedClaim:
    """One claim of a plan: on what authority it is purged, and everything to delete."""

    claim: ClaimId
    since: date
    reason: str
    photos: tuple[Sha256, ...]
    copies: tuple[CopyAddress, ...]
    spared: tuple[CopyAddress, ...]
    """Copies that stay because another claim holds the same photo."""
    owed: tuple[OwedCopies, ...] = ()
    """Disks that are away, lost or replaced and may hold copies; the purge cannot reach them."""
    insured: str = ""
    taken: tuple[str, ...] = ()
    """First and last day of the photos, ISO 8601; empty when none is known."""
    private: tuple[str, ...] = ()
    """Names and addresses to remove wherever free text holds them."""
    salt: str = ""
    """Random, so that nobody can test a guess of the details against their digest. Empty once they are gone."""
    files: int = 0
    octets: int = 0
    """Bytes of the files, once each."""
    places: tuple[str, ...] = ()
    """Where the copies are, without names and digests."""
    manifest: str = ""
    """One digest over the files' digests; see `manifest_digest`."""
    details: str = ""
    """SHA-256 of the details file."""

    @property
    def thinned(self) -> bool:
        """True when the details are gone, after the purge."""
        return bool(self.details) and not self.salt


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What is to be purged."""

    made: datetime
    """Aware, UTC, whole seconds."""
    by: str
    claims: tuple[PlannedClaim, ...]
    format: PlanFormat = PlanFormat.DETAILS
    logged_in: bool = False
    """True when the planner logged in as a registered person; False when the name was only given."""
    rules: str = ""
    """Digest of the retention rules."""
    quarantine_days: int = 0
    """How long copies stay in quarantine before they are deleted."""
    approval_days: int = 0
    """How long an approval holds; 0 for no end."""


def manifest_digest(photos: Iterable[Sha256]) -> str:
    """SHA-256 over the files' digests: sorted, each once, each followed by a line feed."""
    return hashlib.sha256("".join(f"{sha}\n" for sha in sorted(set(photos))).encode()).hexdigest()
