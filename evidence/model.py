"""The values that all rooms share: frozen dataclasses and enums, without side effects.

Times: `taken_local` and everything derived from it is naive, the wall clock the camera
was set to; every other `datetime` is aware and in UTC. Angles are degrees, true or
magnetic north as stated; positions are WGS 84 degrees; lengths are metres; shares are
fractions of one.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from enum import StrEnum
from typing import NewType

Sha256 = NewType("Sha256", str)
"""64 lower-case hexadecimal digits (FIPS 180-4)."""

ClaimId = NewType("ClaimId", str)
"""The claim's number as the carrier writes it."""

DeviceId = NewType("DeviceId", str)
"""One camera or phone: make, model and serial joined, or the card it came on where those are absent."""

IntakeId = NewType("IntakeId", str)
"""One run of a card through the intake: its UTC start, and a few letters that make it unique."""


# --- what a card holds -------------------------------------------------------------------


class MediaKind(StrEnum):
    """The kind of a file, by its name; its content is checked later."""

    PHOTO = "photo"
    RAW = "raw"
    VIDEO = "video"
    SOUND = "sound"
    OTHER = "other"


PICTURE_KINDS = frozenset({MediaKind.PHOTO, MediaKind.RAW})
"""Kinds of file that are analysed and tagged; other files are kept beside their photo."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DcfName:
    """A file's folder and file number by the Design rule for Camera File system (JEITA CP-3461)."""

    folder_number: int
    """100 to 999."""
    file_number: int
    """1 to 9999."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """A file seen on a card, not yet read."""

    card_path: str
    """Relative to the card's root, with forward slashes, spelled as on the card."""
    size: int
    """Bytes."""
    modified: datetime | None
    """The card's own time stamp for the file, aware, UTC; None where it is impossible."""
    kind: MediaKind
    dcf: DcfName | None
    object_key: str
    """Files with the same key belong together (RAW+JPEG, a sound note); a single file has its own."""


class Outcome(StrEnum):
    """The result for one file of a card (rule 3)."""

    KEPT = "kept"
    ALREADY_KEPT = "already_kept"
    REFUSED = "refused"


@dataclass(frozen=True, slots=True, kw_only=True)
class Refusal:
    """A file that was not kept, and why."""

    path: str
    """Relative to the card's root."""
    code: str
    """A short word for programs: `system_litter`, `symlink`, `device`, `unsafe_name`, `unreadable`, ..."""
    reason: str
    """A sentence for people."""
    blocks_erase: bool = True
    """False only for files that the operating system leaves on a card."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Copied:
    """A file that was copied to the archive, read back and compared."""

    found: Found
    sha256: Sha256
    outcome: Outcome


# --- camera data -------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class GeoPoint:
    """A WGS 84 position, degrees north and east; altitude in metres where known."""

    lat: float
    lon: float
    alt: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """Something that a person should check: a code for programs, a sentence for people."""

    code: str
    message: str
    subject: str = ""
    """What it is about: a photo's sha256, a path, a requirement; empty when the context makes it clear."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CameraFacts:
    """The camera data as they are in the file. A missing or impossible value is None; an impossible one gets a flag."""

    taken_text: str | None = None
    """DateTimeOriginal as it is in the file."""
    taken_local: datetime | None = None
    """The same as a naive local time, with the sub-seconds as a decimal fraction."""
    offset_minutes: int | None = None
    """OffsetTimeOriginal, minutes east of UTC."""
    gps: GeoPoint | None = None
    gps_time: datetime | None = None
    """GPSDateStamp and GPSTimeStamp, aware, UTC; None unless both are there."""
    direction: float | None = None
    """GPSImgDirection, degrees clockwise, 0 <= d < 360."""
    direction_is_true: bool | None = None
    """True for true north, False for magnetic north, None where not stated."""
    orientation: int = 1
    """EXIF orientation, 1 to 8."""
    make: str | None = None
    model: str | None = None
    serial: str | None = None
    software: str | None = None
    unique_id: str | None = None
    width: int | None = None
    """Pixels, as stored, before the orientation is applied."""
    height: int | None = None
    flags: tuple[Finding, ...] = ()


# --- what the analysis of a photo found ---------------------------------------------------


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


# --- claims ------------------------------------------------------------------------------


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


# --- tags --------------------------------------------------------------------------------


class Role(StrEnum):
    """What a photo is for."""

    OVERVIEW = "overview"
    ELEVATION = "elevation"
    SLOPE = "slope"
    TEST_SQUARE = "test_square"
    CLOSE_UP = "close_up"
    NO_DAMAGE_PROOF = "no_damage_proof"
    MEASUREMENT = "measurement"
    DIVIDER = "divider"
    LABEL = "label"
    OTHER = "other"


class Face(StrEnum):
    """Which side of the house, seen from the street: front is the street side."""

    FRONT = "front"
    RIGHT = "right"
    BACK = "back"
    LEFT = "left"
    NONE = "none"


class Condition(StrEnum):
    """Whether the photo shows damage."""

    DAMAGE = "damage"
    NO_DAMAGE = "no_damage"
    UNSTATED = "unstated"


class Facet(StrEnum):
    """The five parts of a tag."""

    ROLE = "role"
    FACE = "face"
    COMPONENT = "component"
    CONDITION = "condition"
    COUNT = "count"


class Source(StrEnum):
    """Where a facet's value comes from. A person and a label card state; all others guess (rule 9)."""

    PERSON = "person"
    LABEL = "label"
    WRITING = "writing"
    PIXELS = "pixels"
    PLACE = "place"
    HABIT = "habit"
    FUSED = "fused"


STATING = frozenset({Source.PERSON, Source.LABEL})


@dataclass(frozen=True, slots=True, kw_only=True)
class FacetValue:
    """One facet of a photo's tag, with its source and confidence."""

    facet: Facet
    value: str
    """A word of the vocabulary; for `count` a whole number in digits."""
    source: Source
    confidence: float
    """Calibrated probability for guesses; 1 for what is stated."""
    reason: str
    """The reason, in words for a reviewer."""

    @property
    def stated(self) -> bool:
        """True when a person or a label card states it."""
        return self.source in STATING


Tags = Mapping[Facet, FacetValue]
"""At most one value per facet, the strongest. A facet without a value is absent."""


def tag_value(tags: Tags, facet: Facet) -> str | None:
    """The value of `facet`, or None."""
    value = tags.get(facet)
    return value.value if value else None


@dataclass(frozen=True, slots=True, kw_only=True)
class TagResult:
    """A photo's tag, the values of each source, and flags for a person to check."""

    tags: Tags
    """The strongest value of each facet; a stated value always comes before a guess."""
    by_source: tuple[FacetValue, ...] = ()
    """The values of each source, those of the tag among them."""
    flags: tuple[Finding, ...] = ()


# --- photos ------------------------------------------------------------------------------


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


class Duty(StrEnum):
    """The role of a person on the review page; it decides what they may do."""

    ADJUSTER = "adjuster"
    REVIEWER = "reviewer"
    OFFICE = "office"
