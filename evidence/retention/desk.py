"""What a purge needs of the world, as one protocol: the archive implements it, tests implement it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from enum import StrEnum
from typing import Protocol

from evidence.model import ClaimId, Sha256
from evidence.retention.schedule import ClaimFacts


class CopyKind(StrEnum):
    """What sort of place holds a copy, in the order in which a purge empties them.

    The bag comes last: should a hold arrive midway, the best copy is the one that still stands.
    """

    THUMBNAIL = "thumbnail"
    STAGING = "staging"
    OTHER = "other"
    INTAKE = "intake"
    TARGET = "target"
    BAG = "bag"


@dataclass(frozen=True, slots=True, kw_only=True, order=True)
class KnownCopy:
    """One file, object or folder that holds something of a claim."""

    kind: CopyKind
    place: str
    """A stable name that a person can follow: `archive/claims/...`, `target office-nas: ...`."""
    sha256: Sha256 | None = None
    """The photo it is a copy of or made from; None for what belongs to the claim as a whole."""
    by_digest: bool = False
    """True where it is filed under the digest alone and so serves every claim with the same photo."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PurgeEntry:
    """One line for the custody log."""

    key: str
    """Names the deed: recording an entry with a key that the log already holds changes nothing."""
    event: str
    """`purge_planned`, `purge_approved`, `purge_started`, `purge_stopped`, `purged`."""
    actor: str
    at: datetime
    """Aware, UTC."""
    claim: ClaimId | None = None
    details: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Tombstone:
    """What remains of a purged claim in the catalog."""

    claim: ClaimId
    purged: datetime
    """Aware, UTC."""
    photos: tuple[Sha256, ...]
    plan: str
    """Digest of the plan it went by."""
    planned_by: str
    approved_by: str
    run_by: str
    authority: str
    """The rule and the dates, in words."""


class PurgeDesk(Protocol):
    """The archive as a purge sees it. Every method may raise an EvidenceError; then nothing more is removed."""

    def now(self) -> datetime:
        """The present instant, aware, UTC."""
        ...

    def today(self) -> date:
        """The office's calendar day."""
        ...

    def claims(self) -> Sequence[ClaimId]:
        """Every claim of the archive that is not purged."""
        ...

    def facts(self, claim: ClaimId) -> ClaimFacts:
        """The claim as it stands at this instant, holds included. Raises BadInputError for an unknown or purged one."""
        ...

    def photos(self, claim: ClaimId) -> Sequence[Sha256]:
        """Digests of every file kept for the claim, sidecar companions and videos included."""
        ...

    def also_in(self, photo: Sha256) -> Sequence[ClaimId]:
        """Every claim that is not purged and holds the same file; the unassigned tray counts as one."""
        ...

    def copies(self, claim: ClaimId) -> Sequence[KnownCopy]:
        """Every place known to hold something of the claim, in the archive and on each backup target.

        Raises an EvidenceError when a target that may hold copies cannot be reached.
        """
        ...

    def remove(self, copy: KnownCopy) -> None:
        """Make it go away; one that is gone already is no failure."""
        ...

    def look_for(self, claim: ClaimId, photos: Sequence[Sha256]) -> Sequence[KnownCopy]:
        """Whatever still exists of the claim, found by looking afresh at every place, not by remembering.

        By name and, where the place allows it, by digest; leftovers of broken-off work included.
        """
        ...

    def record(self, entry: PurgeEntry) -> None:
        """Append to the custody log, once per key; on disk when it returns."""
        ...

    def recorded(self, key: str) -> bool:
        """True when the custody log holds an entry of that key."""
        ...

    def bury(self, tombstone: Tombstone) -> None:
        """Put the tombstone in the place of all that the catalog knows of the claim; again is no failure."""
        ...
