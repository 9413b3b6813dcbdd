"""What goes into a day's plan and what comes out of it: frozen values without behaviour.

Naive times are wall-clock times, the camera's own or the common one of the job; aware times
are UTC. Positions are WGS 84 degrees, lengths metres, probabilities 0 to 1.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum

from evidence.model import (
    ClaimId,
    DcfName,
    DeviceId,
    Finding,
    GeoPoint,
    IntakeId,
    PlacedPhoto,
    SceneKind,
    Sha256,
    SheetSeen,
)

__all__ = [
    "Boundary",
    "ClockFinding",
    "ClockHint",
    "DayPhoto",
    "DayPlan",
    "ManualAssignments",
    "Segment",
    "SheetAt",
    "SplitOptions",
]


class SheetAt(StrEnum):
    """When the claim's sheet is photographed: before the house, after it, or detected from the day."""

    START = "start"
    END = "end"
    DETECT = "detect"


@dataclass(frozen=True, slots=True, kw_only=True)
class DayPhoto:
    """One file of the day that is split, with all that may place it.

    It leaves out what an earlier split and the tags said, so that a day split again gives the same plan.
    """

    sha256: Sha256
    device: DeviceId
    card: IntakeId
    card_path: str
    name: str
    dcf: DcfName | None = None
    taken_local: datetime | None = None
    """Naive: what the camera's clock showed, sub-seconds as a fraction."""
    offset_minutes: int | None = None
    """OffsetTimeOriginal, minutes east of UTC."""
    gps: GeoPoint | None = None
    gps_time: datetime | None = None
    """Aware, UTC: the moment of the fix, which may be older than the photo."""
    file_modified: datetime | None = None
    """Aware, UTC: the card's own time stamp."""
    dividers: tuple[ClaimId, ...] = ()
    """Claims whose sheet's code was read in the photo."""
    sheet: SheetSeen | None = None
    """A sheet of paper in the photo whose code could not be read."""
    is_photo: bool = True
    object_key: str = ""
    """Files of one card with the same key are one object; with an empty key the file is one by itself."""
    scenes: Mapping[SceneKind, float] = field(default_factory=dict)
    """Probability of each kind of picture, summing to one; empty where the photo was not analysed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ManualAssignments:
    """What people decided; a plan never contradicts it."""

    claim_of: Mapping[Sha256, ClaimId | None] = field(default_factory=dict)
    """The claim of each photo that a person moved or whose house a person named; None means unassigned."""
    cuts: frozenset[Sha256] = frozenset()
    """Photos before which a boundary must stand."""
    joins: frozenset[Sha256] = frozenset()
    """Photos before which no boundary may stand. A move or cut that contradicts it wins."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockHint:
    """What a person stated about a camera's clock."""

    device: DeviceId
    minutes_fast: float
    """How far the clock runs ahead of true local time; negative when it is behind."""
    reason: str = "as stated"


@dataclass(frozen=True, slots=True, kw_only=True)
class SplitOptions:
    """How the day is split. The numbers are priors from the trade, common practice without a source.

    None of them was fitted to the simulator of `tests/bench`, which draws from other distributions.
    """

    sheet_at: SheetAt = SheetAt.DETECT
    confirm_below: float = 0.94
    """A photo or boundary less certain than this is shown to a person to confirm."""

    photos_per_house: float = 120.0
    """Prior mean; an inspection has 60 to 300 photos."""
    sheet_kept: float = 0.9
    """Share of houses whose sheet is photographed, on a day on which sheets are used."""
    sheet_read: float = 0.93
    """Share of photographed sheets whose code is read; most of the others are still recognised as a sheet."""
    new_house: float = 0.3
    """Probability, at a boundary, that the next house belongs to none of the day's known claims."""
    returns: float = 0.08
    """Probability, at a boundary without a sheet, of a return to a house whose sheet was read that day."""
    neighbour_next: float = 0.5
    """Probability that an assigned claim next door, whose sheet no photo shows, comes next."""
    errand: float = 0.12
    """Probability, at a boundary, that photos on an errand follow: taken between houses."""

    within_median: float = 12.0
    """Seconds between two photos of one house; the prior for the day's own gaps."""
    pause_share: float = 0.004
    """Share of gaps within a house that are pauses, such as a talk, a ladder or a meal."""
    pause_median: float = 300.0
    """Seconds."""
    between_median: float = 840.0
    """Seconds from the last photo of a house to the first of the next, with packing and driving."""
    night: float = 6 * 3600.0
    """A gap of this many seconds ends the working day. It is shorter than a night and longer than any pause."""

    site_spread: float = 40.0
    """Metres between a geocoded address and where photos of the house are taken."""
    seen_spread: float = 25.0
    """The same around a position learnt from the photos of the house."""
    fix_spread: float = 8.0
    """Metres of noise in one fix of a phone or camera."""
    median_fixes: int = 5
    """Number of fixes whose median gives the position where a house was entered or left."""
    stale_fix: float = 120.0
    """A fix older than this many seconds does not show where the photo was taken."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Boundary:
    """Where one segment ends and the next begins, and why."""

    before: Sha256
    """The first photo after it."""
    probability: float
    reasons: tuple[str, ...]
    to_confirm: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Segment:
    """Consecutive photos of one place."""

    number: int
    """From 1, in the order of their first photos."""
    claim: ClaimId | None
    unknown: bool
    """True for a house without a name yet; False, with no claim, for photos between houses."""
    photos: tuple[Sha256, ...]
    opened_by: Boundary


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockFinding:
    """How far a device's clock was off, for some consecutive photos."""

    device: DeviceId
    first: Sha256
    """First and last photo it applies to."""
    last: Sha256
    seconds_fast: float | None
    """Ahead of true local time; None where it is not known."""
    spread: float
    """Seconds, about one standard deviation."""
    source: str
    """`gps`, `sheet`, `person`, `rhythm` (shared visits), `neighbour` or `assumed`."""
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class DayPlan:
    """Every photo exactly once, in timeline order, and the segments they form."""

    placed: tuple[PlacedPhoto, ...]
    segments: tuple[Segment, ...]
    clocks: tuple[ClockFinding, ...]
    findings: tuple[Finding, ...]
