"""Find the claim, photo or segment that a person named."""

from __future__ import annotations

import difflib
from collections.abc import Iterable

from evidence.catalog.claims import ClaimRow
from evidence.catalog.segments import SegmentRow
from evidence.errors import BadInputError
from evidence.model import ClaimId, ClaimState, PhotoRecord, Sha256
from evidence.workspace import Workspace

UNASSIGNED = "unassigned"
"""The name that users type for the tray of photos without a claim."""


def photos_of(workspace: Workspace, claim: str) -> list[PhotoRecord]:
    """Return the photos of the claim, or of the tray, in order; raises BadInputError for an unknown claim."""
    if claim.casefold() == UNASSIGNED:
        return workspace.catalog.photos.of_claim(None)
    return workspace.catalog.photos.of_claim(known_claim(workspace, claim))


def known_claim(workspace: Workspace, claim: str) -> ClaimId:
    """Return the claim's number as the catalog spells it; raises BadInputError with a similar number for an unknown one."""
    if workspace.catalog.claims.get(ClaimId(claim)) is not None:
        return ClaimId(claim)
    known = workspace.catalog.claims.numbers()
    same = [one for one in known if one.casefold() == claim.casefold()]
    if len(same) == 1:
        return same[0]
    near = difflib.get_close_matches(claim, known, n=1, cutoff=0.6)
    raise _unknown_claim(claim, f"Did you mean {near[0]}?" if near else "")


def require_claim(workspace: Workspace, claim: ClaimId, *, quarantined: bool = False) -> ClaimRow:
    """The claim's row; raises BadInputError when there is none, or when the claim was purged.

    A claim in quarantine counts as purged, unless `quarantined`.
    """
    row = workspace.catalog.claims.get(claim)
    if row is None:
        raise _unknown_claim(claim)
    if row.state is ClaimState.QUARANTINED and not quarantined:
        raise BadInputError(
            f"The copies of claim {claim} are in quarantine, to be purged.",
            "To bring them back: `evidence purge undo PLAN`; `evidence purge history` names the plan.",
        )
    if row.state is ClaimState.PURGED:
        raise BadInputError(
            f"Claim {claim} was purged.",
            "Nothing can be filed under it or changed; its certificate is in the archive's purges folder.",
        )
    return row


def _unknown_claim(claim: str, hint: str = "") -> BadInputError:
    return BadInputError(f"There is no claim {claim}.", hint or "`evidence claims` lists them.")


def found_photos(workspace: Workspace, names: Iterable[str]) -> list[Sha256]:
    """Return the digests of the named photos; raises BadInputError for a name that matches no photo or several."""
    digests: list[Sha256] = []
    for name in names:
        found = workspace.catalog.photos.find(name)
        if not found:
            raise BadInputError(
                f"There is no photo {name}.",
                "Give its card path, its file name or the first digits of its SHA-256.",
            )
        if len(found) > 1:
            raise BadInputError(
                f"{len(found)} photos have the name {name}.",
                "Use its card path or the first digits of its SHA-256.",
            )
        digests += found
    return list(dict.fromkeys(digests))


def find_segment(workspace: Workspace, name_or_photo: str) -> SegmentRow:
    """Return the segment with that name (`2026-05-14/143207`, the day and the time of its first photo), or the segment of the photo with that name.

    Raises BadInputError if there is neither.
    """
    photos = workspace.catalog.photos
    if (named := photos.segment_named(name_or_photo)) is not None:
        return named
    for sha in photos.find(name_or_photo):
        if (row := photos.segment_named(photos.segment_of(sha))) is not None:
            return row
    raise BadInputError(f"There is no segment {name_or_photo}.", "`evidence segments` lists them.")
