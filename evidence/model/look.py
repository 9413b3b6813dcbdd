"""What the analysis of a photo's pixels found."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from evidence.model.findings import Finding
from evidence.model.ids import ClaimId


@dataclass(frozen=True, slots=True, kw_only=True)
class Box:
    """A rectangle in the upright picture, as shares of its width and height; y grows downward."""

    left: float
    top: float
    right: float
    bottom: float

    @property
    def area(self) -> float:
        """Share of the frame."""
        return max(0.0, self.right - self.left) * max(0.0, self.bottom - self.top)


@dataclass(frozen=True, slots=True, kw_only=True)
class DividerMark:
    """A claim's sheet, read from its code."""

    claim: ClaimId
    code_area: float
    """Share of the frame that the code itself covers."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LabelMark:
    """A hand-held label card, read from its AprilTag."""

    number: int
    """AprilTag 36h11 id; `config/tags.toml` says what the card states."""
    code_area: float
    """Share of the frame that the tag itself covers."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OtherReading:
    """Another reading of a line of writing."""

    text: str
    share: float
    """Its probability divided by that of the line's text."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WritingLine:
    """A line of writing found in the photo."""

    text: str
    confidence: float
    """The recogniser's confidence, 0 to 1; not calibrated."""
    box: Box
    also: tuple[OtherReading, ...] = ()
    """Other readings, most probable first."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetSeen:
    """A sheet of paper that fills much of the photo: bright, four-sided, with writing."""

    area: float
    """Share of the frame."""
    confidence: float
    lines: tuple[WritingLine, ...]


class SceneKind(StrEnum):
    """What a photo shows as a whole, as the image network classifies it."""

    HOUSE = "house"
    ROOF = "roof"
    SHINGLE = "shingle"
    FIXTURE = "fixture"
    INTERIOR = "interior"
    SHEET = "sheet"
    GAUGE = "gauge"
    OTHER = "other"


@dataclass(frozen=True, slots=True, kw_only=True)
class ChalkSeen:
    """Chalk on a roof: a four-sided outline, and marks inside it that may be hits."""

    square: float
    """Confidence that a chalked test square is in the picture, 0 to 1; 0 when only rings were found."""
    marks: int | None
    """Number of circles and hash marks, in the square where there is one; None when nothing could be counted."""

    @property
    def rings(self) -> int | None:
        """Number of rings where no square was found: a proposed count of ringed hits."""
        return self.marks if self.square == 0 else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Quality:
    """Measures of the picture itself, on an upright copy reduced to 1024 pixels on its long side."""

    width: int
    """Pixels of the original, upright."""
    height: int
    sharpness: float
    """Variance of the Laplacian, 8-bit grey levels squared; higher is sharper."""
    brightness: float
    """Mean grey level, 0 to 1."""
    clipped: float
    """Share of pixels that are full black or full white."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """Everything that the analysis of one photo found. Made once, kept in the catalog and the bag."""

    dividers: tuple[DividerMark, ...] = ()
    labels: tuple[LabelMark, ...] = ()
    sheet: SheetSeen | None = None
    writing: tuple[WritingLine, ...] = ()
    scenes: Mapping[SceneKind, float] = field(default_factory=dict)
    """Probabilities that sum to one; empty when the network did not run."""
    embedding: bytes = b""
    """1,280 little-endian float16, unit length; `evidence learn` uses it. Empty when the network did not run."""
    chalk: ChalkSeen | None = None
    phash: str = ""
    """64-bit perceptual hash, 16 hexadecimal digits; empty when the file could not be decoded."""
    quality: Quality | None = None
    flags: tuple[Finding, ...] = ()
