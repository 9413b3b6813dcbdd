"""What a purge needs of the archive, as one protocol: the archive implements it, tests implement it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Protocol

from evidence.model import ClaimId, Sha256
from evidence.retention.facts import ClaimFacts
from evidence.retention.purge.addresses import AtStation, CopyAddress, OwedCopies, shared_photo


@dataclass(frozen=True, slots=True, kw_only=True)
class PurgeLogEntry:
    """One line for the custody log."""

    key: str
    """Names what was done: logging a key that the log already holds changes nothing."""
    event: str
    """`purge_planned`, `purge_approved`, `purge_started`, `purge_stopped`, `purged`."""
    actor: str
    at: datetime
    """Aware, UTC."""
    claim: ClaimId | None = None
    details: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class ClaimTraces:
    """What a plan notes of a claim for people, and what must not be left of it."""

    insured: str = ""
    taken: tuple[str, ...] = ()
    """First and last day of its photos, ISO 8601; empty when none is known."""
    octets: int = 0
    """Bytes of its files."""
    private: tuple[str, ...] = ()
    """Names and addresses to look for in free text."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Tombstone:
    """What stays of a purged claim, and the digests whose traces go."""

    claim: ClaimId
    purged: datetime
    """Aware, UTC."""
    photos: tuple[Sha256, ...]
    """Digests of its files. They are used to remove traces, and are not kept."""
    private: tuple[str, ...] = ()
    """Names and addresses whose traces go."""
    plan: str
    """Digest of the plan by which it was purged."""
    planned_by: str
    approved_by: str
    run_by: str
    authority: str
    """The rule and the dates, in words."""
    manifest: str = ""
    """One digest over the files' digests."""
    certificate: str = ""
    """SHA-256 of the certificate's text."""
    elsewhere: tuple[AtStation, ...] = ()
    """What other stations are still to remove."""


class Repository(Protocol):
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
        """What decides the claim's disposition at this instant. Raises BadInputError for an unknown or purged claim."""
        ...

    def photos(self, claim: ClaimId) -> Sequence[Sha256]:
        """Digests of every file kept for the claim, sidecar companions and videos included."""
        ...

    def claims_holding(self, photo: Sha256) -> Sequence[ClaimId]:
        """Every claim that is not purged and holds the same file; the unassigned tray counts as one."""
        ...

    def known_copies(self, claim: ClaimId) -> Sequence[CopyAddress]:
        """Every place known to hold something of the claim: in the archive, on each backup target, at other stations.

        Targets of `away_copies` are left out.
        """
        ...

    def owed_copies(self, claim: ClaimId) -> Sequence[OwedCopies]:
        """Disks that were declared lost or replaced and may still hold copies of the claim."""
        ...

    def find_copies(self, claim: ClaimId, photos: Sequence[Sha256]) -> Sequence[CopyAddress]:
        """Every copy of the claim or of these photos that exists now, found by looking at every place here again.

        By name and, where the place allows it, by digest; files that interrupted work left are found too.
        """
        ...

    def left_with(self, copies: Sequence[AtStation]) -> Sequence[OwedCopies]:
        """The stations of these copies that were declared gone since the plan was made, and may still hold them."""
        ...

    def traces(self, claim: ClaimId) -> ClaimTraces:
        """What the plan notes of the claim."""
        ...

    def away_copies(self, claim: ClaimId) -> Sequence[OwedCopies]:
        """Targets that cannot be reached now and may hold copies of the claim."""
        ...

    def begin_quarantine(self, claim: ClaimId, plan: str) -> None:
        """Keep all that the catalog holds of the claim's files beside the quarantine, then take it out of the catalog.

        From here on no copy of the claim counts. Repeating it changes nothing.
        """
        ...

    def set_aside(self, claim: ClaimId, plan: str, copy: CopyAddress) -> None:
        """Move the copy into the quarantine of its own disk; one that is there or gone already is no failure."""
        ...

    def restore(self, claim: ClaimId, plan: str) -> Mapping[str, int]:
        """Move every copy back and put the claim's rows into the catalog again; repeating it changes nothing.

        Returns how many of its files belong to each other claim, or to the unassigned tray, from now on: a card
        brought them again, and a person moved them there. Raises an EvidenceError when a target with copies in
        quarantine cannot be reached; nothing is lost then.
        """
        ...

    def end_quarantine(self, claim: ClaimId, plan: str) -> None:
        """Remove what is left of the quarantine after `restore`; repeating it changes nothing."""
        ...

    def remove_aside(self, claim: ClaimId, plan: str, targets: Sequence[str]) -> Sequence[str]:
        """Delete the copies in quarantine, in the archive and on these targets; returns the targets that are away."""
        ...

    def working_on(self, claim: ClaimId) -> AbstractContextManager[None]:
        """Keeps other stations from building the claim's bag meanwhile."""
        ...

    def removing(self) -> AbstractContextManager[None]:
        """Keeps holds and photos as they are between a last check and the removal of one copy."""
        ...

    def remove(self, copy: CopyAddress) -> None:
        """Delete the copy; one that is gone already is no failure. Raises PurgeRefusedError for a stray file."""
        ...

    def log(self, entry: PurgeLogEntry) -> None:
        """Append to the custody log, once per key; on disk when it returns."""
        ...

    def log_head(self) -> str:
        """The present head of the custody log as one line: entries, Merkle root, signature, key."""
        ...

    def is_logged(self, key: str) -> bool:
        """True when the custody log holds an entry of that key."""
        ...

    def record_tombstone(self, tombstone: Tombstone) -> None:
        """Replace all that the archive holds of the claim by the tombstone; repeating it changes nothing.

        In the same step, each other station owes the removal of its part.
        Rows of the catalog, decisions about its files, lines of ledgers and free texts of the custody log go.
        """
        ...


def log_step(
    repository: Repository, key: str, event: str, actor: str, claim: ClaimId | None = None, **details: str
) -> None:
    """Append to the custody log now, once per key."""
    repository.log(
        PurgeLogEntry(key=key, event=event, actor=actor, at=repository.now(), claim=claim, details=details)
    )


def serves_another(repository: Repository, copy: CopyAddress, claim: ClaimId) -> bool:
    """True for a copy that another claim with the same photo shares."""
    photo = shared_photo(copy)
    return photo is not None and any(other != claim for other in repository.claims_holding(photo))
