"""Values that an intake and a split store in the catalog, made without a card."""

from __future__ import annotations

from datetime import datetime

from evidence.catalog.segments import Placing
from evidence.model import ClaimId, Copied, DcfName, Found, MediaKind, Outcome, PlacedPhoto, Sha256


def copied(
    card_path: str,
    sha: str,
    *,
    size: int = 1,
    modified: datetime | None = None,
    dcf: DcfName | None = None,
    object_key: str | None = None,
    kind: MediaKind = MediaKind.PHOTO,
) -> Copied:
    """A photo that was copied from a card; with no `object_key` it is one object by itself."""
    found = Found(
        card_path=card_path,
        size=size,
        modified=modified,
        kind=kind,
        dcf=dcf,
        object_key=card_path if object_key is None else object_key,
    )
    return Copied(found=found, sha256=Sha256(sha), outcome=Outcome.KEPT)


def placing(
    sha: str,
    claim: str | None,
    position: int,
    *,
    segment: str,
    reasons: tuple[str, ...] = (),
    confidence: float = 1.0,
    to_confirm: bool = False,
    corrected: datetime | None = None,
    utc: datetime | None = None,
) -> Placing:
    """A photo as the split of a day places it, with the camera's own time."""
    photo = PlacedPhoto(
        sha256=Sha256(sha),
        claim=ClaimId(claim) if claim else None,
        confidence=confidence,
        to_confirm=to_confirm,
        corrected=corrected,
        correction="",
        utc=utc,
        segment=1,
    )
    return Placing(photo=photo, position=position, segment=segment, reasons=reasons)
