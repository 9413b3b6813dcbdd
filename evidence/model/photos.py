"""A photo in the archive: where the split put it, and everything known about it."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime

from evidence.model.camera import CameraFacts
from evidence.model.card_files import MediaKind
from evidence.model.findings import Finding
from evidence.model.ids import ClaimId, DeviceId, IntakeId, Sha256
from evidence.model.look import Look
from evidence.model.tags import Tags


@dataclass(frozen=True, slots=True, kw_only=True)
class PlacedPhoto:
    """Where the split of a day put a photo, and when the photo was taken."""

    sha256: Sha256
    corrected: datetime | None
    """Naive local time on the common clock; None where the time is not known."""
    correction: str
    """Why `corrected` differs from the camera's own time; empty when it does not."""
    utc: datetime | None
    """Aware; None where the zone is not known."""
    claim: ClaimId | None
    confidence: float
    to_confirm: bool
    segment: int
    """Number of its segment in the day's plan."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoRecord:
    """A photo of a claim with everything known about it, read from all tables of the catalog."""

    sha256: Sha256
    name: str
    """The camera's file name."""
    card_path: str
    claim: ClaimId | None
    order: int
    """Position in the claim's shooting order, from 0."""
    facts: CameraFacts
    look: Look
    kind: MediaKind = MediaKind.PHOTO
    device: DeviceId = DeviceId("")
    intake: IntakeId = IntakeId("")
    corrected: datetime | None = None
    """Naive local time on the claim's common clock; None when no time is known."""
    correction: str = ""
    """Why `corrected` differs from the camera's own time; empty when it does not."""
    utc: datetime | None = None
    """Aware, UTC, where the offset is known."""
    claim_confidence: float = 1.0
    to_confirm: bool = False
    claim_reasons: tuple[str, ...] = ()
    tags: Tags = field(default_factory=dict)
    flags: tuple[Finding, ...] = ()
    caption: str = ""
    """What a person wrote to stand beside the photo in the report; empty when nobody did."""
